//! A letter as its reader sees it: subject, plain text, the numbered first lines.

/// A letter, opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Letter {
    /// `Date:` as written.
    pub date: String,
    /// Who it is for.
    pub to: String,
    /// Decoded.
    pub subject: String,
    /// The plain text, decoded.
    pub text: String,
}

/// One thing to do, as the first lines of a letter tell it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// The number an answer names.
    pub number: u32,
    /// What it is about ("Long bed").
    pub title: String,
    /// What to do, until when.
    pub words: String,
}

impl Letter {
    /// Opens a letter (RFC 5322, RFC 2045 to 2047 as far as our letters use them).
    pub fn open(raw: &str) -> Self {
        let (headers, body) = raw.split_once("\n\n").unwrap_or((raw, ""));
        let header = |name: &str| unwrapped(headers, name);
        let kind = header("Content-Type");
        let boundary =
            kind.split("boundary=\"").nth(1).and_then(|rest| rest.split('"').next()).unwrap_or_default();
        let boundary = format!("\n--{boundary}");
        let plain = body.split(boundary.as_str()).find(|part| part.contains("Content-Type: text/plain"));
        let (part_headers, text) = plain.and_then(|part| part.split_once("\n\n")).unwrap_or(("", body));
        let encoding = unwrapped(part_headers, "Content-Transfer-Encoding").to_ascii_lowercase();
        let bytes = match encoding.as_str() {
            "quoted-printable" => quoted_printable(text, false),
            "base64" => base64(text),
            _ => text.as_bytes().to_vec(),
        };
        Self {
            date: header("Date"),
            to: header("To"),
            subject: encoded_words(&header("Subject")),
            text: String::from_utf8_lossy(&bytes).into_owned(),
        }
    }

    /// The numbered lines before the first blank one.
    pub fn heads(&self) -> Vec<Head> {
        let mut whole: Vec<String> = Vec::new();
        for line in self.text.lines().take_while(|line| !line.trim().is_empty()) {
            match whole.last_mut().filter(|_| line.starts_with(' ')) {
                Some(last) => *last = format!("{last} {}", line.trim()),
                None => whole.push(line.trim().to_owned()),
            }
        }
        whole.iter().filter_map(|line| head(line)).collect()
    }
}

fn head(line: &str) -> Option<Head> {
    let (number, rest) = line.split_once(". ")?;
    let (title, words) = rest.split_once(": ")?;
    let title = title.split(',').next().unwrap_or(title);
    Some(Head { number: number.parse().ok()?, title: title.to_owned(), words: words.to_owned() })
}

/// A header's value with its folded lines joined.
fn unwrapped(headers: &str, name: &str) -> String {
    let mut lines = headers
        .lines()
        .skip_while(|line| !line.split_once(':').is_some_and(|(found, _)| found.eq_ignore_ascii_case(name)));
    let first = lines.next().and_then(|line| line.split_once(':')).map_or("", |(_, value)| value);
    let more = lines.take_while(|line| line.starts_with([' ', '\t']));
    std::iter::once(first).chain(more).map(str::trim).collect::<Vec<_>>().join(" ")
}

/// Words like `=?utf-8?b?...?=` made readable; white space between two of them is dropped.
fn encoded_words(text: &str) -> String {
    let mut bytes = Vec::new();
    let mut rest = text;
    while let Some(start) = rest.find("=?") {
        let (before, word) = rest.split_at(start);
        let mut parts = word[2..].splitn(4, '?');
        let (Some(_), Some(kind), Some(inside), Some(after)) =
            (parts.next(), parts.next(), parts.next(), parts.next())
        else {
            break;
        };
        if bytes.is_empty() || !before.trim().is_empty() {
            bytes.extend_from_slice(before.as_bytes());
        }
        match kind {
            "q" | "Q" => bytes.extend(quoted_printable(inside, true)),
            _ => bytes.extend(base64(inside)),
        }
        rest = after.strip_prefix('=').unwrap_or(after);
    }
    bytes.extend_from_slice(rest.as_bytes());
    String::from_utf8_lossy(&bytes).into_owned()
}

fn quoted_printable(text: &str, underscore_is_space: bool) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut rest = text.as_bytes();
    while let Some((&next, after)) = rest.split_first() {
        let hex = |at: usize| after.get(at).and_then(|digit| (*digit as char).to_digit(16));
        match (next, hex(0), hex(1)) {
            (b'=', Some(high), Some(low)) => {
                bytes.push((high * 16 + low) as u8);
                rest = &after[2..];
                continue;
            }
            (b'=', ..) if after.first() == Some(&b'\n') => {
                rest = &after[1..];
                continue;
            }
            (b'_', ..) if underscore_is_space => bytes.push(b' '),
            _ => bytes.push(next),
        }
        rest = after;
    }
    bytes
}

fn base64(text: &str) -> Vec<u8> {
    const DIGITS: &[u8] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let (mut bytes, mut held, mut bits) = (Vec::new(), 0u32, 0);
    for digit in text.bytes().filter_map(|byte| DIGITS.iter().position(|known| *known == byte)) {
        held = held << 6 | digit as u32;
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push((held >> bits) as u8);
            held &= (1 << bits) - 1;
        }
    }
    bytes
}
