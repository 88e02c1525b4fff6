//! From a message to a row that is stored, then acknowledged.

use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::{Post, publish};

/// The broker has nothing of ours left: a new start with the same session hears nothing again.
fn nothing_comes_again(daemon: &mut Daemon) {
    daemon.start();
    // What is redelivered comes right behind the connection; a message of now comes behind that.
    let port = daemon.garden().broker.port;
    publish(port, vec![timed(0, two_hours_ago_ms(), 1.0)]);
    daemon.wait_for("a message of now is taken", |status| status.counts.readings == 1);
    assert_eq!(daemon.status().counts.messages, 1, "the broker sent something again");
}

fn is_stored_and_acknowledged(version: &str) {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, version, 1);
    daemon.start();
    let at_ms = two_hours_ago_ms();
    publish(broker.port, vec![timed(3, at_ms, 18.25), Post::new("bare", "19.5\n")]);
    daemon.wait_for_settled(2);
    let kept = daemon.readings(3);
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].at_ms, kept[0].value, kept[0].doubt), (at_ms, 18.25, None));
    assert_eq!(daemon.stored(), 2);
    daemon.kill();
    nothing_comes_again(&mut daemon);
}

#[test]
fn a_message_is_stored_and_then_acknowledged_mqtt_5() {
    is_stored_and_acknowledged("");
}

#[test]
fn a_message_is_stored_and_then_acknowledged_mqtt_3_1_1() {
    is_stored_and_acknowledged("version = \"3.1.1\"");
}

#[test]
fn what_is_not_committed_is_not_acknowledged() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 60);
    daemon.start();
    let at_ms = two_hours_ago_ms();
    publish(broker.port, (0..5).map(|n| timed(n, at_ms, 18.0)).collect());
    daemon.wait_for("five messages are taken", |status| status.counts.messages == 5);
    assert_eq!(daemon.status().counts.settled, 0, "the delay of 60 s has not run out");
    daemon.kill();
    daemon.start();
    daemon.wait_for("the five come again", |status| status.counts.messages == 5);
    assert!(daemon.stop().success());
    assert_eq!(daemon.stored(), 5);
}

#[test]
fn a_polite_end_stores_and_acknowledges_what_was_taken() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 60);
    daemon.start();
    publish(broker.port, (0..5).map(|n| timed(n, two_hours_ago_ms(), 18.0)).collect());
    daemon.wait_for("five messages are taken", |status| status.counts.messages == 5);
    assert!(daemon.stop().success());
    assert_eq!(daemon.stored(), 5);
    nothing_comes_again(&mut daemon);
}

/// Found in the first week of the daemon: fifty bare values that had waited at the broker arrive within
/// one millisecond, and forty-nine were taken for second values of the same moment.
#[test]
fn bare_values_that_waited_at_the_broker_are_all_kept() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    assert!(daemon.stop().success());
    publish(
        broker.port,
        (0..50).map(|n| Post::new("bare", format!("{}", 10.0 + f64::from(n) / 10.0))).collect(),
    );
    daemon.start();
    daemon.wait_for_settled(50);
    assert_eq!((daemon.stored(), daemon.status().counts.refused), (50, 0));
}

#[test]
fn quality_of_service_0_is_stored_with_the_same_batch() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 60);
    daemon.start();
    let dusty = Post { qos: 0, ..Post::new("dusty", "21.5") };
    let mut posts = vec![dusty];
    posts.extend((0..16).map(|n| timed(n % 12, two_hours_ago_ms() + n as i64, 18.0)));
    publish(broker.port, posts);
    daemon.wait_for_settled(17);
    assert_eq!(daemon.stored(), 17);
}

#[test]
fn topics_that_no_probe_asks_for_are_listed_when_told_where_to_listen() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "overhear = \"#\"", 1);
    daemon.start();
    daemon.wait_for("the second ear hears", |status| {
        publish(
            broker.port,
            vec![Post::new("new/node", "{\"soil\":412}"), timed(0, two_hours_ago_ms(), 18.0)],
        );
        status.unknown_topics.iter().any(|unknown| unknown.topic == "new/node")
    });
    let status = daemon.status();
    // What a probe asks for is not listed.
    assert_eq!(status.unknown_topics.len(), 1, "{:?}", status.unknown_topics);
    assert_eq!(status.unknown_topics[0].payload, "{\"soil\":412}");
    // Each message came in once: the wide filter lies on a connection of its own.
    assert_eq!(status.counts.messages, status.counts.readings);
    assert_eq!(status.counts.repeats, 0);
    assert!(daemon.stop().success());
}
