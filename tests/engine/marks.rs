//! Marks: what probes show is proposed once and counts when accepted; raw counts become water; a finger test
//! widens nothing; warmth is no water.

use std::sync::Arc;

use rindwatch::daybook::{Entry, Feel, ProbeChange, parse};
use rindwatch::engine::{Engine, Event, ProposalView};
use rindwatch::settings::garden::Garden;

use super::memory::restart;
use super::sim::*;

/// The bed as its grower believes it to be: a full mark 4 points too low, from a table.
fn believed() -> Arc<Garden> {
    let bed = BED.replace("full = \"31 %\"", "full = \"27 %\"");
    garden(&[HEAD, &bed, &three()])
}

/// The true bed, seen by an engine that believes another full mark.
fn mistaken() -> Sim {
    let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-06-20", "00:00");
    sim.engine = Engine::new(believed());
    sim
}

/// So many times: five dry days, then water in the evening to a little over full, then two days to settle.
fn soak(sim: &mut Sim, times: u32) {
    for _ in 0..times {
        sim.run_days(5);
        let day = sim.local(sim.now_ms).format("%Y-%m-%d").to_string();
        sim.run_to(&day, "19:00");
        let litres = (sim.depletion_mm[0] + 2.0) * 7.0;
        sim.water("long", litres);
        sim.run_days(3);
    }
}

fn proposals(sim: &Sim) -> Vec<ProposalView> {
    sim.engine.survey(sim.now_ms).proposals
}

/// Depletion that the engine believes in, and all that the bed holds, mm.
fn seen(sim: &Sim) -> (f64, f64) {
    let bed = &sim.engine.survey(sim.now_ms).beds[0];
    (bed.depletion_mm.unwrap().0, bed.taw_mm.unwrap())
}

#[test]
fn a_full_mark_is_proposed_once_and_counts_when_accepted() {
    let mut sim = mistaken();
    soak(&mut sim, 2);
    assert_eq!(proposals(&sim), [], "two soakings are too few");
    soak(&mut sim, 1);
    let first = proposals(&sim);
    let [proposal] = first.as_slice() else { panic!("{first:?}") };
    assert_eq!((proposal.probe.as_str(), proposal.old, proposal.applied), ("wet", Some(0.27), false));
    assert!((proposal.new - 0.31).abs() < 0.01, "{proposal:?}");
    assert!(proposal.why.contains("3 soakings") && proposal.why.contains("27.0 %"), "{}", proposal.why);
    let number = proposal.number;
    assert!(sim.letters().iter().all(|letter| letter.tasks.iter().all(|task| task.number != number)));
    soak(&mut sim, 1);
    assert_eq!(proposals(&sim).iter().map(|one| one.number).collect::<Vec<_>>(), [number], "said once");

    sim.run_days(2);
    let (before_mm, held_mm) = seen(&sim);
    let true_mm = sim.depletion_mm[0];
    assert!(before_mm < true_mm - 10.0 && (held_mm - 52.0).abs() < 0.1, "{before_mm} for {true_mm}");
    sim.enter(Entry::Accept { number });
    let (now_mm, held_mm) = seen(&sim);
    assert!((now_mm - true_mm).abs() < 5.0, "{now_mm} for {true_mm}");
    assert!((held_mm - 68.0).abs() < 4.0, "{held_mm}");
    assert_eq!(proposals(&sim), []);
    // It lasts over days and over a start, and another like it is no news.
    soak(&mut sim, 2);
    let kept = seen(&sim);
    restart(&mut sim, &believed());
    assert_eq!(seen(&sim), kept);
    assert!((kept.0 - sim.depletion_mm[0]).abs() < 5.0, "{} for {}", kept.0, sim.depletion_mm[0]);
    assert_eq!(proposals(&sim), []);
}

#[test]
fn a_declined_mark_is_not_proposed_again() {
    let mut sim = mistaken();
    soak(&mut sim, 3);
    let number = proposals(&sim)[0].number;
    assert_eq!(sim.engine.open_proposals(), [number]);
    sim.enter(Entry::NotNeeded { task: number });
    assert_eq!(sim.engine.open_proposals(), Vec::<u32>::new());
    let held_mm = seen(&sim).1;
    soak(&mut sim, 3);
    assert_eq!((proposals(&sim), seen(&sim).1), (Vec::new(), held_mm));
}

#[test]
fn a_mark_by_hand_counts_at_once() {
    let mut sim = mistaken();
    sim.run_days(4);
    let (before_mm, _) = seen(&sim);
    let full = parse("probe wet full mark 31 %", &sim.garden).unwrap();
    sim.enter(full);
    let (after_mm, held_mm) = seen(&sim);
    assert!((after_mm - before_mm - 16.0).abs() < 1.0, "{before_mm} {after_mm}");
    assert!((held_mm - 68.0).abs() < 0.1);
    sim.enter(Entry::Probe { probe: "wet".into(), change: ProbeChange::DryMark(0.11) });
    assert!((seen(&sim).1 - 80.0).abs() < 0.1);
    // The day before keeps the marks of its time; the next one has the new ones.
    sim.run_days(2);
    let held: Vec<f64> = sim.days().iter().filter_map(|day| day.taw_mm).collect();
    assert!((held[0] - 52.0).abs() < 0.1 && (held.last().unwrap() - 80.0).abs() < 0.1, "{held:?}");
    let wrong = parse("probe wet full mark 12 %", &sim.garden).unwrap_err();
    assert!(wrong.wrong.contains("wilt mark"), "{wrong}");
    assert!(parse("probe wet dry mark 40 %", &sim.garden).unwrap_err().wrong.contains("full mark"));
}

/// A table's mark may be off by 4 points; the spread says so until a mark of the bed's own counts.
#[test]
fn a_guessed_mark_is_wide_until_one_is_accepted() {
    let bed = BED.replace(
        "full = \"31 %\"\nwilt = \"14 %\"\nsaturation = \"50 %\"\nintake = \"20 mm/h\"",
        "soil = \"loam\"",
    );
    let mut sim = Sim::new(garden(&[HEAD, &bed, &three()]), "2027-06-20", "00:00");
    sim.run_days(4);
    let spread = |sim: &Sim| sim.engine.survey(sim.now_ms).beds[0].depletion_mm.unwrap().1;
    assert!(spread(&sim) > 16.0, "{}", spread(&sim));
    let full = sim.garden.beds[0].full;
    sim.enter(Entry::Probe { probe: "wet".into(), change: ProbeChange::FullMark(full) });
    assert!(spread(&sim) < 8.0, "{}", spread(&sim));
}

/// What came late re-derives its days; they must not count a soaking twice, nor propose anew.
#[test]
fn days_closed_again_teach_nothing_twice() {
    let mut sim = mistaken();
    soak(&mut sim, 2);
    for days_ago in [1, 4, 6] {
        let mut late = sim.reading(sim.ix("wet"), sim.now_ms - days_ago * DAY - 7 * MINUTE);
        late.value = 0.3;
        late.arrived_ms = sim.now_ms;
        sim.handle(Event::Reading(late));
    }
    sim.run_days(1);
    assert_eq!(proposals(&sim), []);
    soak(&mut sim, 1);
    let one = proposals(&sim);
    sim.enter(Entry::Rain { depth_mm: 0.0 });
    sim.run_days(1);
    assert_eq!(proposals(&sim), one);
}

fn raw() -> Arc<Garden> {
    garden(&[HEAD, BED, &three().replace("unit = \"m3/m3\"", "unit = \"counts\"")])
}

/// A raw probe says wetter or drier, not how wet: the book alone speaks until ten dry nights have shown the slope.
#[test]
fn a_raw_probe_is_calibrated_within_two_weeks_of_its_first_soaking() {
    let mut sim = Sim::new(raw(), "2027-06-20", "00:00");
    sim.depletion_mm[0] = 30.0;
    sim.run_to("2027-06-21", "19:00");
    assert_eq!(sim.engine.survey(sim.now_ms).beds[0].share_used, None);
    sim.water("long", 32.0 * 7.0);
    sim.run_to("2027-06-22", "12:00");
    let bed = &sim.engine.survey(sim.now_ms).beds[0];
    assert!(bed.rests_on.contains("rough") && bed.share_used.is_some(), "{}", bed.rests_on);
    let mut calibrated = None;
    for day in 1..=14 {
        sim.run_days(1);
        if sim.depletion_mm[0] > 30.0 {
            let litres = (sim.depletion_mm[0] + 1.0) * 7.0;
            sim.water("long", litres);
        }
        if calibrated.is_none() && sim.engine.survey(sim.now_ms).beds[0].rests_on.contains("one probe") {
            calibrated = Some(day);
        }
    }
    assert!(calibrated.is_some_and(|day| (9..=14).contains(&day)), "{calibrated:?}");
    let said = proposals(&sim);
    let [first] = said.as_slice() else { panic!("{said:?}") };
    assert!(first.applied && first.why.contains("nights beside the water book"), "{first:?}");
    assert_eq!(sim.engine.open_proposals(), Vec::<u32>::new());
    // Unlogged water shows now, as only a probe can show it.
    sim.run_days(3);
    sim.pour("long", 15.0 * 7.0);
    sim.run_days(2);
    let (seen_mm, true_mm) = (seen(&sim).0, sim.depletion_mm[0]);
    assert!((seen_mm - true_mm).abs() < 8.0, "{seen_mm} for {true_mm}");
}

#[test]
fn one_dry_mark_by_hand_calibrates_a_raw_probe() {
    let mut sim = Sim::new(raw(), "2027-06-20", "00:00");
    sim.depletion_mm[0] = 20.0;
    sim.run_to("2027-06-21", "19:00");
    sim.water("long", 22.0 * 7.0);
    sim.run_days(3);
    // The true wilt mark: 1400 + 20 for each of 68 mm.
    sim.enter(parse("probe wet dry mark 2760", &sim.garden).unwrap());
    sim.run_days(2);
    let bed = &sim.engine.survey(sim.now_ms).beds[0];
    assert!(bed.rests_on.contains("one probe"), "{}", bed.rests_on);
    let (seen_mm, true_mm) = (seen(&sim).0, sim.depletion_mm[0]);
    assert!((seen_mm - true_mm).abs() < 7.0, "{seen_mm} for {true_mm}");
}

#[test]
fn what_the_finger_says_moves_a_rough_book() {
    let begin = || {
        let mut sim = Sim::new(raw(), "2027-06-20", "00:00");
        sim.run_to("2027-06-21", "19:00");
        sim.water("long", 25.0 * 7.0);
        sim.run_days(2);
        sim
    };
    let felt = |feel: Feel| {
        let mut sim = begin();
        let before_mm = seen(&sim).0;
        sim.enter(Entry::Felt { bed: "long".into(), feel });
        let now_mm = seen(&sim).0 - before_mm;
        sim.run_days(1);
        (now_mm, seen(&sim).0)
    };
    let (plain_mm, next_mm) = {
        let mut sim = begin();
        sim.run_days(1);
        (0.0, seen(&sim).0)
    };
    let (dry, wet) = (felt(Feel::Dry), felt(Feel::Wet));
    assert!(dry.0 > 4.0 && dry.1 > next_mm + 3.0, "dry {dry:?}, without {next_mm}");
    // The book says the bed is wet too: nothing to correct, today or tomorrow.
    assert_eq!((wet.0, wet.1), (plain_mm, next_mm));
}

/// By day the reading swings with the soil's warmth, and what is believed of the bed with it, until five dry days
/// have shown by how much. The thermometer lies 10 cm higher than the probe: its wave comes hours before.
#[test]
fn warmth_is_no_water() {
    // Belief hour by hour over 16 days.
    let believed = |swing_per_c: f64| {
        let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-06-20", "00:00");
        sim.swing_per_c = swing_per_c;
        sim.run_to("2027-06-20", "01:00");
        let hourly = |sim: &mut Sim| {
            sim.run_until(sim.now_ms + HOUR);
            if sim.depletion_mm[0] > 30.0 {
                let litres = sim.depletion_mm[0] * 7.0;
                sim.water("long", litres);
            }
            seen(sim).0
        };
        (0..16 * 24).map(|_| hourly(&mut sim)).collect::<Vec<f64>>()
    };
    let (plain, swung) = (believed(0.0), believed(0.004));
    let off: Vec<f64> = swung.iter().zip(&plain).map(|(swung, plain)| swung - plain).collect();
    // The widest a day is led astray by warmth alone, mm.
    let widest = |hours: &[f64]| {
        let range = |day: &[f64]| {
            day.iter().copied().fold(f64::MIN, f64::max) - day.iter().copied().fold(f64::MAX, f64::min)
        };
        hours.chunks(24).map(range).fold(0.0, f64::max)
    };
    let (before_mm, after_mm) = (widest(&off[..96]), widest(&off[288..]));
    assert!(before_mm > 1.0 && after_mm < 0.4 * before_mm, "{before_mm} mm before, {after_mm} after");
}
