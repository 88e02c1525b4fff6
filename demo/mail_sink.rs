//! A mail server that keeps every letter it is given and sends nothing on (the part of RFC 5321 that a
//! client without extensions needs).

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, Sender, channel};

use crate::Trouble;

/// Longest letter taken, bytes.
const LETTER_BYTES: u64 = 1 << 20;

/// Starts the sink on a free loopback port; each letter comes out of the channel before its sender is told
/// that it was taken.
pub fn start() -> Result<(u16, Receiver<String>), Trouble> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
    let port = listener.local_addr()?.port();
    let (letters, taken) = channel();
    std::thread::Builder::new().name("mail sink".to_owned()).spawn(move || {
        for stream in listener.incoming().flatten() {
            let letters = letters.clone();
            std::thread::spawn(move || {
                // A client that hangs up has simply finished.
                let _ = serve(&stream, &letters);
            });
        }
    })?;
    Ok((port, taken))
}

fn serve(mut stream: &TcpStream, letters: &Sender<String>) -> std::io::Result<()> {
    let mut lines = BufReader::new(stream);
    stream.write_all(b"220 demo\r\n")?;
    loop {
        let mut line = String::new();
        if (&mut lines).take(1_000).read_line(&mut line)? == 0 {
            return Ok(());
        }
        let verb = line.split_whitespace().next().unwrap_or_default().to_ascii_uppercase();
        let answer = match verb.as_str() {
            "EHLO" => "250-demo\r\n250 8BITMIME",
            "HELO" | "MAIL" | "RCPT" | "RSET" | "NOOP" => "250 fine",
            "DATA" => {
                stream.write_all(b"354 go on, end with a dot\r\n")?;
                match letter(&mut lines)? {
                    Some(letter) => {
                        let _ = letters.send(letter);
                        "250 taken"
                    }
                    None => return stream.write_all(b"552 too long\r\n"),
                }
            }
            "QUIT" => return stream.write_all(b"221 bye\r\n"),
            _ => "502 not known here",
        };
        // In one piece: a second small packet would wait for the first one's acknowledgement.
        stream.write_all(format!("{answer}\r\n").as_bytes())?;
    }
}

/// One letter up to its lonely dot; `None` when it is too long.
fn letter(lines: &mut impl BufRead) -> std::io::Result<Option<String>> {
    let mut letter = String::new();
    let mut left = LETTER_BYTES;
    loop {
        let mut line = Vec::new();
        let read = lines.take(left).read_until(b'\n', &mut line)? as u64;
        left -= read;
        if read == 0 || left == 0 {
            return Ok(None);
        }
        let line = String::from_utf8_lossy(&line);
        match line.trim_end_matches(['\r', '\n']) {
            "." => return Ok(Some(letter)),
            text => {
                letter.push_str(text.strip_prefix('.').unwrap_or(text));
                letter.push('\n');
            }
        }
    }
}
