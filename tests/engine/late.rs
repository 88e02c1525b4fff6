//! What comes late corrects the past and is told to nobody: letters are of what stands now.

use rindwatch::engine::{Action, Event};
use rindwatch::record::{HOURS_KEPT_MS, MatterKey, Reading, Telling};

use super::sim::*;

/// What a node keeps while nobody hears it.
struct Kept(Vec<Reading>);

/// Lets `hours` pass in which every probe measures, keeps its readings and is not heard.
fn unheard(sim: &mut Sim, hours: i64, kept: &mut Kept) {
    let names: Vec<String> = sim.garden.probes.iter().map(|probe| probe.name.clone()).collect();
    sim.silent.clone_from(&names);
    for _ in 0..hours * 6 {
        sim.run_until(sim.now_ms + 10 * MINUTE);
        kept.0.extend((0..names.len()).map(|ix| sim.reading(ix, sim.now_ms)));
    }
}

fn deliver(sim: &mut Sim, kept: Kept) {
    sim.silent.clear();
    for reading in kept.0 {
        let arrived_ms = sim.now_ms;
        sim.handle(Event::Reading(Reading { arrived_ms, ..reading }));
    }
}

/// Matters of which something was told since.
fn told_since(sim: &Sim, letters: usize) -> Vec<(MatterKey, Telling)> {
    let all = sim.letters();
    let tasks = all[letters..].iter().flat_map(|letter| &letter.tasks);
    tasks.map(|task| (task.matter, task.telling)).collect()
}

/// A node kept two days to itself. In them lay a night of frost and a bed past its stress mark, and then rain; when it
/// is heard again it is mild and the bed is wet. Nobody hears of the frost or the dry spell.
#[test]
fn frost_and_a_dry_spell_that_are_over_are_told_to_nobody() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-09-10", "00:00");
    sim.run_to("2027-09-14", "10:00");
    let dry = (sim.depletion_mm[0], sim.at("2027-09-16", "02:00"));
    let mut kept = Kept(Vec::new());
    // Frost in the first night, and the soil drier than it was by far.
    sim.sky = Sky { low_c: -3.0, high_c: 12.0, use_mm: 5.0 };
    sim.depletion_mm[0] = dry.0.max(45.0);
    unheard(&mut sim, 30, &mut kept);
    sim.sky = Sky { low_c: 12.0, high_c: 22.0, use_mm: 3.0 };
    sim.rain = vec![(dry.1, dry.1 + 2 * HOUR, 60.0)];
    unheard(&mut sim, 18, &mut kept);
    let letters = sim.letters().len();
    let days = sim.days().len();
    deliver(&mut sim, kept);
    sim.run_to("2027-09-16", "15:00");
    let told = told_since(&sim, letters);
    let of_the_past = |(key, telling): &(MatterKey, Telling)| {
        *telling != Telling::Withdrawn
            && !matches!(key, MatterKey::Gear)
            && !matches!(key, MatterKey::HoldWater) // that stands now: much rain on a dry bed
    };
    assert!(!told.iter().any(of_the_past), "{told:?}");
    // But the days know.
    let frost = sim.days()[days..].iter().rfind(|day| day.date == date("2027-09-15")).copied().unwrap();
    assert!(frost.corrected && frost.corrected_ms.is_some() && frost.air_min_c.unwrap() < 0.0, "{frost:?}");
    let notes = sim.engine.survey(sim.now_ms).beds[0].notes.concat();
    assert!(notes.contains("14 September to 15 September (on 16 September at 10:0"), "{notes}");
}

/// The same two days, but the bed is dry still: that is told, once, of now.
#[test]
fn a_bed_that_is_dry_still_is_told_of_now() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-09-10", "00:00");
    sim.run_to("2027-09-14", "10:00");
    let mut kept = Kept(Vec::new());
    sim.depletion_mm[0] = 20.0;
    unheard(&mut sim, 48, &mut kept);
    let letters = sim.letters().len();
    deliver(&mut sim, kept);
    sim.run_to("2027-09-16", "20:00");
    let water = told_since(&sim, letters).into_iter().filter(|(key, _)| *key == MatterKey::Water).count();
    assert_eq!(water, 1, "{:?}", told_since(&sim, letters));
    let task = sim.told(MatterKey::Water);
    let (at_ms, _, task) = task.last().unwrap();
    assert!(task.by_ms.is_none_or(|by_ms| by_ms > *at_ms), "asked for a time that is past");
}

/// What comes after fifteen days marks its day and moves nothing.
#[test]
fn what_comes_after_its_hours_are_forgotten_marks_its_day() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.run_to("2027-07-25", "10:00");
    let long_ago = sim.now_ms - HOURS_KEPT_MS - 2 * DAY;
    let (ix, days) = (sim.ix("air"), sim.days().len());
    let like = sim.reading(ix, long_ago);
    let arrived_ms = sim.now_ms;
    let actions = sim.handle(Event::Reading(Reading { value: 41.0, arrived_ms, ..like }));
    let [Action::Late(late)] = actions.as_slice() else { panic!("{actions:?}") };
    assert_eq!((late.date, late.bed.as_deref(), late.at_ms), (date("2027-07-08"), None, arrived_ms));
    sim.run_to("2027-07-25", "12:00");
    assert_eq!(sim.days().len(), days);
}
