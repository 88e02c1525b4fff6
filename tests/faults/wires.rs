//! The wire to the broker: cut, slow, dead at the far end; a broker that comes back with nothing.

use std::time::Duration;

use crate::all_stored;
use crate::child::wait_until;
use crate::daemon::{Daemon, PROBES, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::proxy::{Proxy, Wire};
use crate::publisher::publish;

/// Messages with times of their own, `from..to` of one row.
fn row(begin_ms: i64, from: usize, to: usize) -> Vec<crate::publisher::Post> {
    (from..to).map(|n| timed(n % PROBES, begin_ms + (n / PROBES) as i64, (n % 400) as f64 / 10.0)).collect()
}

/// Starts it and publishes at once. On a busy machine that one message was lost now and then: "connected" was said
/// before the broker had taken the subscriptions.
fn start(daemon: &mut Daemon, port: u16, begin_ms: i64) {
    daemon.start();
    publish(port, row(begin_ms, 0, 1));
    daemon.wait_for_settled(1);
}

#[test]
fn a_wire_cut_again_and_again_loses_nothing() {
    let Some(broker) = Mosquitto::start("") else { return };
    let proxy = Proxy::to(broker.port);
    let mut daemon = Daemon::new(proxy.port, "", 1);
    let begin_ms = two_hours_ago_ms();
    start(&mut daemon, broker.port, begin_ms);
    for round in 0..4 {
        publish(broker.port, row(begin_ms, 1 + round * 300, 1 + (round + 1) * 300));
        // In the midst of delivery, before the acknowledgements are through.
        std::thread::sleep(Duration::from_millis(40 * round as u64));
        proxy.cut();
        daemon.wait_for("it is back", |status| status.broker.is_none());
    }
    all_stored(&daemon, 1201);
    assert!(daemon.stop().success());
}

#[test]
fn a_slow_wire_is_slow_and_nothing_else() {
    let Some(broker) = Mosquitto::start("") else { return };
    let proxy = Proxy::to(broker.port);
    let mut daemon = Daemon::new(proxy.port, "", 1);
    let begin_ms = two_hours_ago_ms();
    start(&mut daemon, broker.port, begin_ms);
    proxy.set(Wire::Slow(300));
    publish(broker.port, row(begin_ms, 1, 40));
    all_stored(&daemon, 40);
    // A message of 50 bytes takes half a second; the keep-alive must not take that for a dead wire.
    proxy.set(Wire::Trickle(5));
    publish(broker.port, row(begin_ms, 40, 60));
    all_stored(&daemon, 60);
    assert_eq!(broker.connects_of("rindwatch-hill-patch"), 1, "one connection held through all of it");
    assert!(daemon.stop().success());
}

/// The far end of a dead link never says goodbye: the ping that finds no answer is what ends it.
#[test]
fn a_link_that_died_silently_is_noticed_and_replaced() {
    let Some(broker) = Mosquitto::start("") else { return };
    let proxy = Proxy::to(broker.port);
    let mut daemon = Daemon::new(proxy.port, "keep-alive = \"5 s\"", 1);
    let begin_ms = two_hours_ago_ms();
    start(&mut daemon, broker.port, begin_ms);
    publish(broker.port, row(begin_ms, 1, 20));
    all_stored(&daemon, 20);
    proxy.set(Wire::HalfOpen);
    publish(broker.port, row(begin_ms, 20, 40));
    daemon.wait_for("it is known that nobody answers", |status| status.broker.is_some());
    proxy.set(Wire::Sound);
    proxy.cut();
    all_stored(&daemon, 40);
    assert!(daemon.stop().success());
}

/// A broker without persistence forgets our session: what it had not delivered is gone with it, but what comes
/// after is heard, since we subscribe at every connect.
#[test]
fn a_broker_that_forgot_us_is_heard_again() {
    for persistence in ["persistence true", "persistence false"] {
        let Some(mut broker) = Mosquitto::start(persistence) else { return };
        let proxy = Proxy::to(broker.port);
        let mut daemon = Daemon::new(proxy.port, "", 1);
        let begin_ms = two_hours_ago_ms();
        start(&mut daemon, broker.port, begin_ms);
        publish(broker.port, row(begin_ms, 1, 100));
        all_stored(&daemon, 100);
        proxy.set(Wire::HalfOpen);
        publish(broker.port, row(begin_ms, 100, 120));
        broker.stop();
        proxy.cut();
        proxy.set(Wire::Sound);
        broker.again();
        wait_until("the daemon is back", Duration::from_secs(30), || {
            daemon.status().broker.is_none() && broker.connects_of("rindwatch-hill-patch") >= 2
        });
        publish(broker.port, row(begin_ms, 120, 220));
        // Saved sessions bring the twenty that were on their way when the wire died.
        let wanted = if persistence == "persistence true" { 220 } else { 200 };
        all_stored(&daemon, wanted);
        assert!(daemon.stop().success());
    }
}
