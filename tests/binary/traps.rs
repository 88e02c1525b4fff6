//! Faults of MQTT clients and brokers that lose data without a word, each met in a trial before the
//! daemon was written.

use std::time::Duration;

use crate::child::wait_until;
use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::{Post, publish};

/// A burst filled the client's request channel; the acknowledgements that found no room were lost without
/// an error, and 732 of 1,000 messages came again with the next connection.
#[test]
fn a_burst_loses_no_acknowledgement() {
    let Some(broker) = Mosquitto::start("max_inflight_messages 0") else { return };
    let mut daemon = Daemon::new(broker.port, "", 60);
    daemon.start();
    assert!(daemon.stop().success());
    let at_ms = two_hours_ago_ms();
    let burst = (0..6000).map(|n| timed(n % 12, at_ms + n as i64, 18.0)).collect();
    publish(broker.port, burst);
    daemon.start();
    // The last few wait for the delay; that they are stored is the work of the end below.
    daemon.wait_for("the burst is taken", |status| status.counts.messages == 6000);
    assert!(daemon.stop().success());
    assert_eq!(daemon.stored(), 6000);
    daemon.start();
    publish(broker.port, vec![timed(0, at_ms - 1, 18.0)]);
    daemon.wait_for("a message of now is taken", |status| status.counts.readings == 1);
    assert_eq!(daemon.status().counts.messages, 1, "messages came again: their acknowledgement was lost");
}

/// The broker was restarted and had lost our session; the client acknowledged five old messages into the
/// new connection, where five new ones bore the same packet ids: the broker dropped those unread.
#[test]
fn an_acknowledgement_never_crosses_to_another_connection() {
    // The moments must fall right, and a busy machine may miss them.
    assert!((0..8).any(|_| new_messages_survive_old_acknowledgements()), "the moments never fell right");
}

/// True if the old five were stored while the new five were on their way, as the test wants.
fn new_messages_survive_old_acknowledgements() -> bool {
    let Some(mut broker) = Mosquitto::start("persistence false") else { return true };
    let mut daemon = Daemon::new(broker.port, "", 2);
    daemon.start();
    let at_ms = two_hours_ago_ms();
    publish(broker.port, (0..5).map(|n| timed(n, at_ms, 18.0)).collect());
    daemon.wait_for("the old five are taken", |status| status.counts.messages == 5);
    // Another program holds the store: the commit of the five begins after 2 s and waits for the lock.
    let lock = rusqlite::Connection::open(daemon.data().join("rindwatch.db")).unwrap();
    lock.execute_batch("BEGIN IMMEDIATE").unwrap();
    broker.kill();
    broker.again();
    let back = || broker.connects_of("rindwatch-hill-patch") == 2;
    wait_until("the daemon is back", Duration::from_secs(20), back);
    std::thread::sleep(Duration::from_millis(1000));
    publish(broker.port, (0..5).map(|n| timed(n, at_ms + 1, 19.0)).collect());
    std::thread::sleep(Duration::from_millis(300));
    lock.execute_batch("COMMIT").unwrap();
    let stored = || daemon.stored() >= 5;
    wait_until("the old five are stored", Duration::from_secs(20), stored);
    std::thread::sleep(Duration::from_millis(200));
    daemon.kill();
    let fell_right = daemon.stored() == 5;
    daemon.start();
    let all = || daemon.stored() == 10;
    wait_until("the new five come again and are stored", Duration::from_secs(20), all);
    fell_right
}

/// With MQTT 5 a session ends with its connection unless the client says how long to keep it: what was
/// published meanwhile was gone.
#[test]
fn what_is_published_while_we_are_away_is_kept() {
    for version in ["", "version = \"3.1.1\""] {
        let Some(broker) = Mosquitto::start("") else { return };
        let mut daemon = Daemon::new(broker.port, version, 1);
        daemon.start();
        daemon.kill();
        let at_ms = two_hours_ago_ms();
        publish(broker.port, (0..100).map(|n| timed(n % 12, at_ms + n as i64, 18.0)).collect());
        daemon.start();
        daemon.wait_for_settled(100);
        assert!(daemon.stop().success());
        publish(broker.port, (100..200).map(|n| timed(n % 12, at_ms + n as i64, 18.0)).collect());
        daemon.start();
        daemon.wait_for_settled(100);
        assert_eq!(daemon.stored(), 200, "{version}");
    }
}

/// One message larger than the client takes cut the connection; the broker sent it again after each
/// reconnect, and nothing behind it ever arrived.
#[test]
fn a_message_that_is_too_large_holds_nothing_up() {
    for version in ["", "version = \"3.1.1\""] {
        let Some(broker) = Mosquitto::start("") else { return };
        let mut daemon = Daemon::new(broker.port, version, 1);
        daemon.start();
        let at_ms = two_hours_ago_ms();
        let mut posts = vec![
            Post::new("bed/1", vec![b'7'; 70_000]),
            Post::new("bed/1", vec![b'7'; 700_000]),
            Post::new("bare", Vec::new()),
        ];
        posts.extend((0..5).map(|n| timed(n, at_ms, 18.0)));
        publish(broker.port, posts);
        daemon.wait_for("the good ones behind it are stored", |status| {
            status.counts.readings == 5 && status.counts.settled >= 7
        });
        let refused = daemon.status().refusals;
        assert!(refused.iter().any(|refusal| refusal.topic == "bed/1"), "{version}: {refused:?}");
        let connects = broker.connects_of("rindwatch-hill-patch");
        assert!(connects <= 3, "{version}: {connects} connections");
        daemon.kill();
        daemon.start();
        publish(broker.port, vec![timed(0, at_ms - 1, 18.0)]);
        daemon.wait_for("a message of now", |status| status.counts.readings == 1);
        assert_eq!(daemon.status().counts.messages, 1, "{version}: the large one is acknowledged too");
    }
}
