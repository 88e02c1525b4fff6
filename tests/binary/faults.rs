//! What goes wrong around the daemon: one line that says what to do, and the rest goes on.

use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::time::Duration;

use rindwatch::record::Doubt;

use crate::child::wait_until;
use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::{Post, publish};

fn warnings(log: &str) -> Vec<&str> {
    log.lines().filter(|line| line.contains("WARN") || line.contains("ERROR")).collect()
}

#[test]
fn a_broker_that_restarts_is_found_again() {
    let Some(mut broker) = Mosquitto::start("persistence true") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    let at_ms = two_hours_ago_ms();
    for round in 0..3 {
        broker.stop();
        daemon.wait_for("the loss is known", |status| status.broker.is_some());
        broker.again();
        publish(broker.port, (0..20).map(|n| timed(n % 12, at_ms + round * 100 + n as i64, 18.0)).collect());
        daemon.wait_for("it is back", |status| status.broker.is_none());
        let wanted = 20 * (round as u64 + 1);
        wait_until("all is stored", Duration::from_secs(20), || daemon.stored() == wanted);
    }
    let log = daemon.log();
    assert!(warnings(&log).len() <= 6, "a line for each change, not for each attempt:\n{log}");
}

#[test]
fn a_refused_password_is_one_line_and_the_rest_goes_on() {
    let Some(broker) = Mosquitto::start("allow_anonymous false") else { return };
    for version in ["", "version = \"3.1.1\""] {
        let mut daemon = Daemon::new(broker.port, version, 1);
        daemon.start_with(&[]);
        daemon.wait_for("the refusal is known", |status| {
            status
                .broker
                .as_deref()
                .is_some_and(|words| words.contains("refuses the user name or the password"))
        });
        let log = daemon.log();
        assert_eq!(warnings(&log).len(), 1, "{version}:\n{log}");
        assert!(daemon.once("jot", &["watered", "long", "3", "cans"]).status.success());
        assert!(daemon.stop().success());
    }
}

#[test]
fn a_broker_that_is_not_there_is_one_line() {
    let mut daemon = Daemon::new(crate::child::free_port(), "", 1);
    daemon.start_with(&[]);
    daemon.wait_for("it is known", |status| {
        status
            .broker
            .as_deref()
            .is_some_and(|words| words.contains("nothing listens at the broker's address"))
    });
    assert_eq!(warnings(&daemon.log()).len(), 1);
    assert!(daemon.stop().success());
}

#[test]
fn a_folder_that_cannot_be_written_is_one_line() {
    let daemon = Daemon::new(1, "", 1);
    let data = daemon.data();
    std::fs::create_dir(&data).unwrap();
    for folder in [daemon.folder.path(), &data] {
        std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o555)).unwrap();
    }
    let mut command = daemon.command("run");
    if std::fs::write(data.join("root"), "").is_ok() {
        // Root may write everywhere; the unprivileged account of the system may not.
        command.uid(65_534).gid(65_534);
    }
    let run = command.output().unwrap();
    let said = String::from_utf8_lossy(&run.stderr).into_owned();
    assert_eq!(run.status.code(), Some(1), "{said}");
    let told: Vec<&str> = said.lines().filter(|line| line.starts_with("rindwatch: ")).collect();
    assert_eq!(told.len(), 1, "{said}");
    assert!(
        told[0].contains("cannot be written") && told[0].contains("let the daemon's account write"),
        "{said}"
    );
}

#[test]
fn a_store_that_cannot_be_written_for_a_while_loses_nothing() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    let lock = rusqlite::Connection::open(daemon.data().join("rindwatch.db")).unwrap();
    lock.execute_batch("BEGIN IMMEDIATE").unwrap();
    let at_ms = two_hours_ago_ms();
    publish(broker.port, (0..200).map(|n| timed(n % 12, at_ms + n as i64, 18.0)).collect());
    daemon.wait_for("the fault is known", |status| status.store.is_some());
    assert_eq!(daemon.status().counts.settled, 0, "nothing is acknowledged");
    lock.execute_batch("COMMIT").unwrap();
    daemon.wait_for_settled(200);
    assert_eq!(daemon.stored(), 200);
    let log = daemon.log();
    assert_eq!(log.lines().filter(|line| line.contains("ERROR")).count(), 1, "{log}");
    assert!(daemon.status().store.is_none());
}

/// What stands between good readings, and a part of the reason it is refused for. A payload that means
/// something to nobody must never become a reading.
fn garbage() -> Vec<(&'static str, Vec<u8>, &'static str)> {
    let deep = "[".repeat(1000) + &"]".repeat(1000);
    let timed = |time: &str| format!(r#"{{"t": {time}, "v": 18}}"#).into_bytes();
    vec![
        ("bed/1", b"".into(), "empty"),
        ("bed/1", b"{".into(), "not JSON"),
        ("bed/1", b"NaN".into(), "not JSON"),
        ("bare", b"NaN".into(), "not a number"),
        ("bare", b"inf".into(), "not a number"),
        ("bed/1", b"\xff\xfe\x00".into(), "not UTF-8"),
        ("bare", b"\xff\xfe\x00".into(), "not UTF-8"),
        ("bed/1", b"nothing".into(), "not JSON"),
        ("bed/1", timed("\"soon\""), "is not a number of milliseconds"),
        // 1970, and 2106: clocks that were never set, or ran over.
        ("bed/1", timed("0"), "1970-01-01T00:00:00Z, before 2020"),
        ("bed/1", timed("4294967295000"), "2106-02-07T06:28:15Z, more than a day after"),
        ("bed/1", b"{\"v\": 18}".into(), "nothing stands at /t"),
        ("bed/1", b"{\"t\": 1e400, \"v\": 1e400}".into(), "number out of range"),
        ("bed/1", deep.into(), "recursion limit"),
        ("bed/1", vec![b'['; 60_000], "recursion limit"),
        ("bare", vec![b'9'; 100_000], "at most 65536"),
        ("bare", b"18 mm".into(), "is in mm, no unit of soil-temperature"),
        ("bare", b"64 F".into(), "in F, but the probe is set in C"),
        ("gauge", b"3 hPa".into(), "no unit we know"),
    ]
}

#[test]
fn garbage_is_refused_and_the_rest_is_taken() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    let at_ms = two_hours_ago_ms();
    let garbage = garbage();
    let mut posts = vec![timed(1, at_ms, 17.0)];
    for (n, (topic, payload, _)) in garbage.iter().enumerate() {
        posts.push(Post::new(topic, payload.clone()));
        posts.push(timed(1, at_ms + 1000 * (n as i64 + 1), 18.0));
    }
    let count = posts.len() as u64;
    publish(broker.port, posts);
    daemon.wait_for_settled(count);
    let mut refused = daemon.reader().refusals(100).unwrap();
    refused.reverse();
    assert_eq!(refused.len(), garbage.len());
    for (refusal, (topic, payload, why)) in refused.iter().zip(&garbage) {
        let start: String = String::from_utf8_lossy(payload).chars().take(40).collect();
        assert!(refusal.topic == *topic && refusal.reason.contains(why), "{start}: {refusal:?}, not {why}");
    }
    let kept = daemon.readings(1);
    assert_eq!(kept.len(), garbage.len() + 1, "each good one between is stored");
    assert!(kept.iter().all(|kept| kept.doubt.is_none() && [17.0, 18.0].contains(&kept.value)));
    assert_eq!(daemon.stored(), kept.len() as u64, "and nothing else");
    assert!(daemon.stop().success());
}

/// A counter that runs backwards is no rain: the reading is kept with its doubt, and what comes after it is
/// believed again.
#[test]
fn a_counter_that_runs_backwards_is_doubted() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    let totals = [10.0, 12.0, 11.5, 12.5, 0.5];
    publish(broker.port, totals.iter().map(|total| Post::new("gauge", total.to_string())).collect());
    daemon.wait_for_settled(totals.len() as u64);
    let kept = daemon.readings_of("gauge");
    let told: Vec<_> = kept.iter().map(|kept| (kept.value, kept.doubt)).collect();
    let step = Some(Doubt::Step);
    assert_eq!(told, [(10.0, None), (12.0, None), (11.5, step), (12.5, None), (0.5, None)]);
    assert!(daemon.stop().success());
}
