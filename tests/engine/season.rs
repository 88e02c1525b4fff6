//! A hot dry season: how many letters, how often the same matter comes back, how large the state grows, what a
//! reading costs.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use rindwatch::clock::Clock;
use rindwatch::engine::{Action, Event};
use rindwatch::record::{MatterKey, Stand};

use super::sim::*;

/// A made dry season, seeded: hot spells, a few storms, cool ends.
fn season(sim: &mut Sim, days: u32, diligence: f64) {
    let mut seed: u64 = 20270601;
    let mut chance = move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 40) as f64 / (1u64 << 24) as f64
    };
    let mut warmth = 0.0;
    for _ in 0..days {
        warmth = 0.75 * warmth + 5.0 * (chance() - 0.5);
        let high_c = 31.0 + 2.0 * warmth;
        sim.sky = Sky { low_c: high_c - 13.0, high_c, use_mm: (0.22 * high_c).max(1.0) };
        if chance() < 0.12 {
            let from = sim.now_ms + (6.0 + 12.0 * chance()) as i64 * HOUR;
            sim.rain.push((from, from + 2 * HOUR, 30.0 * chance() * chance()));
        }
        // In the evening the grower waters, if told and of a mind to; half of the time it is logged.
        sim.run_until(sim.now_ms + 18 * HOUR);
        let open = sim.stand(MatterKey::Water) == Some(Stand::Standing);
        if open && chance() < diligence {
            let litres = 7.0 * sim.depletion_mm[0].max(0.0) * (0.6 + 0.4 * chance());
            if chance() < 0.5 {
                sim.water("long", litres);
            } else {
                sim.pour("long", litres);
            }
        }
        sim.run_until(sim.now_ms + 6 * HOUR);
    }
}

#[test]
fn a_hot_dry_season_stays_within_the_budget_of_letters() {
    let bed = BED.replace("planted = 2027-05-20", "planted = 2027-05-20\npollinated = 2027-06-25");
    for (name, probes) in [("every sensor", full()), ("three sensors", three())] {
        for diligence in [0.95, 0.5] {
            let mut sim = Sim::new(garden(&[HEAD, &bed, &probes]), "2027-06-15", "00:00");
            season(&mut sim, 90, diligence);
            let mut per_day: BTreeMap<NaiveDate, u32> =
                (0..90).map(|day| (date("2027-06-15") + chrono::Days::new(day), 0)).collect();
            for letter in sim.letters() {
                *per_day.entry(sim.local(letter.at_ms).date_naive()).or_default() += 1;
                let time = &sim.shown(letter.at_ms)[6..];
                let day = ("06:00".."21:30").contains(&time);
                assert!(day || letter.tasks.iter().any(|task| task.matter == MatterKey::Cover), "{time}");
            }
            let mut counts: Vec<u32> = per_day.values().copied().collect();
            counts.sort_unstable();
            let (median, most) = (counts[counts.len() / 2], counts[counts.len() * 95 / 100]);
            let told = |key| sim.told(key).len();
            println!(
                "{name}, {diligence}: median {median}, 95th percentile {most}, most {:?}; water {} hold {} shade {} gear {}; {} changes of matters",
                counts.last(),
                told(MatterKey::Water),
                told(MatterKey::HoldWater),
                told(MatterKey::Shade),
                told(MatterKey::Gear),
                sim.log.iter().filter(|(_, action)| matches!(action, Action::Matter(_))).count(),
            );
            // Trade's budget for a person with a job: at most one letter on half of the days, three on most.
            assert!(median <= 1 && most <= 3, "{name}: median {median}, 95th percentile {most}");
            assert_eq!(told(MatterKey::Gear), 0);
            flaps(&sim);
        }
    }
}

/// No matter is told, over and told anew within six hours; building comes and goes at most three times a day.
fn flaps(sim: &Sim) {
    for key in [MatterKey::Water, MatterKey::HoldWater, MatterKey::Shade, MatterKey::Gear] {
        let first: Vec<i64> = sim
            .told(key)
            .into_iter()
            .filter(|(_, telling, _)| *telling == rindwatch::record::Telling::First)
            .map(|(at_ms, ..)| at_ms)
            .collect();
        for pair in first.windows(2) {
            assert!(pair[1] - pair[0] > 6 * HOUR, "{key}: {} {}", sim.shown(pair[0]), sim.shown(pair[1]));
        }
        let mut built: BTreeMap<NaiveDate, u32> = BTreeMap::new();
        for change in sim.changes(key).into_iter().filter(|change| change.to == Stand::Building) {
            *built.entry(sim.local(change.at_ms).date_naive()).or_default() += 1;
        }
        let most = built.iter().max_by_key(|(_, n)| **n);
        assert!(most.is_none_or(|(_, n)| *n <= 3), "{key}: {most:?}");
    }
}

#[test]
fn the_state_stays_small_enough_to_be_written_every_hour() {
    let two = full() + &probe("deep", "soil-moisture", "m3/m3", "depth = \"30 cm\"");
    let bed = BED.replace("planted = 2027-05-20", "planted = 2027-05-20\npollinated = 2027-06-25");
    let mut sim = Sim::new(garden(&[HEAD, &bed, &two]), "2027-06-15", "00:00");
    sim.step_ms = HOUR;
    season(&mut sim, 90, 0.7);
    // Nights that bring doubts, so that what is remembered of them is full.
    sim.silent = vec!["gauge".into()];
    for _ in 0..80 {
        for ix in 0..sim.garden.probes.len() {
            let doubt = Some(rindwatch::record::Doubt::OutOfRange);
            let reading = rindwatch::record::Reading { doubt, ..sim.reading(ix, sim.now_ms) };
            sim.handle(Event::Reading(reading));
        }
        sim.run_until(sim.now_ms + HOUR);
    }
    let core = sim.engine.save().core;
    let parts: serde_json::Value = serde_json::from_str(&core).unwrap();
    let mut sizes: Vec<(usize, &String)> =
        parts.as_object().unwrap().iter().map(|(key, part)| (part.to_string().len(), key)).collect();
    sizes.sort_unstable();
    println!("state {} bytes: {:?}", core.len(), sizes.iter().rev().take(8).collect::<Vec<_>>());
    assert!(core.len() < 100_000, "{} bytes", core.len());
}

/// Printed, not judged: this is no released build.
#[test]
fn what_a_reading_and_a_turn_cost() {
    let garden = garden(&[HEAD, BED, &full()]);
    let mut sim = Sim::new(std::sync::Arc::clone(&garden), "2027-07-01", "00:00");
    sim.run_days(20);
    let clock = Clock::real();
    let mut readings = 0u32;
    let mut spent_ms = clock.wall_ms();
    let from = sim.now_ms;
    for minute in 0..24 * 60 {
        for ix in 0..garden.probes.len() {
            let reading = sim.reading(ix, from + minute * 1000);
            sim.handle_at(Event::Reading(reading), sim.now_ms);
            readings += 1;
        }
    }
    spent_ms = clock.wall_ms() - spent_ms;
    println!("a reading: {:.2} us", 1000.0 * spent_ms as f64 / f64::from(readings));
    let began_ms = clock.wall_ms();
    let turns = 2000;
    for turn in 1..=turns {
        sim.handle_at(Event::Turn, from + 2 * HOUR + turn * 5 * MINUTE);
    }
    println!("a turn: {:.1} us", 1000.0 * (clock.wall_ms() - began_ms) as f64 / turns as f64);
    assert!(readings > 0);
}
