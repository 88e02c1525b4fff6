//! kill -9, twenty times (or as many twenties as `RINDWATCH_KILLS` holds), around the moment a letter is decided, stored, sent and marked.
//!
//! Each round a probe says three impossible things, the clock moves over the turn that makes a letter of it,
//! and the daemon is killed somewhere on that way. In the end every probe has been told of exactly once, and
//! the mail server has every letter (one killed before it was marked may have been sent twice, under one
//! message id).

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use mail_parser::MessageParser;
use rindwatch::local::{self, Request};
use rindwatch::rfc3339;
use rindwatch::store::Fate;

use crate::mosquitto::Mosquitto;
use crate::publisher::{Post, publish};
use crate::smtp::{Papers, Server};
use crate::{HEAD, thermometers, winter};

const KILLS: usize = 20;
const TURN_MS: i64 = 300_000;
/// Noon of a summer day: far from the quiet hours.
const NOON: &str = "2026-07-01T12:00:00Z";

fn garden() -> String {
    let bed = "[bed.lee]\nrooted = \"6 m2\"\nsoil = \"loam\"\ncrop = \"squash\"\n";
    format!("{HEAD}{bed}{}", thermometers(KILLS))
}

fn post(n: usize, at_ms: i64, value: f64) -> Post {
    Post::new(&format!("bed/{n}"), format!(r#"{{"t": {at_ms}, "v": {value}}}"#))
}

#[test]
fn kills_around_letters_lose_none_and_decide_none_twice() {
    let kills = std::env::var("RINDWATCH_KILLS").map_or(KILLS, |kills| kills.parse().unwrap());
    // One daytime of the garden holds twenty.
    for twenty in 0..kills.div_ceil(KILLS) {
        twenty_kills(1 + twenty as u32);
    }
}

/// Twenty kills at instants of the row that begins with `row`.
fn twenty_kills(mut row: u32) {
    let Some(broker) = Mosquitto::start("") else { return };
    let papers = Papers::made("127.0.0.1");
    let folder = tempfile::tempdir().unwrap();
    let mut mail = Server::keeping(&papers, folder.path());
    let mut daemon = winter::daemon(&garden(), broker.port, mail.port, &papers);
    let noon_ms = rfc3339::parse(NOON).unwrap();
    for round in 0..KILLS {
        let now_ms = noon_ms + round as i64 * TURN_MS + 1000;
        daemon.start_with(&["--scripted-clock", &rfc3339::show(now_ms)]);
        daemon.wait_for("the broker is connected", |status| status.broker.is_none());
        let taken = daemon.status().counts.messages;
        let good = (0..KILLS).filter(|n| *n != round).map(|n| post(n, now_ms - 500, 20.0));
        let bad = (1..=3).map(|n| post(round, now_ms - 10 * n, 99.0));
        publish(broker.port, good.chain(bad).collect());
        winter::tell(&daemon, &Request::Settle { messages: taken + KILLS as u64 + 2 });
        let data = daemon.data();
        let move_on = std::thread::spawn(move || {
            // The daemon may die before it answers.
            let _ = local::ask(&data, &Request::Clock { ms: now_ms + TURN_MS }, Duration::from_secs(20));
        });
        // Instants from a fixed row (a linear congruence): from before the decision to after the mark.
        row = row.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let wait = Duration::from_micros(u64::from(row >> 12) % 60_000);
        std::thread::sleep(wait);
        daemon.kill();
        let waiting = daemon.reader().letters_waiting().unwrap().len();
        println!("kill {:2} after {wait:?}: {waiting} letters stored and not marked as sent", round + 1);
        move_on.join().unwrap();
    }
    let end_ms = noon_ms + KILLS as i64 * TURN_MS + 1000;
    daemon.start_with(&["--scripted-clock", &rfc3339::show(end_ms)]);
    winter::tell(&daemon, &Request::Clock { ms: end_ms + 2 * TURN_MS });
    daemon.wait_for("all letters are sent", |status| status.letters_waiting == 0);
    assert!(daemon.stop().success());
    mail.end();

    let kept = daemon.reader().recent_letters(u32::MAX).unwrap();
    assert!(kept.iter().all(|letter| matches!(letter.fate, Fate::Accepted(_))), "{kept:?}");
    let mut told: BTreeMap<String, u32> = BTreeMap::new();
    let mut sent = BTreeSet::new();
    for letter in &kept {
        let eml = daemon.reader().letter(letter.number).unwrap().unwrap().eml;
        let message = MessageParser::default().parse(&eml).unwrap();
        sent.insert(message.message_id().unwrap().to_owned());
        let text = message.body_text(0).unwrap().into_owned();
        for line in text.lines().take_while(|line| !line.is_empty()) {
            let named = line.split_once(". ").and_then(|(_, rest)| rest.split_once(": "));
            if let Some((probe, _)) = named {
                *told.entry(probe.to_owned()).or_default() += 1;
            }
        }
    }
    let wanted: BTreeMap<String, u32> = (0..KILLS).map(|n| (format!("Probe p{n}"), 1)).collect();
    assert_eq!(told, wanted, "each probe is told of in exactly one letter");
    let received: BTreeSet<String> = winter::kept_letters(folder.path())
        .iter()
        .map(|eml| MessageParser::default().parse(eml).unwrap().message_id().unwrap().to_owned())
        .collect();
    assert_eq!(received, sent, "what was decided reached the mail server, and nothing else");
}
