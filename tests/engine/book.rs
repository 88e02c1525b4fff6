//! What is not known stays unknown, and nothing that comes in makes a figure that is none.

use proptest::prelude::*;
use rindwatch::daybook::Entry;
use rindwatch::engine::{Engine, Event, Trust};
use rindwatch::record::{
    Content, DayRecord, Dose, Doubt, Guess, LetterDraft, MatterKey, ProbeIx, Reading, SavedState,
};

use super::sim::*;

fn figures(day: &DayRecord) -> Vec<Option<f64>> {
    // When it was corrected is a time and no figure.
    let value = serde_json::to_value(DayRecord { corrected_ms: None, ..day.clone() }).unwrap();
    value.as_object().unwrap().values().map(serde_json::Value::as_f64).collect()
}

#[test]
fn what_no_probe_measures_is_none() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-07-01", "00:00");
    sim.run_days(4);
    for day in sim.days() {
        assert_eq!((day.rh_mean_pct, day.wind_mean_m_s, day.solar_mj_m2), (None, None, None));
        assert_eq!((day.heat_dh_c, day.gdd_air_c.is_some()), (None, true), "{day:?}");
        for guess in [Guess::Air, Guess::Sun, Guess::Wind, Guess::Humidity] {
            assert!(day.guessed.contains(&guess), "{guess:?}");
        }
        assert!(!day.guessed.contains(&Guess::Soil));
    }
    // Without any probe but a gauge: no soil, no air, no book, no letter but of gear.
    let only = probe("gauge", "rain", "mm", "form = \"increment\"");
    let mut sim = Sim::new(garden(&[HEAD, BED, &only]), "2027-07-01", "00:00");
    sim.run_days(6);
    for day in sim.days() {
        assert_eq!(day.rain_mm, Some(0.0));
        let unknown =
            [day.air_min_c, day.soil_mean_c, day.depletion_mm, day.share_used, day.etc_mm, day.coldest_c];
        assert_eq!(unknown, [None; 6]);
    }
    let view = &sim.engine.survey(sim.now_ms).beds[0];
    assert!(view.share_used.is_none() && view.litres_to_full.is_none() && view.cover_days.is_none());
    assert!(sim.letters().is_empty());
}

#[test]
fn a_day_of_which_half_is_missing_claims_no_extremes_and_says_its_share() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.run_to("2027-07-03", "00:00");
    let names: Vec<String> = sim.garden.probes.iter().map(|probe| probe.name.clone()).collect();
    sim.silent = names;
    sim.run_to("2027-07-03", "11:59");
    sim.silent.clear();
    sim.run_to("2027-07-04", "01:00");
    let day = *sim.days().iter().rfind(|day| day.date == date("2027-07-03")).unwrap();
    assert!((day.data_share.unwrap() - 0.5).abs() < 0.05, "{:?}", day.data_share);
    assert_eq!((day.air_max_c, day.soil_max_c, day.solar_mj_m2), (None, None, None));
    // A day of which nothing came.
    sim.silent = sim.garden.probes.iter().map(|probe| probe.name.clone()).collect();
    sim.run_to("2027-07-07", "01:00");
    let day = *sim.days().iter().rfind(|day| day.date == date("2027-07-06")).unwrap();
    assert_eq!((day.data_share, day.rain_mm, day.coldest_c), (Some(0.0), None, None));
}

#[test]
fn a_raw_probe_lets_the_book_begin_with_the_first_soaking_and_asks_for_the_finger() {
    let raw = three().replace("unit = \"m3/m3\"", "unit = \"counts\"");
    let mut sim = Sim::new(garden(&[HEAD, BED, &raw]), "2027-07-01", "00:00");
    sim.run_days(4);
    assert!(sim.engine.survey(sim.now_ms).beds[0].share_used.is_none());
    assert!(sim.told(MatterKey::Water).is_empty());
    sim.pour("long", 210.0);
    sim.enter(Entry::Watered { bed: "long".into(), litres: 210.0 });
    sim.run_until(sim.now_ms + HOUR);
    let view = sim.engine.survey(sim.now_ms).beds[0].clone();
    assert!(view.share_used.unwrap() < 0.1 && view.rests_on.contains("rough"), "{view:?}");
    sim.run_days(6);
    let told = sim.told(MatterKey::Water);
    assert!(!told.is_empty());
    let Content::Water(Dose { book_alone, .. }) = told[0].2.content else { panic!() };
    assert!(book_alone);
    assert!(told[0].2.evidence.guesses.iter().any(|words| words.contains("feel the soil at 10 cm")));
}

/// With nothing to correct it the book goes on alone for two weeks, knows less each day, and the truth stays
/// within what it claims.
#[test]
fn a_blind_book_knows_less_each_day_and_says_so() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-07-01", "00:00");
    sim.run_days(8);
    sim.water("long", 7.0 * sim.depletion_mm[0]);
    sim.run_days(1);
    sim.silent = vec!["wet".into()];
    sim.run_days(1);
    let mut before_mm = 0.0;
    for day in 0..14 {
        if day % 3 == 2 {
            sim.water("long", 100.0);
        }
        sim.run_days(1);
        let view = sim.engine.survey(sim.now_ms).beds[0].clone();
        let (depletion_mm, sd_mm) = view.depletion_mm.unwrap();
        let off_mm = (depletion_mm - sim.depletion_mm[0]).abs();
        assert!(off_mm < 2.0 * sd_mm, "day {day}: {depletion_mm} ± {sd_mm}, truly {}", sim.depletion_mm[0]);
        assert!(sd_mm > before_mm, "day {day}: {sd_mm} after {before_mm}");
        assert!(view.rests_on.contains("the water book alone"), "{}", view.rests_on);
        before_mm = sd_mm;
    }
    let last = *sim.days().last().unwrap();
    assert!(last.guessed.contains(&Guess::Soil) && last.depletion_sd_mm.unwrap() > 4.0, "{last:?}");
}

/// Leaves taped wrong by twice or half are the book's error, not the probe's: within two weeks the day's use
/// is right again, and no probe is blamed.
#[test]
fn a_wrong_leafed_area_shows_as_bias_and_not_as_a_bad_probe() {
    let deep = probe("deep", "soil-moisture", "m3/m3", "depth = \"30 cm\"");
    for probes in [three(), three() + &deep] {
        for leafed in ["14 m2", "3.5 m2"] {
            let bed = BED.replace("leafed = \"7 m2\"", &format!("leafed = \"{leafed}\""));
            let mut sim = Sim::new(garden(&[HEAD, &bed, &probes]), "2027-07-01", "00:00");
            for _ in 0..15 {
                sim.run_days(1);
                if sim.depletion_mm[0] > 14.0 {
                    sim.water("long", 7.0 * sim.depletion_mm[0]);
                }
            }
            let days = sim.days();
            let used = days[days.len() - 4..].iter().map(|day| day.etc_mm.unwrap()).sum::<f64>() / 4.0;
            assert!((used / sim.sky.use_mm - 1.0).abs() < 0.2, "{leafed}: {used} mm a day");
            for day in &days {
                let kc = day.kc.unwrap();
                assert!((kc - day.etc_mm.unwrap() / day.et0_mm.unwrap()).abs() < 1e-12);
            }
            assert!(sim.told(MatterKey::Gear).is_empty());
            assert!(sim.engine.survey(sim.now_ms).probes.iter().all(|probe| probe.trust == Trust::Good));
        }
    }
}

#[test]
fn buried_nodes_root_after_ten_moist_days_and_the_book_names_their_water() {
    let bed = BED.replace("leafed = \"7 m2\"", "leafed = \"3 m2\"");
    let run = |litres_a_day: f64| {
        let mut sim = Sim::new(garden(&[HEAD, &bed, &three()]), "2027-07-01", "00:00");
        sim.run_days(2);
        sim.enter(Entry::Buried { bed: "long".into(), nodes: 20 });
        for _ in 0..16 {
            if litres_a_day > 0.0 {
                sim.water("long", litres_a_day);
            }
            sim.run_days(1);
        }
        let joined: Vec<(String, f64)> = sim
            .days()
            .iter()
            .filter_map(|day| Some((day.date.to_string(), day.joined_l?)))
            .filter(|(_, litres)| *litres > 0.0)
            .collect();
        joined
    };
    let joined = run(50.0);
    let [(date, litres)] = &joined[..] else { panic!("{joined:?}") };
    // 20 nodes of 0.05 m², at most 68 mm of held water.
    assert!(date.as_str() >= "2027-07-12" && (20.0..=68.0).contains(litres), "{joined:?}");
    // In dust nothing roots.
    assert_eq!(run(0.0), []);
}

/// It used to count hours in which nothing was read as read: two wet hours a day apart were a day above full.
#[test]
fn hours_without_readings_are_not_hours_above_full() {
    let bed = BED.to_owned() + "routine = \"40 L every evening\"\n";
    let mut sim = Sim::new(garden(&[HEAD, &bed, &three()]), "2027-07-01", "00:00");
    sim.sky = Sky { use_mm: 0.1, ..MILD };
    sim.lies.insert("wet".into(), 0.30);
    sim.run_days(2);
    // Logged, so that nobody doubts the rise.
    sim.water("long", 20.0);
    sim.lies.insert("wet".into(), 0.40);
    sim.run_until(sim.now_ms + 2 * HOUR);
    sim.silent = vec!["wet".into()];
    sim.run_until(sim.now_ms + 23 * HOUR);
    sim.silent.clear();
    sim.run_until(sim.now_ms + 3 * HOUR);
    assert!(sim.changes(MatterKey::HoldWater).is_empty(), "{:?}", sim.changes(MatterKey::HoldWater));
    sim.run_until(sim.now_ms + 23 * HOUR);
    assert_eq!(sim.changes(MatterKey::HoldWater).len(), 1);
}

#[derive(Debug, Clone)]
enum Blow {
    Reading { probe: usize, value: f64, late_ms: i64, doubted: bool },
    Entry(Entry),
    Pass(i64),
    Restart,
}

fn wild() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -80.0f64..120.0,
        2 => 0.0f64..1.0,
        1 => Just(0.0),
        1 => Just(-127.0),
        1 => -1e6f64..1e6,
        1 => prop::num::f64::NORMAL,
    ]
}

fn blow() -> impl Strategy<Value = Blow> {
    let bed = || "long".to_owned();
    prop_oneof![
        12 => (0usize..7, wild(), prop_oneof![Just(0i64), 0..20 * DAY], any::<bool>())
            .prop_map(|(probe, value, late_ms, doubted)| Blow::Reading { probe, value, late_ms, doubted }),
        1 => (0.0f64..1e5).prop_map(move |litres| Blow::Entry(Entry::Watered { bed: bed(), litres })),
        1 => (0.01f64..1000.0).prop_map(move |area_m2| Blow::Entry(Entry::Leafed { bed: bed(), area_m2 })),
        1 => (0.1f64..1000.0).prop_map(move |area_m2| Blow::Entry(Entry::Rooted { bed: bed(), area_m2 })),
        1 => (0.0f64..500.0).prop_map(|depth_mm| Blow::Entry(Entry::Rain { depth_mm })),
        1 => (1u32..9).prop_map(|task| Blow::Entry(Entry::Done { task })),
        6 => (0i64..8 * HOUR).prop_map(Blow::Pass),
        2 => (0i64..40 * DAY).prop_map(Blow::Pass),
        1 => (0i64..250 * DAY).prop_map(Blow::Pass),
        1 => Just(Blow::Restart),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any readings intake may hand on, gaps of days, jumps of months, restarts: every figure is finite, and
    /// what is saved can be loaded.
    #[test]
    fn whatever_comes_every_figure_is_a_figure(blows in prop::collection::vec(blow(), 1..160)) {
        let garden = garden(&[HEAD, BED, &full()]);
        let mut sim = Sim::new(std::sync::Arc::clone(&garden), "2027-06-20", "00:00");
        sim.run_days(1);
        let mut saved = Vec::new();
        for blow in blows {
            match blow {
                Blow::Reading { probe, value, late_ms, doubted } => {
                    let kind = garden.probes[probe].quantity.kind();
                    let plausible = (kind.low..=kind.high).contains(&value);
                    let doubt = (doubted || !plausible).then_some(Doubt::OutOfRange);
                    let now_ms = sim.now_ms + 7 * MINUTE;
                    let reading = Reading {
                        probe: ProbeIx(u16::try_from(probe).unwrap()),
                        at_ms: now_ms - late_ms,
                        arrived_ms: now_ms,
                        value,
                        own_time: true,
                        doubt,
                    };
                    sim.handle_at(Event::Reading(reading), now_ms);
                }
                Blow::Entry(entry) => {
                    sim.enter(entry);
                }
                Blow::Pass(ms) => {
                    sim.handle_at(Event::Turn, sim.now_ms + ms);
                }
                Blow::Restart => {
                    let state = sim.engine.save();
                    saved.extend(state.hours);
                    let state = SavedState { core: state.core, hours: saved.clone() };
                    let engine = Engine::load(std::sync::Arc::clone(&garden), &state);
                    prop_assert!(engine.is_ok(), "{:?}", engine.err());
                    sim.engine = engine.unwrap();
                }
            }
        }
        for day in sim.days() {
            let text = format!("{day:?}");
            prop_assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
            prop_assert!(day.data_share.is_none_or(|share| (0.0..=1.0).contains(&share)), "{text}");
            prop_assert!(day.share_used.is_none_or(|share| (0.0..=1.0).contains(&share)), "{text}");
            prop_assert!(figures(day).iter().flatten().all(|figure| figure.abs() < 1e5), "{text}");
        }
        for letter in sim.letters() {
            let text = serde_json::to_string(letter).unwrap();
            let back: Result<LetterDraft, _> = serde_json::from_str(&text);
            prop_assert!(back.is_ok_and(|back| back == *letter), "{text}");
        }
        let view = format!("{:?}", sim.engine.survey(sim.now_ms));
        prop_assert!(!view.contains("NaN") && !view.contains("inf"), "{view}");
    }
}
