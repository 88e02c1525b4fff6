//! A node that sends ten thousand messages a second: nobody else is kept waiting, nothing fills up, and it is named.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use rindwatch::record::Rule;

use crate::daemon::{Daemon, PROBES, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::{Node, Post, publish, publish_each};

/// Messages of one burst; a hundred bursts a second.
const BURST: usize = 100;
const SECONDS: usize = 8;

/// Floods one probe and asks every half second how long another's reading takes until it is judged.
fn flood(lines: &str, mad: impl Fn(usize) -> Post + Send + 'static) -> (Mosquitto, Daemon, Duration, i64) {
    let broker = Mosquitto::quiet(&format!("max_queued_messages 100000\n{lines}")).unwrap();
    let mut daemon = Daemon::new(broker.port, "", 60);
    daemon.start();
    let at_ms = two_hours_ago_ms();
    publish(broker.port, (0..600).map(|n| timed(n % PROBES, at_ms + n as i64, 18.0)).collect());
    daemon.wait_for("usual life", |status| status.counts.messages == 600);
    let before_kb = daemon.resident_kb();
    let (port, enough) = (broker.port, Arc::new(AtomicBool::new(false)));
    let stop = Arc::clone(&enough);
    let publisher = std::thread::spawn(move || {
        let posts = (0..BURST * 100 * SECONDS).map(move |n| {
            if n % BURST == 0 {
                std::thread::sleep(Duration::from_millis(7));
            }
            mad(n)
        });
        publish_each(port, posts.take_while(move |_| !stop.load(Ordering::Relaxed)))
    });
    let mut node = Node::connect(broker.port);
    let mut longest = Duration::ZERO;
    let mut most_kb = before_kb;
    #[allow(clippy::disallowed_methods)] // a test measures
    let began = std::time::Instant::now();
    let mut n = 0;
    while !publisher.is_finished() {
        n += 1;
        let sent_ms = at_ms + 10_000 + n;
        node.publish(timed(1, sent_ms, 20.0));
        let sent = began.elapsed();
        daemon.wait_for("the other probe is judged", |status| {
            status.survey.probes.iter().any(|probe| probe.name == "p1" && probe.at_ms == Some(sent_ms))
        });
        longest = longest.max(began.elapsed().saturating_sub(sent));
        most_kb = most_kb.max(daemon.resident_kb());
        std::thread::sleep(Duration::from_millis(500));
        if began.elapsed() > Duration::from_secs(20) {
            enough.store(true, Ordering::Relaxed);
        }
    }
    let sent = publisher.join().unwrap();
    let rate = sent as f64 / began.elapsed().as_secs_f64();
    let status = daemon.status();
    println!(
        "{sent} messages, {rate:.0} a second; others judged within {longest:?}; {} KiB more; {} let go",
        most_kb - before_kb,
        status.counts.let_go
    );
    (broker, daemon, longest, most_kb - before_kb)
}

fn is_held(longest: Duration, more_kb: i64) {
    assert!(longest < Duration::from_secs(2), "another probe waited {longest:?}");
    assert!(more_kb <= 5 * 1024, "{more_kb} KiB more");
}

#[test]
fn a_flood_of_bare_values_starves_nobody_and_fills_nothing() {
    if crate::mosquitto::program().is_none() {
        return;
    }
    let (_broker, mut daemon, longest, more_kb) = flood("", |n| Post::new("bare", format!("{}", n % 40)));
    is_held(longest, more_kb);
    daemon.wait_for("the flood is named", |status| {
        status.survey.probes.iter().any(|probe| probe.name == "bare" && probe.rule == Some(Rule::Floods))
    });
    assert!(daemon.log().contains("sends far too much"), "{}", daemon.log());
    assert!(daemon.stop().success());
    let kept = daemon.readings_of("bare").len();
    assert!((2_000..2_200).contains(&kept), "{kept} of the flood are kept");
    daemon.start();
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(daemon.status().counts.messages, 0, "what was let go is acknowledged and does not come again");
}

/// What cannot be read has bounds of its own: it would fill the table of refusals.
#[test]
fn a_flood_that_cannot_be_read_fills_nothing() {
    if crate::mosquitto::program().is_none() {
        return;
    }
    let (_broker, mut daemon, longest, more_kb) = flood("", |n| Post::new("bed/0", format!("broken {n}")));
    is_held(longest, more_kb);
    let refused = daemon.status().counts.refused;
    assert!((200..=220).contains(&refused), "{refused} refusals are kept");
    assert!(daemon.stop().success());
}

/// A node that gathers may bring much at once; with the broker's settings of `deploy/` nobody waits for it either.
#[test]
fn a_flood_with_own_times_starves_nobody() {
    if crate::mosquitto::program().is_none() {
        return;
    }
    let begin_ms = two_hours_ago_ms() - 3_600_000;
    let deployed = include_str!("../../deploy/mosquitto.conf");
    let window = deployed.lines().find(|line| line.starts_with("max_inflight_messages")).unwrap();
    let (_broker, mut daemon, longest, more_kb) =
        flood(window, move |n| timed(0, begin_ms + n as i64, (n % 40) as f64));
    is_held(longest, more_kb);
    assert!(daemon.stop().success());
    let kept = daemon.readings(0).len();
    assert!(kept <= 50_200, "{kept} of the flood are kept");
}
