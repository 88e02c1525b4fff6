//! The same events give the same actions, however often the engine is called and wherever it was stopped.

use std::sync::Arc;

use proptest::prelude::*;
use rindwatch::daybook::Entry;
use rindwatch::engine::{Action, Engine, Event, Now};
use rindwatch::record::{Millis, SavedState};
use rindwatch::settings::garden::Garden;

use super::sim::*;

/// What an engine is told, and when.
type Script = Vec<(Millis, Event)>;

/// Two weeks of a hot and dry July with a storm, a silent probe, water given, and answers.
fn script(garden: &Arc<Garden>) -> Script {
    let mut sim = Sim::new(Arc::clone(garden), "2027-07-01", "00:00");
    sim.step_ms = HOUR;
    let mut script = Script::new();
    let (start, storm) = (sim.now_ms, sim.at("2027-07-08", "13:00"));
    sim.rain = vec![(storm, storm + 3 * HOUR, 34.0)];
    for hour in 0..14 * 24 {
        let at_ms = start + hour * HOUR;
        let day = hour / 24;
        sim.sky = if day % 4 == 3 { HOT } else { Sky { low_c: 4.0, ..MILD } };
        for ix in 0..garden.probes.len() {
            // The air thermometer fails for two days; the gauge sends nothing for a night.
            let name = garden.probes[ix].name.as_str();
            if (name == "air" && (5..7).contains(&day)) || (name == "gauge" && (50..60).contains(&hour)) {
                continue;
            }
            let reading = sim.reading(ix, at_ms);
            script.push((reading.arrived_ms, Event::Reading(reading)));
        }
        sim.run_until(at_ms + HOUR); // moves the soil
        let said = match hour {
            66 => Some(Entry::Watered { bed: "long".into(), litres: 60.0 }),
            80 => Some(Entry::Done { task: 2 }),
            90 => Some(Entry::Shaded { what: "long".into(), on: true }),
            130 => Some(Entry::NotNeeded { task: 3 }),
            160 => Some(Entry::Leafed { bed: "long".into(), area_m2: 9.0 }),
            200 => Some(Entry::Rain { depth_mm: 31.0 }),
            _ => None,
        };
        if let Some(entry) = said {
            script.push((at_ms + 20 * MINUTE, Event::Entry { entry, happened_ms: at_ms - 5 * HOUR }));
        }
        match hour {
            100 => script.push((at_ms + 25 * MINUTE, Event::Broker(Some("refused".into())))),
            104 => script.push((at_ms + 25 * MINUTE, Event::Broker(None))),
            _ => {}
        }
    }
    script
}

fn play(engine: &mut Engine, script: &[(Millis, Event)], log: &mut Vec<Action>) {
    for (at_ms, event) in script {
        log.extend(engine.handle(event.clone(), Now { ms: *at_ms, trusted: true }));
    }
}

/// The state as the store gives it back: all hours that were ever saved, the newest of each start.
#[derive(Default)]
struct Shelf {
    core: String,
    hours: std::collections::BTreeMap<Millis, String>,
}

impl Shelf {
    fn keep(&mut self, saved: SavedState) {
        let json = serde_json::to_string(&saved).unwrap();
        let saved: SavedState = serde_json::from_str(&json).unwrap();
        self.core = saved.core;
        self.hours.extend(saved.hours);
    }

    fn load(&self, garden: &Arc<Garden>) -> Engine {
        let hours = self.hours.iter().map(|(start, json)| (*start, json.clone())).collect();
        Engine::load(Arc::clone(garden), &SavedState { core: self.core.clone(), hours }).unwrap()
    }
}

#[test]
fn turns_between_events_change_nothing() {
    let garden = garden(&[HEAD, BED, &full()]);
    let script = script(&garden);
    let (mut seldom, mut often) = (Vec::new(), Vec::new());
    play(&mut Engine::new(Arc::clone(&garden)), &script, &mut seldom);
    let mut engine = Engine::new(garden);
    let mut last_ms = script[0].0;
    for (at_ms, event) in &script {
        while last_ms + 70_000 < *at_ms {
            last_ms += 70_000;
            often.extend(engine.handle(Event::Turn, Now { ms: last_ms, trusted: true }));
        }
        last_ms = *at_ms;
        often.extend(engine.handle(event.clone(), Now { ms: *at_ms, trusted: true }));
    }
    assert_eq!(seldom, often);
    // It was a season worth comparing.
    let matters: std::collections::BTreeSet<_> = seldom
        .iter()
        .filter_map(|action| match action {
            Action::Letter(letter) => Some(letter.tasks.iter().map(|task| task.matter.key())),
            _ => None,
        })
        .flatten()
        .collect();
    assert!(matters.len() >= 4, "{matters:?}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn stopped_anywhere_and_gone_on_is_as_never_stopped(
        mut cuts in prop::collection::vec(0.0f64..1.0, 1..6),
        saves in prop::collection::vec(0.0f64..1.0, 0..20),
    ) {
        let garden = garden(&[HEAD, BED, &full()]);
        let script = script(&garden);
        let mut whole = Vec::new();
        play(&mut Engine::new(Arc::clone(&garden)), &script, &mut whole);
        cuts.sort_by(f64::total_cmp);
        let place = |share: &f64| (share * script.len() as f64) as usize;
        let cuts: Vec<usize> = cuts.iter().map(place).collect();
        let saves: Vec<usize> = saves.iter().map(place).collect();
        let (mut shelf, mut log) = (Shelf::default(), Vec::new());
        let mut engine = Engine::new(Arc::clone(&garden));
        for (at, (ms, event)) in script.iter().enumerate() {
            if saves.contains(&at) {
                shelf.keep(engine.save());
            }
            if cuts.contains(&at) {
                shelf.keep(engine.save());
                let before = engine.survey(*ms);
                engine = shelf.load(&garden);
                prop_assert_eq!(before, engine.survey(*ms));
            }
            log.extend(engine.handle(event.clone(), Now { ms: *ms, trusted: true }));
        }
        for (at, (one, other)) in whole.iter().zip(&log).enumerate() {
            prop_assert_eq!(one, other, "action {}", at);
        }
        prop_assert_eq!(whole.len(), log.len());
    }

    #[test]
    fn readings_of_one_moment_may_come_in_any_order(seed in any::<u64>()) {
        let garden = garden(&[HEAD, BED, &full()]);
        let script = script(&garden);
        let mut shuffled = script.clone();
        let n = garden.probes.len();
        let mut random = seed | 1;
        for at in 0..shuffled.len() - n {
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let other = at + (random >> 33) as usize % n;
            if shuffled[at].0 == shuffled[other].0 {
                shuffled.swap(at, other);
            }
        }
        let (mut one, mut other) = (Vec::new(), Vec::new());
        play(&mut Engine::new(Arc::clone(&garden)), &script, &mut one);
        play(&mut Engine::new(garden), &shuffled, &mut other);
        prop_assert_eq!(one, other);
    }
}

/// Letters: when, to whom, and what about; tasks without a deadline stand in the order of the settings, so
/// they are sorted here.
fn told(log: &[Action]) -> Vec<(Millis, String, Vec<String>)> {
    log.iter()
        .filter_map(|action| match action {
            Action::Letter(letter) => {
                let mut tasks: Vec<String> =
                    letter.tasks.iter().map(|task| format!("{} {}", task.matter, task.subject)).collect();
                tasks.sort();
                Some((letter.at_ms, letter.person.clone(), tasks))
            }
            _ => None,
        })
        .collect()
}

#[test]
fn the_order_of_the_probes_in_the_settings_does_not_matter() {
    let parts = [
        probe("wet", "soil-moisture", "m3/m3", "depth = \"15 cm\""),
        probe("deep", "soil-moisture", "m3/m3", "depth = \"30 cm\""),
        probe("warm", "soil-temperature", "C", "depth = \"5 cm\""),
        probe("gauge", "rain", "mm", "form = \"increment\""),
        probe("air", "air-temperature", "C", ""),
    ];
    let forward = garden(&[HEAD, BED, &parts.concat()]);
    let backward = {
        let mut garden = (*forward).clone();
        garden.probes.reverse();
        Arc::new(garden)
    };
    let script = script(&forward);
    let last = u16::try_from(forward.probes.len() - 1).unwrap();
    let reversed: Script = script
        .iter()
        .map(|(ms, event)| match event {
            Event::Reading(reading) => {
                let mut reading = *reading;
                reading.probe.0 = last - reading.probe.0;
                (*ms, Event::Reading(reading))
            }
            other => (*ms, other.clone()),
        })
        .collect();
    let (mut one, mut other) = (Vec::new(), Vec::new());
    let mut engine = Engine::new(Arc::clone(&forward));
    play(&mut engine, &script, &mut one);
    play(&mut Engine::new(Arc::clone(&backward)), &reversed, &mut other);
    assert_eq!(told(&one), told(&other));
    // And saved by the one it is gone on from by the other.
    let middle = script.len() / 2;
    let mut before = Engine::new(Arc::clone(&forward));
    let mut log = Vec::new();
    play(&mut before, &script[..middle], &mut log);
    let mut shelf = Shelf::default();
    shelf.keep(before.save());
    play(&mut shelf.load(&backward), &reversed[middle..], &mut log);
    assert_eq!(told(&one), told(&log));
}
