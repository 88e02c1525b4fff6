//! What daemon, broker and log together write to a card in a day: counted at the block device of an ext4 of its
//! own, with a real mosquitto and twelve probes a minute. The log is a file there, as a journal would be.
//!
//! `RINDWATCH_CARD_MINUTES` real minutes are measured (60 unless told) for each commit delay of
//! `RINDWATCH_CARD_DELAYS` ("60" unless told, seconds, with commas), all at once, and scaled to a day. The card is kept
//! as `deploy/README.md` asks; `RINDWATCH_CARD_KEPT=usual` leaves it as a distribution does. The first of these sets
//! `vm.dirty_expire_centisecs` of this machine while it runs and puts back what was there. Ends with 1 past the
//! budget, with 3 where there is no root, loop device or mosquitto.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a bench may stop where it stands

#[allow(dead_code)] // each binary uses its part
#[path = "../support/card.rs"]
mod card;
#[allow(dead_code)] // each binary uses its part
#[path = "../support/child.rs"]
mod child;
#[allow(dead_code)] // each binary uses its part
mod garden;
#[allow(dead_code)] // each binary uses its part
#[path = "../support/mosquitto.rs"]
mod mosquitto;
#[allow(dead_code)] // each binary uses its part
#[path = "../support/publisher.rs"]
mod publisher;

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use rindwatch::local::{self, Answer, Request, Status};
use rindwatch::record::{ProbeIx, Reading};
use rindwatch::store::{Batch, Store};

use card::Card;
use child::{Running, free_port, wait_until};
use garden::{PROBES, payload, value, write_settings};
use publisher::{Node, Post};

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 60 * MINUTE_MS;
const DAY_MS: i64 = 86_400_000;
/// A store that has run for a month: sealing then meets pages of its own for each series.
const DAYS_BEFORE: i64 = 30;
/// Wanted of daemon, broker, log and a nightly copy together.
const MB_A_DAY: f64 = 40.0;
/// As a distribution mounts, and as `deploy/README.md` asks for.
const MOUNTS: [&str; 2] = ["relatime", "noatime,commit=600"];
/// How long a changed page that nobody waits for stays in memory, and how long `deploy/README.md` asks for, 1/100 s.
const EXPIRY: (&str, &str) = ("/proc/sys/vm/dirty_expire_centisecs", "60000");

fn main() -> ExitCode {
    if std::env::args().any(|word| word == "--list") {
        return ExitCode::SUCCESS;
    }
    let minutes = told("RINDWATCH_CARD_MINUTES", "60").parse().unwrap();
    let delays = told("RINDWATCH_CARD_DELAYS", "60");
    let Some(broker) = mosquitto::program() else {
        println!("LEFT OUT: the card's budget: no mosquitto here (RINDWATCH_MOSQUITTO names it)");
        return ExitCode::from(3);
    };
    let usual = told("RINDWATCH_CARD_KEPT", "as deployed") == "usual";
    let options = if usual { MOUNTS[0] } else { MOUNTS[1] };
    let cards: Option<Vec<_>> =
        delays.split(',').map(|delay| Some((delay, Card::insert(1024, options)?))).collect();
    let (Some(cards), Some(_expiry)) = (cards, Expiry::set(usual)) else {
        println!("LEFT OUT: the card's budget: it takes root and a loop device");
        return ExitCode::from(3);
    };
    println!("commit delay   broker   daemon   rest, file system   nightly copy   all, MB a day");
    let days: Vec<Written> = std::thread::scope(|scope| {
        let began: Vec<_> = cards
            .iter()
            .map(|(delay, card)| scope.spawn(|| measure(card, &broker, delay, minutes)))
            .collect();
        began.into_iter().map(|day| day.join().unwrap()).collect()
    });
    let mut past = false;
    for ((delay, _), day) in cards.iter().zip(days) {
        println!(
            "{delay:>10} s {:>8.1} {:>8.1} {:>19.1} {:>14.1} {:>10.1}",
            day.broker,
            day.daemon,
            day.device - day.broker - day.daemon,
            day.copy,
            day.device + day.copy
        );
        // Held for what is the default and what `deploy/` asks for; the rest is the grower's choice.
        past |= *delay == "60" && !usual && day.device + day.copy > MB_A_DAY;
    }
    println!(
        "measured over {minutes} real minutes, mounted {options}; at most {MB_A_DAY} MB a day with 60 s as deployed"
    );
    if past { ExitCode::FAILURE } else { ExitCode::SUCCESS }
}

/// The machine's own expiry of changed pages, put back when dropped.
struct Expiry(Option<String>);

impl Expiry {
    /// `None` where it may not be set.
    fn set(usual: bool) -> Option<Self> {
        if usual {
            return Some(Self(None));
        }
        let before = fs::read_to_string(EXPIRY.0).ok()?;
        fs::write(EXPIRY.0, EXPIRY.1).ok()?;
        Some(Self(Some(before)))
    }
}

impl Drop for Expiry {
    fn drop(&mut self) {
        if let Some(before) = &self.0 {
            fs::write(EXPIRY.0, before).unwrap();
        }
    }
}

fn told(variable: &str, else_: &str) -> String {
    std::env::var(variable).unwrap_or_else(|_| else_.to_owned())
}

/// Written in a day, MB.
struct Written {
    broker: f64,
    daemon: f64,
    device: f64,
    /// A nightly copy of one day.
    copy: f64,
}

fn measure(card: &Card, broker: &Path, delay: &str, minutes: u64) -> Written {
    let place = &card.place();
    let port = free_port();
    let settings = write_settings(place, port);
    let text = fs::read_to_string(&settings).unwrap();
    let text = text.replace("commit-delay = \"1 s\"", &format!("commit-delay = \"{delay} s\""));
    fs::write(&settings, text).unwrap();
    let data = place.join("data");
    let (store, copy) = (&data, &place.join("copy.db"));
    let begin_ms = now_ms() / HOUR_MS * HOUR_MS - DAYS_BEFORE * DAY_MS;
    fill(&settings, store, begin_ms, DAYS_BEFORE - 1);
    Store::bring_copy_up(store, copy, now_ms()).unwrap();
    fill(&settings, store, begin_ms + (DAYS_BEFORE - 1) * DAY_MS, 1);
    card.sync();
    let before_copy = card.written();
    assert!(Store::bring_copy_up(store, copy, now_ms()).unwrap().is_some(), "only what is new");
    card.sync();
    let copy_mb = (card.written() - before_copy) as f64 / 1e6;
    let broker = start_broker(broker, place, port);
    let daemon = start_daemon(&settings, &data, place);
    let mut node = Node::connect(port);
    send_minute(&mut node, 5); // sessions, first connections and the first save stay outside
    card.sync();
    let before = (card.written(), io(broker.id()), io(daemon.id()));
    for _ in 0..minutes {
        send_minute(&mut node, 60);
    }
    card.sync();
    let scale = 1440.0 / minutes as f64 / 1e6;
    let more = |now: u64, then: u64| (now - then) as f64 * scale;
    let written = Written {
        broker: more(io(broker.id()), before.1),
        daemon: more(io(daemon.id()), before.2),
        device: more(card.written(), before.0),
        copy: copy_mb,
    };
    daemon.signal("TERM");
    let ended = { daemon }.wait(Duration::from_secs(5));
    assert!(ended.is_some_and(|status| status.success()), "the daemon ends");
    written
}

/// One reading of each probe, spread over so many seconds as nodes are.
fn send_minute(node: &mut Node, seconds: u64) {
    #[allow(clippy::disallowed_methods)] // a bench measures
    let begun = Instant::now();
    for n in 0..PROBES {
        node.publish(Post::new(&format!("bed/{n}"), payload(n, now_ms())));
        let next = Duration::from_millis(seconds * 1000 * (n as u64 + 1) / PROBES as u64);
        std::thread::sleep(next.saturating_sub(begun.elapsed()));
    }
}

/// As `deploy/mosquitto.conf` has it, but for passwords.
fn start_broker(program: &Path, place: &Path, port: u16) -> Running {
    let folder = place.join("broker");
    fs::create_dir_all(&folder).unwrap();
    // Started by root it becomes `nobody`, who must be able to write here.
    fs::set_permissions(&folder, fs::Permissions::from_mode(0o777)).unwrap();
    let text = format!(
        "listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location {}/\n\
         max_queued_messages 100000\nautosave_interval 300\nmessage_size_limit 65536\nlog_dest stderr\n\
         log_type error\nlog_type warning\nlog_type notice\nconnection_messages false\n",
        folder.display()
    );
    let file = folder.join("mosquitto.conf");
    fs::write(&file, text).unwrap();
    let log = fs::File::create(place.join("broker.log")).unwrap();
    let mut command = Command::new(program);
    command.arg("-c").arg(file).stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
    let running = Running::start(&mut command);
    wait_until("mosquitto listens", Duration::from_secs(10), || {
        std::net::TcpStream::connect(("127.0.0.1", port)).is_ok()
    });
    running
}

fn start_daemon(settings: &Path, data: &Path, place: &Path) -> Running {
    let log = fs::File::create(place.join("daemon.log")).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_rindwatch"));
    command.arg("run").arg("--config").arg(settings).arg("--data").arg(data);
    command.env("RINDWATCH_LOG", "info,rumqttc=error").stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
    let daemon = Running::start(&mut command);
    wait_until("the daemon is connected", Duration::from_secs(20), || {
        status(data).is_some_and(|status| status.broker.is_none())
    });
    daemon
}

fn status(data: &Path) -> Option<Status> {
    match local::ask(data, &Request::Status, Duration::from_secs(30)) {
        Ok(Answer::Status(status)) => Some(*status),
        _ => None,
    }
}

/// Days of readings.
fn fill(settings: &Path, data: &Path, begin_ms: i64, days: i64) {
    let garden = rindwatch::settings::read(settings).unwrap();
    let mut store = Store::open(data).unwrap();
    store.register(&garden).unwrap();
    let state = rindwatch::engine::Engine::new(garden.clone().into()).save();
    for hour in 0..days * 24 {
        let readings = (0..60).flat_map(|minute| (0..PROBES).map(move |n| (minute, n))).map(|(minute, n)| {
            let at_ms = begin_ms + hour * HOUR_MS + minute * MINUTE_MS + n as i64 * 4999;
            let value = garden.probes[n].quantity.quantise(value(n, at_ms));
            let probe = ProbeIx(n as u16);
            Reading { probe, at_ms, arrived_ms: at_ms, value, own_time: true, doubt: None }
        });
        let readings = readings.collect();
        let batch =
            Batch { now_ms: now_ms(), readings, state: Some(state.clone()), seal: true, ..Batch::default() };
        store.commit(&batch).unwrap();
    }
}

/// Bytes that a process has sent towards the device (proc(5): `write_bytes`).
fn io(id: u32) -> u64 {
    let text = fs::read_to_string(format!("/proc/{id}/io")).unwrap();
    let line = text.lines().find(|line| line.starts_with("write_bytes:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

fn now_ms() -> i64 {
    #[allow(clippy::disallowed_methods)] // a bench measures
    chrono::Utc::now().timestamp_millis()
}
