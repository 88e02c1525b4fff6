//! What strangers get of the built program: no door that nobody opened, no secret, no line in its log that it did
//! not write itself.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::time::Duration;

use crate::child::{free_port, wait_until};
use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::{Post, publish};
use crate::smtp::{Papers, Server};

/// Passwords `secret-NAME`, as `mosquitto_passwd` of mosquitto 2.0.11 wrote them.
const BROKER_PASSWORDS: &str = "\
rindwatch:$7$101$pXBTdt5nzMTpP2O6$iPkUCaXoaX49PAEdDhZG/0EHTVkR1vt/pPfmcqTzmAefu7I/ivSnL1wka4P4VxuzYwW2IHVWs1KJCbiL/Gv2Zw==
";

/// Local addresses, as the kernel writes them, of all sockets of a process that take connections or datagrams
/// (proc(5): `net/tcp`, state 0A listens).
fn doors(id: u32) -> Vec<String> {
    let held: BTreeSet<String> = fs::read_dir(format!("/proc/{id}/fd"))
        .unwrap()
        .flatten()
        .filter_map(|entry| fs::read_link(entry.path()).ok())
        .filter_map(|to| Some(to.to_str()?.strip_prefix("socket:[")?.strip_suffix(']')?.to_owned()))
        .collect();
    let mut open = Vec::new();
    for (table, listens) in [("tcp", Some("0A")), ("tcp6", Some("0A")), ("udp", None), ("udp6", None)] {
        let text = fs::read_to_string(format!("/proc/{id}/net/{table}")).unwrap_or_default();
        for line in text.lines().skip(1) {
            let fields: Vec<&str> = line.split_whitespace().collect();
            if held.contains(fields[9]) && listens.is_none_or(|state| fields[3] == state) {
                open.push(format!("{table} {}", fields[1]));
            }
        }
    }
    open
}

#[test]
fn nothing_listens_beyond_this_machine_and_files_are_ours_alone() {
    let Some(broker) = Mosquitto::start("") else { return };
    let page = free_port();
    let port = broker.port;
    let mut daemon = Daemon::new(port, "", 1);
    let text = fs::read_to_string(daemon.settings()).unwrap();
    fs::write(daemon.settings(), text.replace("listen = \"off\"", &format!("listen = \"127.0.0.1:{page}\"")))
        .unwrap();
    daemon.start();
    publish(port, vec![timed(1, two_hours_ago_ms(), 18.0)]);
    daemon.wait_for_settled(1);
    let copy = daemon.folder.path().join("copy.db");
    assert!(daemon.once("backup", &["--to", copy.to_str().unwrap()]).status.success());
    wait_until("the page listens", Duration::from_secs(10), || !doors(daemon.id()).is_empty());
    // The kernel writes 127.0.0.1 as 0100007F on a little-endian machine, and the port in hexadecimal.
    assert_eq!(doors(daemon.id()), [format!("tcp 0100007F:{page:04X}")]);

    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    let folder = daemon.data();
    // The group may come as far as the socket, and to nothing else.
    assert_eq!(mode(&folder) & 0o027, 0, "others see nothing, the group changes nothing");
    let mut seen = 0;
    for entry in fs::read_dir(&folder).unwrap().flatten() {
        let wanted = if entry.file_name() == "rindwatch.sock" { 0o660 } else { 0o600 };
        assert_eq!(mode(&entry.path()), wanted, "{}", entry.path().display());
        seen += 1;
    }
    assert!(seen >= 4, "store, log of the store, lock and socket");
    assert_eq!(mode(&copy), 0o600);
    assert!(daemon.stop().success());
}

/// Topics, payloads and names of a hostile node are shown, each within one line.
#[test]
fn no_line_of_the_log_is_written_by_a_stranger() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "overhear = \"#\"", 1);
    daemon.loud = true;
    daemon.start();
    let forged =
        "\n2031-01-01T00:00:00.000000Z ERROR forged line\r\n\u{1b}[2J\u{1b}]0;mine\u{7}\u{9b}31m\u{202e}";
    let posts = vec![
        Post::new("bed/1", forged),
        Post::new("bed/1", format!(r#"{{"t": {:?}, "v": {forged:?}}}"#, forged)),
        Post::new(&format!("strange/{}", "\u{202e}forged line"), forged),
        Post::new("bare", forged),
    ];
    let count = posts.len() as u64;
    publish(broker.port, posts);
    daemon.wait_for("all are refused", |status| status.counts.refused + 1 >= count);
    // Commands that are told the same in an answer of the daemon.
    let told = daemon.once("status", &[]);
    let told = String::from_utf8_lossy(&told.stdout).into_owned();
    assert!(daemon.stop().success());
    let log = daemon.log();
    assert!(log.contains("forged li"), "it is told, escaped:\n{log}");
    for text in [&log, &told] {
        for line in text.lines() {
            assert!(!line.contains(char::is_control) && !line.contains('\u{202e}'), "{line:?}");
            assert!(!line.starts_with("2031"), "{line:?}");
        }
    }
}

/// With everything told that can be told, no line of log or words holds a password, plain or as it goes over the
/// wire.
#[test]
fn no_secret_is_ever_told() {
    let passwords = tempfile::NamedTempFile::new().unwrap();
    fs::write(passwords.path(), BROKER_PASSWORDS).unwrap();
    fs::set_permissions(passwords.path(), fs::Permissions::from_mode(0o644)).unwrap();
    let lines = format!("allow_anonymous true\npassword_file {}", passwords.path().display());
    let Some(broker) = Mosquitto::start(&lines) else { return };
    let papers = Papers::made("127.0.0.1");
    let mut mail = Server::start("good", Some(&papers), 0);
    let secrets = tempfile::tempdir().unwrap();
    let broker_file = secrets.path().join("broker-password");
    let mail_file = secrets.path().join("mail-password");
    let ours = format!("user = \"rindwatch\"\npassword-file = \"{}\"", broker_file.display());
    let mut daemon = Daemon::new(broker.port, &ours, 1);
    let text = fs::read_to_string(daemon.settings()).unwrap();
    let section = format!(
        "\n[mail]\nhost = \"127.0.0.1\"\nport = {}\nuser = \"garden\"\npassword-file = \"{}\"\n\
         from = \"garden@example.org\"\nca-file = \"{}\"\n",
        mail.port,
        mail_file.display(),
        papers.authority().display()
    );
    fs::write(daemon.settings(), text + &section).unwrap();
    daemon.loud = true;

    let mut all = String::new();
    // Wrong ones first: what a server refuses is told most eagerly.
    for (broker_word, mail_word, right) in
        [("tuber-wire-81", "hollow-stem-46", false), ("secret-rindwatch", "right", true)]
    {
        fs::write(&broker_file, format!("{broker_word}\n")).unwrap();
        fs::write(&mail_file, format!("{mail_word}\n")).unwrap();
        for file in [&broker_file, &mail_file] {
            fs::set_permissions(file, fs::Permissions::from_mode(0o644)).unwrap();
        }
        daemon.start_with(&[]);
        daemon.wait_for("the broker has answered", |status| match &status.broker {
            None => right,
            Some(words) => !right && words.contains("refuses the user name or the password"),
        });
        let tried = daemon.once_loud("try-mail");
        assert_eq!(tried.status.success(), right, "{tried:?}");
        let checked = daemon.once_loud("check");
        let words = String::from_utf8_lossy(&checked.stdout).into_owned();
        assert_eq!(words.matches("everybody on this machine can read it").count(), 2, "{words}");
        for output in [tried, checked, daemon.once_loud("status")] {
            all += &String::from_utf8_lossy(&output.stdout);
            all += &String::from_utf8_lossy(&output.stderr);
        }
        assert!(daemon.stop().success());
    }
    all += &daemon.log();
    assert!(all.lines().any(|line| line.contains("DEBUG")), "it was as loud as it can be");
    assert!(mail.end().iter().any(|line| line == "user garden"), "the password was used");
    // AUTH PLAIN (RFC 4616) sends base64 of NUL user NUL password, AUTH LOGIN each alone; the last is its sextets from
    // another start, as within a longer text. Made with Python's base64.
    for secret in [
        "tuber-wire-81",
        "hollow-stem-46",
        "secret-rindwatch",
        "AGdhcmRlbgBob2xsb3ctc3RlbS00Ng==",
        "aG9sbG93LXN0ZW0tNDY=",
        "AGdhcmRlbgByaWdodA==",
        "dHViZXItd2lyZS04MQ==",
        "c2VjcmV0LXJpbmR3YXRjaA==",
    ] {
        let line = all.lines().find(|line| line.contains(secret));
        assert!(line.is_none(), "{secret} in: {line:?}");
    }
    // Debug output of bytes.
    for secret in ["tuber-wire-81", "hollow-stem-46", "secret-rindwatch"] {
        let bytes = format!("{:?}", secret.as_bytes());
        assert!(!all.contains(bytes.trim_matches(['[', ']'])), "{secret} as a list of bytes");
    }
}
