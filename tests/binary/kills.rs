//! kill -9, twenty times in a flood, or as often as `RINDWATCH_KILLS` says.

use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use crate::daemon::{Daemon, PROBES, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::publish_each;

/// How far the publisher may run ahead of what is stored: more than is taken between two kills, and less than the
/// bound on what one probe may send at once.
const AHEAD: usize = 60_000;

/// How often, at least.
fn kills() -> usize {
    std::env::var("RINDWATCH_KILLS").map_or(20, |kills| kills.parse().expect("RINDWATCH_KILLS is a number"))
}

fn value(n: usize) -> f64 {
    (n % 4000) as f64 / 100.0
}

#[test]
fn kills_in_a_flood_lose_nothing_and_double_nothing() {
    let Some(broker) = Mosquitto::start("max_inflight_messages 200\nmax_queued_messages 0") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    let begin_ms = two_hours_ago_ms();
    let enough = Arc::new(AtomicBool::new(false));
    let (port, stop, wait) = (broker.port, Arc::clone(&enough), Arc::clone(&enough));
    let stored = Arc::new(AtomicUsize::new(0));
    let seen = Arc::clone(&stored);
    let flood = (0..)
        .inspect(move |n| {
            while *n > seen.load(Ordering::Relaxed) + AHEAD && !wait.load(Ordering::Relaxed) {
                std::thread::sleep(Duration::from_millis(1));
            }
        })
        .map(move |n| timed(n % PROBES, begin_ms + (n / PROBES) as i64, value(n)))
        .take_while(move |_| !stop.load(Ordering::Relaxed));
    let publisher = std::thread::spawn(move || publish_each(port, flood));
    // At least half shall fall between commit and acknowledgement. On a busy machine fewer do: then there are more.
    let (wanted, mut kills, mut between) = (kills(), 0, 0);
    while kills < wanted || (between * 2 < wanted && kills < wanted * 3) {
        kills += 1;
        between += usize::from(kill_once(&mut daemon, kills));
        stored.store(usize::try_from(daemon.stored()).unwrap(), Ordering::Relaxed);
    }
    enough.store(true, Ordering::Relaxed);
    let sent = publisher.join().unwrap();
    daemon.wait_for("the rest is stored", |_| daemon.stored() == sent as u64);
    assert!(daemon.stop().success());
    println!("{sent} messages; {between} of {kills} kills fell between commit and acknowledgement");
    assert!(between * 2 >= wanted, "only {between} of {kills} kills fell between commit and acknowledgement");
    for probe in 0..PROBES {
        let kept: HashMap<i64, f64> =
            daemon.readings(probe).iter().map(|kept| (kept.at_ms, kept.value)).collect();
        let wanted: HashMap<i64, f64> =
            (probe..sent).step_by(PROBES).map(|n| (begin_ms + (n / PROBES) as i64, value(n))).collect();
        assert!(kept == wanted, "probe {probe}: {} kept, {} sent", kept.len(), wanted.len());
    }
    assert_eq!(daemon.stored(), sent as u64, "nothing twice");
    daemon.start();
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(daemon.status().counts.messages, 0, "all was acknowledged");
}

/// One kill and a new start; true if the kill fell between a commit and its acknowledgements.
fn kill_once(daemon: &mut Daemon, kill: usize) -> bool {
    // Instants from a fixed row (a linear congruence), so that a bad one can be met again.
    let row = (0..kill).fold(1_u32, |row, _| row.wrapping_mul(1_664_525).wrapping_add(1_013_904_223));
    let wait = Duration::from_micros(100_000 + u64::from(row >> 12) % 200_000);
    std::thread::sleep(wait);
    daemon.kill();
    let stored = daemon.stored();
    daemon.start();
    daemon.wait_for("messages come", |status| status.counts.settled > 0);
    // What was stored and not acknowledged has come again before anything new.
    let repeats = daemon.status().counts.repeats;
    println!("kill {kill:2} after {wait:?}: {stored} rows stored, {repeats} stored ones came again");
    repeats > 0
}
