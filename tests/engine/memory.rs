//! Stopping, starting, other settings: what is gone on from and what is not.

use std::sync::Arc;

use rindwatch::clock::Clock;
use rindwatch::engine::{Engine, Event};
use rindwatch::record::{MatterKey, SavedState};
use rindwatch::settings::garden::Garden;

use super::sim::*;

/// Goes on in another garden (or the same) from what is saved; every hour comes back from the store.
pub fn restart(sim: &mut Sim, garden: &Arc<Garden>) {
    let saved = sim.engine.save();
    let text = serde_json::to_string(&saved).unwrap();
    let saved: SavedState = serde_json::from_str(&text).unwrap();
    sim.engine = Engine::load(Arc::clone(garden), &saved).unwrap();
    sim.garden = Arc::clone(garden);
}

#[test]
fn state_of_another_version_or_none_is_refused() {
    let garden = garden(&[HEAD, BED, &three()]);
    let core = Engine::new(Arc::clone(&garden)).save().core;
    let load = |core: String| Engine::load(Arc::clone(&garden), &SavedState { core, hours: Vec::new() });
    assert!(load(core.clone()).is_ok());
    assert!(load(String::new()).is_err());
    assert!(load(core[..core.len() / 2].to_owned()).is_err());
    let error = load(core.replacen("\"version\":1", "\"version\":77", 1)).err().unwrap();
    assert!(error.to_string().contains("77"), "{error}");
}

/// The box was off from Monday to Thursday. At its start letters of Tuesday, Wednesday and Thursday about the
/// same bed went out at once, and every probe was named silent.
#[test]
fn after_the_box_was_off_only_what_is_due_now_is_told() {
    let two = probe("deep", "soil-moisture", "m3/m3", "depth = \"30 cm\"");
    let garden = garden(&[HEAD, BED, &full(), &two]);
    for hours in [3, 10, 24, 72, 300] {
        let mut sim = Sim::new(Arc::clone(&garden), "2027-07-01", "00:00");
        sim.run_to("2027-07-03", "12:00");
        let before = sim.letters().len();
        restart(&mut sim, &garden);
        let back_ms = sim.now_ms + hours * HOUR;
        sim.depletion_mm[0] = 25.0;
        sim.handle_at(Event::Turn, back_ms);
        sim.run_until(back_ms + 30 * MINUTE);
        let soon: Vec<_> = sim.letters()[before..].iter().map(|letter| letter.at_ms).collect();
        assert!(soon.len() <= 1 && soon.iter().all(|at| *at > back_ms - 20 * MINUTE), "{hours} h: {soon:?}");
        sim.run_until(back_ms + 24 * HOUR);
        assert_eq!(sim.told_at(MatterKey::Gear), Vec::<String>::new(), "off for {hours} h");
        let water = sim.told(MatterKey::Water).len();
        assert!((1..=3).contains(&water), "off for {hours} h: {:?}", sim.told_at(MatterKey::Water));
        // Every day of the gap is closed once, and holds nothing it cannot know.
        let mut dates: Vec<_> = sim.days().iter().map(|day| day.date).collect();
        let n = dates.len();
        dates.dedup();
        assert_eq!(dates.len(), n);
        for day in sim.days().iter().filter(|day| day.data_share == Some(0.0)) {
            assert!(day.air_max_c.is_none() && day.rain_mm.is_none() && day.solar_mj_m2.is_none(), "{day:?}");
        }
    }
}

#[test]
fn a_winter_off_is_caught_up_with_quickly() {
    let garden = garden(&[HEAD, BED, &full()]);
    let mut sim = Sim::new(Arc::clone(&garden), "2027-07-01", "00:00");
    sim.run_days(3);
    restart(&mut sim, &garden);
    let (clock, closed) = (Clock::real(), sim.days().len());
    let began_ms = clock.wall_ms();
    let letters = sim.letters().len();
    sim.handle_at(Event::Turn, sim.now_ms + 200 * DAY);
    println!("200 days off: {} ms", clock.wall_ms() - began_ms);
    assert_eq!(sim.days().len(), closed + 200);
    assert!(sim.letters().len() <= letters + 1);
}

/// A probe was added to the settings of a garden that had run for weeks: it was named silent twenty minutes
/// later. One that was taken out stood on the page as silent for good.
#[test]
fn probes_may_be_added_and_taken_out() {
    let small = garden(&[HEAD, BED, &three()]);
    let large = garden(&[HEAD, BED, &full()]);
    let mut sim = Sim::new(Arc::clone(&small), "2027-07-01", "00:00");
    sim.run_to("2027-07-03", "12:00");
    restart(&mut sim, &large);
    sim.silent = ["air", "damp", "wind", "sun"].map(String::from).to_vec();
    sim.run_to("2027-07-03", "12:40");
    assert_eq!(sim.told_at(MatterKey::Gear), Vec::<String>::new());
    sim.run_to("2027-07-03", "20:00");
    assert_eq!(sim.told(MatterKey::Gear).len(), 4);
    restart(&mut sim, &small);
    let left: Vec<_> = sim.engine.survey(sim.now_ms).matters.iter().map(|one| one.subject.clone()).collect();
    assert!(!left.iter().any(|subject| subject == "air"), "{left:?}");
    sim.run_days(1);
    assert!(sim.engine.survey(sim.now_ms).beds[0].rests_on.contains("one probe"));
}

/// A raw probe got its two-point calibration. The counts of the last days were taken for water, and the bed
/// seemed to stand above its full mark.
#[test]
fn counts_of_before_a_calibration_are_not_water() {
    let raw = three().replace("unit = \"m3/m3\"", "unit = \"counts\"");
    let before = garden(&[HEAD, BED, &raw]);
    let after = garden(&[HEAD, BED, &three()]);
    let mut sim = Sim::new(Arc::clone(&before), "2027-08-01", "00:00");
    sim.run_to("2027-08-05", "12:02");
    restart(&mut sim, &after);
    sim.silent = vec!["wet".into()];
    sim.run_to("2027-08-05", "12:40");
    assert_eq!(sim.told_at(MatterKey::HoldWater), Vec::<String>::new());
    sim.silent.clear();
    sim.run_to("2027-08-05", "13:00");
    let seen = sim.engine.survey(sim.now_ms).beds[0].depletion_mm.unwrap().0;
    assert!((seen - sim.depletion_mm[0]).abs() < 6.0, "{seen} for {}", sim.depletion_mm[0]);
}

/// For an evening the clock had stood two months ahead. With the right time back, no day was closed, no reading
/// kept and no letter written for two months.
#[test]
fn a_clock_that_stood_ahead_silences_nothing() {
    let garden = garden(&[HEAD, BED, &full()]);
    let mut sim = Sim::new(Arc::clone(&garden), "2027-07-01", "00:00");
    sim.run_to("2027-07-02", "12:00");
    let right_ms = sim.now_ms;
    sim.run_until(right_ms + 60 * DAY + HOUR);
    sim.now_ms = right_ms + 60 * DAY;
    let mut hours = sim.engine.save().hours;
    restart(&mut sim, &garden);
    sim.now_ms = right_ms + HOUR;
    sim.depletion_mm[0] = 8.0;
    let (days, letters) = (sim.days().len(), sim.letters().len());
    for day in 1..=6 {
        sim.run_days(1);
        // Every start brings back what the store has, the hours of the wrong time too.
        let saved = sim.engine.save();
        hours.retain(|(start, _)| saved.hours.iter().all(|(other, _)| other != start));
        hours.extend(saved.hours);
        sim.engine =
            Engine::load(Arc::clone(&garden), &SavedState { core: saved.core, hours: hours.clone() })
                .unwrap();
        let closed = sim.days()[days..].to_vec();
        assert_eq!(closed.len(), day);
        assert!(day < 3 || closed.last().unwrap().air_max_c.is_some(), "{:?}", closed.last());
    }
    assert!(sim.letters()[letters..].iter().any(|one| one.tasks[0].matter == MatterKey::Water));
    let seen = sim.engine.survey(sim.now_ms).beds[0].depletion_mm.unwrap().0;
    assert!((seen - sim.depletion_mm[0]).abs() < 8.0, "{seen} for {}", sim.depletion_mm[0]);
}

#[test]
fn a_second_bed_begins_its_own_book() {
    let one = garden(&[HEAD, BED, &three()]);
    let bed = |text: String| text.replace("unit = \"m3/m3\"\n", "unit = \"m3/m3\"\nbed = \"long\"\n");
    let probes = bed(three()).replace("unit = \"C\"\n", "unit = \"C\"\nbed = \"long\"\n")
        + &probe("other", "soil-moisture", "m3/m3", "bed = \"round\"\ndepth = \"15 cm\"");
    let two = garden(&[HEAD, &BED.replace("bed.long", "bed.round"), BED, &probes]);
    let mut sim = Sim::new(Arc::clone(&one), "2027-07-01", "00:00");
    sim.run_days(3);
    let before = sim.engine.survey(sim.now_ms).beds[0].depletion_mm;
    restart(&mut sim, &two);
    sim.depletion_mm = two.beds.iter().map(|bed| if bed.name == "long" { 15.0 } else { 2.0 }).collect();
    let beds = sim.engine.survey(sim.now_ms).beds;
    assert_eq!(beds.iter().find(|bed| bed.name == "long").unwrap().depletion_mm, before);
    sim.run_until(sim.now_ms + HOUR);
    let beds = sim.engine.survey(sim.now_ms).beds;
    let round = beds.iter().find(|bed| bed.name == "round").unwrap().depletion_mm.unwrap().0;
    assert!((round - 2.0).abs() < 3.0, "{round}");
}
