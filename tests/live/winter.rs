//! The winter lived through: broker, daemon and mail server run, the record is published hour by hour, and
//! the clock moves on when all that was published is acknowledged and all that was told is sent.

use std::collections::BTreeMap;

use chrono::{NaiveDateTime, NaiveTime};
use rindwatch::clock::Clock;
use rindwatch::local::{Answer, Counts, Request};
use rindwatch::rfc3339;

use crate::daemon::Daemon;
use crate::mosquitto::Mosquitto;
use crate::publisher::{Node, Post};
use crate::record::{AHEAD_OF_UTC, Cell, Record};
use crate::smtp::{Papers, Server};

const HOUR_MS: i64 = 3_600_000;
/// A message arrives so long after its hour.
const ON_THE_WAY_MS: i64 = 20_000;

/// What is left of it.
pub struct Winter {
    /// Stopped.
    pub daemon: Daemon,
    /// Every message with its time of arrival.
    pub capture: Vec<u8>,
    /// What the mail server took, in that order, as it came.
    pub received: Vec<Vec<u8>>,
    /// Sign-ins at the mail server.
    pub sign_ins: usize,
}

impl Winter {
    /// `None` where there is no broker, which `tests/run` reports.
    pub fn live_through(record: &Record) -> Option<Self> {
        let broker = Mosquitto::start("")?;
        let papers = Papers::made("127.0.0.1");
        let letters = tempfile::tempdir().unwrap();
        let mut mail = Server::keeping(&papers, letters.path());
        let mut daemon = daemon(include_str!("garden.toml"), broker.port, mail.port, &papers);
        let first_ms = utc_ms(record.cells[0].at) + ON_THE_WAY_MS;
        daemon.start_with(&["--scripted-clock", &rfc3339::show(first_ms)]);
        daemon.wait_for("the broker is connected", |status| status.broker.is_none());
        let watch = Clock::real();
        let capture = publish_all(record, &daemon, Node::connect(broker.port));
        let counts = daemon.status().counts;
        let lived_ms = watch.mono_ms();
        println!("{} messages in {:.1} s: {counts:?}", record.cells.len(), lived_ms as f64 / 1000.0);
        let ended = daemon.stop();
        println!("ended {} ms after it was told to", watch.mono_ms() - lived_ms);
        assert!(ended.success(), "{ended:?}\n{}", daemon.log());
        all_was_new(record, counts);
        let told = mail.end();
        let received = kept_letters(letters.path());
        assert_eq!(told.iter().filter(|line| line.starts_with("took ")).count(), received.len());
        let sign_ins = told.iter().filter(|line| *line == "user garden").count();
        Some(Self { daemon, capture, received, sign_ins })
    }
}

/// The daemon of a garden, with the doors to this broker and this mail server.
pub fn daemon(garden: &str, broker: u16, mail: u16, papers: &Papers) -> Daemon {
    let authority = papers.authority();
    let daemon = Daemon::with_settings(&format!(
        r#"{garden}
[broker]
host = "127.0.0.1"
port = {broker}
[mail]
host = "127.0.0.1"
port = {mail}
security = "starttls"
ca-file = "{}"
user = "garden"
password-file = "mail-password"
from = "garden@example.org"
[page]
listen = "off"
"#,
        authority.display()
    ));
    std::fs::write(daemon.folder.path().join("mail-password"), "right\n").unwrap();
    daemon
}

/// Publishes the record and keeps what a capture of it would hold. Ends an hour after the last civil day,
/// as a replay does.
fn publish_all(record: &Record, daemon: &Daemon, mut node: Node) -> Vec<u8> {
    let mut capture = csv::Writer::from_writer(Vec::new());
    capture.write_record(["time", "topic", "payload"]).unwrap();
    let mut hours: BTreeMap<NaiveDateTime, Vec<&Cell>> = BTreeMap::new();
    for cell in &record.cells {
        hours.entry(cell.at).or_default().push(cell);
    }
    let mut published = 0;
    for (at, cells) in &hours {
        let arrive_ms = utc_ms(*at) + ON_THE_WAY_MS;
        tell(daemon, &Request::Clock { ms: arrive_ms });
        for cell in cells {
            let (topic, payload) = message(cell);
            capture.write_record([&rfc3339::show(arrive_ms), &topic, &payload]).unwrap();
            node.publish(Post::new(&topic, payload));
            published += 1;
        }
        tell(daemon, &Request::Settle { messages: published });
    }
    let last = record.cells[record.cells.len() - 1].local().date();
    let day_end = last.succ_opt().unwrap().and_time(NaiveTime::MIN) - AHEAD_OF_UTC;
    tell(daemon, &Request::Clock { ms: utc_ms(day_end) + HOUR_MS });
    capture.into_inner().unwrap()
}

/// Each node tells the time in its own way, the air's not at all.
fn message(cell: &Cell) -> (String, String) {
    let (time, value) = (rfc3339::show(utc_ms(cell.at)), &cell.text);
    let payload = match cell.probe {
        "air" => value.clone(),
        "warmth" => format!(r#"{{"t":{},"v":{value}}}"#, cell.at.and_utc().timestamp()),
        _ => format!(r#"{{"t":"{time}","v":{value}}}"#),
    };
    (format!("lee/{}", cell.probe), payload)
}

pub fn tell(daemon: &Daemon, request: &Request) {
    match daemon.ask(request) {
        Some(Answer::Done { .. }) => {}
        other => panic!("{request:?}: {other:?}\n{}", daemon.log()),
    }
}

fn all_was_new(record: &Record, counts: Counts) {
    let sent = record.cells.len() as u64;
    assert_eq!((counts.messages, counts.settled, counts.readings), (sent, sent, sent), "{counts:?}");
    assert_eq!((counts.repeats, counts.refused), (0, 0), "{counts:?}");
}

pub fn kept_letters(folder: &std::path::Path) -> Vec<Vec<u8>> {
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

pub fn utc_ms(at: NaiveDateTime) -> i64 {
    at.and_utc().timestamp_millis()
}
