//! Durable ingest, memory and start, on a store of 3.5 million readings.

use std::io::{BufRead, BufReader};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use rindwatch::local::{self, Answer, Request, Status};
use rindwatch::record::{ProbeIx, Reading};
use rindwatch::store::{Batch, Store};

use crate::child::{Running, wait_until};
use crate::garden::{PROBES, payload, value, write_settings};
use crate::mosquitto::Mosquitto;
use crate::publisher::{Post, publish_each};
use crate::{Figure, bare, process};

const MESSAGES: usize = 200_000;
const DAYS: i64 = 203;
const MINUTE_MS: i64 = 60_000;

/// All figures that want a broker; `None` where there is none.
pub fn figures() -> Option<Vec<Figure>> {
    let broker = Mosquitto::quiet("max_inflight_messages 1000\nmax_queued_messages 0")?;
    let folder = tempfile::tempdir().unwrap();
    let settings = write_settings(folder.path(), broker.port);
    let data = folder.path().join("data");
    #[allow(clippy::disallowed_methods)] // a bench measures
    let now_ms = chrono::Utc::now().timestamp_millis();
    let stored = fill(&settings, &data, now_ms);
    println!("a store of {stored} readings");
    let (mut daemon, ready) = start(&settings, &data, folder.path());
    wait_until("the daemon is connected", Duration::from_secs(10), || status(&data).broker.is_none());
    let hours = two_hours_of_messages(broker.port, &data, now_ms);
    let usual = process::resident_mb(daemon.id());
    let before = process::cpu(daemon.id());
    let all = (MESSAGES + hours) as u64;
    let (wall, count) = flood(broker.port, now_ms, || status(&data).counts.settled >= all);
    let ours = process::cpu(daemon.id()) - before;
    assert_eq!((count, status(&data).counts.readings), (MESSAGES, all), "all were judged and stored");
    let flooded = process::resident_mb(daemon.id());
    daemon.signal("TERM");
    assert!(daemon.wait(Duration::from_secs(5)).is_some_and(|ended| ended.success()));
    let bare = bare_subscriber(broker.port, now_ms);
    let per_message = |time: Duration| time.as_micros() as f64 / MESSAGES as f64;
    let figure = |what, value, unit, bound| Figure { what, value, unit, bound };
    Some(vec![
        figure("durable ingest: our processor time", per_message(ours), "us/msg", Some(Ok(15.0))),
        figure("  a subscriber that only counts", per_message(bare), "us/msg", None),
        figure("  messages through the broker", MESSAGES as f64 / wall.as_secs_f64(), "1/s", None),
        figure("resident, 12 probes a minute, 3.5 million readings", usual, "MB", Some(Ok(15.0))),
        figure("  after the flood", flooded, "MB", None),
        figure("start to ready, 3.5 million readings", ready.as_secs_f64() * 1e3, "ms", Some(Ok(100.0))),
    ])
}

/// Puts one reading a minute of each probe into the store, up to yesterday.
fn fill(settings: &Path, data: &Path, now_ms: i64) -> u64 {
    let garden = rindwatch::settings::read(settings).unwrap();
    let mut store = Store::open(data).unwrap();
    store.register(&garden).unwrap();
    let begin_ms = (now_ms / 86_400_000 - DAYS) * 86_400_000;
    for hour in 0..(DAYS - 1) * 24 {
        let readings = (0..60).flat_map(|minute| (0..PROBES).map(move |n| (minute, n))).map(|(minute, n)| {
            let at_ms = begin_ms + hour * 60 * MINUTE_MS + minute * MINUTE_MS;
            let quantity = garden.probes[n].quantity;
            Reading {
                probe: ProbeIx(n as u16),
                at_ms,
                arrived_ms: at_ms,
                value: quantity.quantise(value(n, at_ms)),
                own_time: true,
                doubt: None,
            }
        });
        let batch = Batch {
            now_ms: begin_ms,
            readings: readings.collect(),
            state: Some(rindwatch::engine::Engine::new(garden.clone().into()).save()),
            seal: true,
            ..Batch::default()
        };
        store.commit(&batch).unwrap();
    }
    store.reader().counts().unwrap().readings()
}

/// Starts the daemon; how long until it said that it is ready.
fn start(settings: &Path, data: &Path, folder: &Path) -> (Running, Duration) {
    let address = folder.join("notify");
    let socket = UnixDatagram::bind(&address).unwrap();
    socket.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_rindwatch"));
    command.arg("run").arg("--config").arg(settings).arg("--data").arg(data);
    command.env("NOTIFY_SOCKET", &address).env("RINDWATCH_LOG", "warn").stdin(Stdio::null());
    let began = now();
    let daemon = Running::start(&mut command);
    let mut words = [0; 64];
    let length = socket.recv(&mut words).unwrap();
    let ready = began.elapsed();
    assert_eq!(&words[..length], b"READY=1");
    (daemon, ready)
}

fn status(data: &Path) -> Status {
    match local::ask(data, &Request::Status, Duration::from_secs(30)) {
        Ok(Answer::Status(status)) => *status,
        other => panic!("no status but {other:?}"),
    }
}

/// What twelve probes send in two hours, a day before the flood; how many messages that is.
fn two_hours_of_messages(port: u16, data: &Path, now_ms: i64) -> usize {
    let begin_ms = now_ms - 86_400_000;
    let posts = (0..120 * PROBES).map(move |n| {
        let at_ms = begin_ms + (n / PROBES) as i64 * MINUTE_MS + 1;
        Post::new(&format!("bed/{}", n % PROBES), payload(n % PROBES, at_ms))
    });
    let count = publish_each(port, posts);
    let request = || status(data).counts.settled;
    // The last few wait for the commit delay.
    wait_until("most are settled", Duration::from_secs(60), || request() + 16 > count as u64);
    count
}

/// Publishes all messages, waits until `done`; how long it took and how many there were.
fn flood(port: u16, now_ms: i64, mut done: impl FnMut() -> bool) -> (Duration, usize) {
    let step_ms = 7_000_000 * PROBES as i64 / MESSAGES as i64;
    let begin_ms = now_ms - 7_200_000;
    let posts = (0..MESSAGES).map(move |n| {
        let at_ms = begin_ms + (n / PROBES) as i64 * step_ms;
        Post::new(&format!("bed/{}", n % PROBES), payload(n % PROBES, at_ms))
    });
    let began = now();
    let count = publish_each(port, posts);
    wait_until("all is settled", Duration::from_secs(120), &mut done);
    (began.elapsed(), count)
}

/// Processor time of a subscriber that only counts, for the same messages.
fn bare_subscriber(port: u16, now_ms: i64) -> Duration {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args([bare::ROLE, &port.to_string(), &MESSAGES.to_string()]).stdout(Stdio::piped());
    let mut child = Running::start(&mut command);
    let mut lines = BufReader::new(child.stdout()).lines();
    assert_eq!(lines.next().unwrap().unwrap(), "subscribed");
    flood(port, now_ms, || true);
    Duration::from_micros(lines.next().unwrap().unwrap().parse().unwrap())
}

fn now() -> Instant {
    #[allow(clippy::disallowed_methods)] // a bench measures
    Instant::now()
}
