//! The traps of MQTT that take their time: reconnecting, pings, two of one name, subscriptions, memory, the end.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::time::Duration;

use crate::child::wait_until;
use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::publish;

const CLIENT: &str = "rindwatch-hill-patch";
const VERSIONS: [&str; 2] = ["", "version = \"3.1.1\""];

/// The client came back at once and as fast as it could: a broker that refuses it was asked thousands of times a
/// minute.
#[test]
fn a_broker_that_refuses_is_asked_ever_more_seldom() {
    let Some(broker) = Mosquitto::start("allow_anonymous false") else { return };
    let daemons: Vec<Daemon> = VERSIONS
        .iter()
        .enumerate()
        .map(|(n, version)| {
            let mut daemon = Daemon::new(broker.port, &format!("client-id = \"asks-{n}\"\n{version}"), 1);
            daemon.start_with(&[]);
            daemon
        })
        .collect();
    // Attempts at 0, 1, 3, 7 and 15 s, each pause up to a fifth off.
    std::thread::sleep(Duration::from_secs(16));
    let log = broker.log();
    // By the code of the answer: not authorised, in each version's number (MQTT 5 section 3.2.2.2, 3.1.1 section
    // 3.2.2.3).
    for (version, code) in VERSIONS.iter().zip(["(0, 135)", "(0, 5)"]) {
        let refused = log.lines().filter(|line| line.contains("Sending CONNACK") && line.contains(code));
        let at_s: Vec<i64> = refused.filter_map(|line| line.split(':').next()?.trim().parse().ok()).collect();
        assert!((4..=6).contains(&at_s.len()), "{version}: asked at {at_s:?}:\n{log}");
        for (attempt, pair) in at_s.windows(2).enumerate() {
            let wanted_s = f64::from(1 << attempt);
            let pause_s = (pair[1] - pair[0]) as f64;
            assert!(
                (0.8 * wanted_s - 1.0..=1.2 * wanted_s + 2.0).contains(&pause_s),
                "{version}: pauses of {at_s:?}"
            );
        }
    }
    drop(daemons);
}

/// Pings went out only while the connection was polled: a store that took its time ended the connection.
#[test]
fn a_slow_store_does_not_silence_the_pings() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "keep-alive = \"5 s\"", 1);
    daemon.start();
    // Another program holds the store: the core waits for the lock in its commit.
    let lock = rusqlite::Connection::open(daemon.data().join("rindwatch.db")).unwrap();
    lock.execute_batch("BEGIN IMMEDIATE").unwrap();
    let at_ms = two_hours_ago_ms();
    publish(broker.port, (0..40).map(|n| timed(n % 12, at_ms + n as i64, 18.0)).collect());
    // A client of the same keep-alive that says nothing is thrown out meanwhile: this test can see it.
    let mut silent = TcpStream::connect(("127.0.0.1", broker.port)).unwrap();
    silent.write_all(b"\x10\x12\x00\x04MQTT\x04\x02\x00\x05\x00\x06silent").unwrap();
    std::thread::sleep(Duration::from_secs(14));
    let pings = || {
        broker.log().lines().filter(|line| line.contains("Received PINGREQ") && line.contains(CLIENT)).count()
    };
    let during = pings();
    lock.execute_batch("COMMIT").unwrap();
    wait_until("all is stored", Duration::from_secs(70), || daemon.stored() == 40);
    assert!(during >= 1, "no ping while the store was slow");
    assert_eq!(broker.connects_of(CLIENT), 1, "{}", broker.log());
    let thrown_out = |line: &&str| line.contains("silent") && line.contains("exceeded timeout");
    assert_eq!(broker.log().lines().filter(thrown_out).count(), 1, "{}", broker.log());
}

/// Two daemons of one client id threw each other out, each coming back at once.
#[test]
fn two_of_one_name_are_told_so_and_do_not_fight() {
    let words = "another client uses our client id";
    for version in VERSIONS {
        let Some(broker) = Mosquitto::start("") else { return };
        let mut one = Daemon::new(broker.port, version, 1);
        let mut two = Daemon::new(broker.port, version, 1);
        one.start_with(&[]);
        two.start_with(&[]);
        std::thread::sleep(Duration::from_secs(8));
        let connects = broker.connects_of(CLIENT);
        assert!((3..=12).contains(&connects), "{version}: {connects} connections in 8 s");
        let logs = one.log() + &two.log();
        assert!(logs.contains(words), "{version}: {logs}");
        let mut said = false;
        for _ in 0..200 {
            said |= [&one, &two]
                .iter()
                .any(|daemon| daemon.status().broker.is_some_and(|said| said.contains(words)));
            std::thread::sleep(Duration::from_millis(20));
        }
        assert!(said, "{version}: no status says it");
    }
}

/// How often the broker has granted a subscription of the daemon's.
fn subscriptions(broker: &Mosquitto) -> usize {
    broker.log().lines().filter(|line| line.contains(&format!("SUBACK to {CLIENT}"))).count()
}

/// Subscriptions die with a session, and nothing says so: the client was connected and heard nothing more.
#[test]
fn a_lost_session_is_subscribed_anew() {
    for version in VERSIONS {
        let Some(mut broker) = Mosquitto::start("persistence false") else { return };
        let mut daemon = Daemon::new(broker.port, version, 1);
        daemon.start();
        let at_ms = two_hours_ago_ms();
        for round in 0..2 {
            let before = subscriptions(&broker);
            broker.kill();
            broker.again();
            // A busy machine may need more than one attempt: what counts is that it subscribed since.
            wait_until("the daemon has subscribed anew", Duration::from_secs(20), || {
                subscriptions(&broker) > before
            });
            publish(broker.port, (0..12).map(|n| timed(n, at_ms + round as i64, 18.0)).collect());
            daemon.wait_for_settled(12 * (round as u64 + 1));
        }
        assert_eq!(daemon.stored(), 24, "{version}");
    }
}

/// Reads one packet: its first byte and what follows its length.
fn packet(stream: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let mut byte = [0];
    stream.read_exact(&mut byte).ok()?;
    let kind = byte[0];
    let (mut length, mut shift) = (0_usize, 0);
    loop {
        stream.read_exact(&mut byte).ok()?;
        length |= usize::from(byte[0] & 127) << shift;
        shift += 7;
        if byte[0] < 128 {
            break;
        }
    }
    let mut rest = vec![0; length];
    stream.read_exact(&mut rest).ok()?;
    Some((kind, rest))
}

/// Takes one MQTT 3.1.1 client in and refuses its first subscription (MQTT 3.1.1 section 3.9.3: 0x80), as a broker
/// does whose rights are by topic; mosquitto's own list of rights takes any subscription and delivers nothing.
fn refuses_the_first(listener: &TcpListener) {
    let (mut stream, _) = listener.accept().unwrap();
    while let Some((kind, rest)) = packet(&mut stream) {
        let answer: Vec<u8> = match kind >> 4 {
            1 => vec![0x20, 2, 0, 0],
            8 => {
                let filters = {
                    let (mut at, mut filters) = (2, 0);
                    while at < rest.len() {
                        at += 3 + usize::from(u16::from_be_bytes([rest[at], rest[at + 1]]));
                        filters += 1;
                    }
                    filters
                };
                let mut answer = vec![0x90, 2 + filters, rest[0], rest[1], 0x80];
                answer.extend((1..filters).map(|_| 1));
                answer
            }
            12 => vec![0xd0, 0],
            _ => continue,
        };
        if stream.write_all(&answer).is_err() {
            return;
        }
    }
}

#[test]
fn a_refused_subscription_is_told() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let broker = std::thread::spawn(move || refuses_the_first(&listener));
    let mut daemon = Daemon::new(port, "version = \"3.1.1\"", 1);
    daemon.start_with(&[]);
    daemon.wait_for("the refused topic is named", |status| {
        status.broker.as_deref().is_some_and(|words| words.contains("does not let us read bare: allow it"))
    });
    let log = daemon.log();
    assert_eq!(log.matches("does not let us read this topic").count(), 1, "{log}");
    assert!(daemon.stop().success());
    broker.join().unwrap();
}

/// The MQTT 5 client held a table of 65,535 publishes: 14 MB on a board of 512.
#[test]
fn mqtt_5_costs_no_more_memory_than_its_forerunner() {
    let Some(broker) = Mosquitto::start("") else { return };
    let resident_kb = VERSIONS.map(|version| {
        let mut daemon = Daemon::new(broker.port, version, 1);
        daemon.start();
        let at_ms = two_hours_ago_ms();
        publish(broker.port, (0..120).map(|n| timed(n % 12, at_ms + n as i64, 18.0)).collect());
        daemon.wait_for_settled(120);
        let resident_kb = daemon.resident_kb();
        assert!(daemon.stop().success());
        resident_kb
    });
    println!("{resident_kb:?} KiB");
    let [five, before] = resident_kb;
    assert!(five - before < 3 * 1024, "{resident_kb:?} KiB");
}

/// What was acknowledged last was lost when the program ended: the broker sent it again.
#[test]
fn an_end_right_after_the_last_message_loses_and_doubles_nothing() {
    for version in VERSIONS {
        let Some(broker) = Mosquitto::start("") else { return };
        let mut daemon = Daemon::new(broker.port, version, 60);
        let at_ms = two_hours_ago_ms();
        let mut stored = 0;
        for round in 0..5_u64 {
            daemon.start();
            publish(
                broker.port,
                (0..30).map(|n| timed(n % 12, at_ms + round as i64 * 100 + n as i64, 18.0)).collect(),
            );
            std::thread::sleep(Duration::from_millis(7 * round));
            assert!(daemon.stop().success());
            let now = daemon.stored();
            daemon.start();
            let all = 30 * (round + 1);
            daemon.wait_for("the rest has come", |status| status.counts.messages >= all - now);
            std::thread::sleep(Duration::from_millis(100));
            let counts = daemon.status().counts;
            assert_eq!((counts.repeats, counts.messages), (0, all - now), "{version}: {stored} then {now}");
            assert!(daemon.stop().success());
            stored = daemon.stored();
            assert_eq!(stored, all, "{version}");
        }
    }
}
