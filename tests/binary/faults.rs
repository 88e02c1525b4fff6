//! What goes wrong around the daemon: one line that says what to do, and the rest goes on.

use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::time::Duration;

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

#[test]
fn garbage_is_refused_and_the_rest_is_taken() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    let deep = "[".repeat(1000) + &"]".repeat(1000);
    let garbage: Vec<Vec<u8>> = vec![
        b"".into(),
        b"{".into(),
        b"NaN".into(),
        b"\xff\xfe\x00".into(),
        b"nothing".into(),
        b"{\"t\": \"soon\", \"v\": 18}".into(),
        b"{\"t\": 0, \"v\": 18}".into(),
        b"{\"t\": 4300000000000, \"v\": 18}".into(),
        b"{\"v\": 18}".into(),
        b"{\"t\": 1e400, \"v\": 1e400}".into(),
        deep.into(),
        vec![b'['; 60_000],
        vec![b'9'; 100_000],
    ];
    let count = garbage.len() as u64;
    let mut posts: Vec<Post> = garbage.into_iter().map(|payload| Post::new("bed/1", payload)).collect();
    let at_ms = two_hours_ago_ms();
    posts.push(timed(1, at_ms, 18.0));
    publish(broker.port, posts);
    daemon.wait_for_settled(count + 1);
    let status = daemon.status();
    for refusal in &status.refusals {
        println!("{} -> {}", refusal.payload.chars().take(40).collect::<String>(), refusal.reason);
    }
    assert_eq!((status.counts.readings - status.counts.doubted, status.counts.messages), (1, count + 1));
    let believed: Vec<_> = daemon.readings(1).into_iter().filter(|kept| kept.doubt.is_none()).collect();
    assert_eq!(believed.len(), 1, "{believed:?}");
    assert_eq!((believed[0].at_ms, believed[0].value), (at_ms, 18.0));
    assert!(daemon.stop().success());
}
