//! Two people get letters through one real mail server, which refuses one of them or crawls: the other's go out, what is
//! refused stands on the page, and nothing is sent twice.

use std::collections::BTreeSet;
use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::Duration;

use mail_parser::MessageParser;
use rindwatch::record::{MatterKey, Stand};
use rindwatch::rfc3339;
use rindwatch::store::Fate;

use crate::child::{free_port, wait_until};
use crate::daemon::Daemon;
use crate::mail::{Yard, garden, ids};
use crate::smtp::{Papers, Server};
use crate::winter;

/// Before the morning notes of this day, which go to both.
const DAWN: &str = "2026-07-01T05:00:00Z";
const QUARTER_MS: i64 = 900_000;
const PATIENCE: Duration = Duration::from_secs(60);

/// Both read the morning note; the first of them is the grower.
fn daemon(broker: u16, mail: u16, page: u16, papers: &Papers, (grower, other): (&str, &str)) -> Daemon {
    let text = garden()
        .replace("morning-note = false", "morning-note = true")
        .replace("grower@example.org", &format!("{grower}@example.org"));
    let text = format!(
        "{text}[people.neighbour]\nrole = \"stand-in\"\naddress = \"{other}@example.org\"\nmorning-note = true\n"
    );
    let daemon = winter::daemon(&text, broker, mail, papers);
    let text = fs::read_to_string(daemon.settings()).unwrap();
    fs::write(daemon.settings(), text.replace("listen = \"off\"", &format!("listen = \"127.0.0.1:{page}\"")))
        .unwrap();
    daemon
}

/// The garden's clock goes on past the hour of the morning notes of its day.
fn through_a_morning(yard: &mut Yard) {
    for _ in 0..8 {
        yard.report(0.30, &[]);
        yard.move_on(QUARTER_MS);
    }
}

fn page_of(port: u16) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    write!(stream, "GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n").unwrap();
    let mut page = String::new();
    stream.read_to_string(&mut page).unwrap();
    page
}

/// To whom the letters that were taken went, in that order.
fn receivers(folder: &Path) -> Vec<String> {
    let of = |eml: &Vec<u8>| {
        let message = MessageParser::default().parse(eml).unwrap();
        message.to().unwrap().first().unwrap().address().unwrap().to_owned()
    };
    winter::kept_letters(folder).iter().map(of).collect()
}

fn nothing_came_twice(folder: &Path) {
    let received = ids(folder);
    let each: BTreeSet<&String> = received.iter().collect();
    assert_eq!(each.len(), received.len(), "{received:?}");
}

#[test]
fn a_refused_address_is_told_on_the_page_and_the_others_letters_go_out() {
    let papers = Papers::made("127.0.0.1");
    let folder = tempfile::tempdir().unwrap();
    let mut server = Server::keeping_at("unknown", &papers, 0, folder.path());
    let (mail, page) = (server.port, free_port());
    let made = |broker| daemon(broker, mail, page, &papers, ("nobody", "neighbour"));
    let Some(mut yard) = Yard::of(made, DAWN) else { return };
    for day in 1..=2 {
        through_a_morning(&mut yard);
        yard.daemon.wait_for("each letter has its fate", |status| status.letters_waiting == 0);
        let kept = yard.daemon.reader().recent_letters(u32::MAX).unwrap();
        // The grower also hears of what went silent over the day.
        let (grower, other): (Vec<_>, Vec<_>) = kept.iter().partition(|letter| letter.person == "grower");
        let refused = |fate: &Fate| matches!(fate, Fate::Refused(_, words) if words.contains("550"));
        assert!(grower.len() >= day && grower.iter().all(|letter| refused(&letter.fate)), "{kept:?}");
        let accepted = other.iter().filter(|letter| matches!(letter.fate, Fate::Accepted(_))).count();
        assert_eq!((accepted, other.len()), (day, day), "{kept:?}");
        let matters = yard.daemon.status().survey.matters;
        let of_mail: Vec<_> = matters.iter().filter(|one| one.matter == MatterKey::Mail).collect();
        assert!(
            of_mail.len() == 1 && of_mail[0].subject == "grower" && of_mail[0].stand == Stand::Standing,
            "{matters:?}"
        );
        let shown = page_of(page);
        assert!(shown.contains("550 5.1.1 no such user"), "{shown}");
        assert_eq!(yard.daemon.status().mail, None, "the server itself works");
        yard.now_ms = rfc3339::parse(DAWN).unwrap() + day as i64 * 86_400_000 - 8 * QUARTER_MS;
        let to_ms = yard.now_ms + 8 * QUARTER_MS;
        while yard.now_ms < to_ms {
            yard.move_on(QUARTER_MS);
        }
    }
    // A start later nobody is asked again for what was refused for good.
    yard.daemon.kill();
    yard.start();
    std::thread::sleep(Duration::from_secs(2));
    assert!(yard.daemon.stop().success());
    server.end();
    assert_eq!(receivers(folder.path()), ["neighbour@example.org"; 2]);
    nothing_came_twice(folder.path());
}

/// One byte a second to one of them, for `bytes` of them; how it goes on when the server is good again.
fn crawls_for_one(bytes: u32) {
    let papers = Papers::made("127.0.0.1");
    let folder = tempfile::tempdir().unwrap();
    let mut server = Server::keeping_at(&format!("tarpit-{bytes}"), &papers, 0, folder.path());
    let (mail, page) = (server.port, free_port());
    let made = |broker| daemon(broker, mail, page, &papers, ("slow", "neighbour"));
    let Some(mut yard) = Yard::of(made, DAWN) else { return };
    // The clock that is moved waits for letters under way, so the daemon is asked from beside.
    through_a_morning(&mut yard);
    let patience = Duration::from_secs(u64::from(bytes)) + PATIENCE;
    let taken = || receivers(folder.path()).iter().any(|to| to == "neighbour@example.org");
    wait_until("the other's letter goes out", patience, taken);
    server.behave("good");
    wait_until("all is out", patience, || yard.daemon.status().letters_waiting == 0);
    assert!(yard.daemon.stop().success());
    server.end();
    let mut received = receivers(folder.path());
    received.sort();
    assert_eq!(received, ["neighbour@example.org", "slow@example.org"], "each once");
    nothing_came_twice(folder.path());
}

#[test]
fn a_server_that_crawls_for_one_is_waited_for_and_the_others_letter_goes_out() {
    crawls_for_one(10);
}

/// It crawls beyond the time for one delivery: that letter is put off, certainly not sent, and goes once later.
#[test]
fn a_server_that_crawls_too_long_for_one_holds_nobody_else_up() {
    if std::env::var_os("RINDWATCH_LONG").is_none() {
        return; // it takes minutes
    }
    crawls_for_one(90);
}

/// From the greeting on, for both: that is a server that is away; all goes out once it is good.
#[test]
fn a_server_that_crawls_from_its_first_byte_counts_as_away() {
    if std::env::var_os("RINDWATCH_LONG").is_none() {
        return; // it takes minutes
    }
    let papers = Papers::made("127.0.0.1");
    let folder = tempfile::tempdir().unwrap();
    let mut server = Server::keeping_at("tarpit", &papers, 0, folder.path());
    let (mail, page) = (server.port, free_port());
    let made = |broker| daemon(broker, mail, page, &papers, ("grower", "neighbour"));
    let Some(mut yard) = Yard::of(made, DAWN) else { return };
    through_a_morning(&mut yard);
    let says = |yard: &Yard| yard.daemon.status().mail.is_some_and(|words| words.contains("no answer"));
    wait_until("it is said", 2 * PATIENCE, || says(&yard));
    assert_eq!(yard.daemon.status().letters_waiting, 2);
    server.behave("good");
    wait_until("all is out", 2 * PATIENCE, || yard.daemon.status().letters_waiting == 0);
    assert!(yard.daemon.stop().success());
    server.end();
    assert_eq!(receivers(folder.path()).len(), 2);
    nothing_came_twice(folder.path());
}
