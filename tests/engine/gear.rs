//! Probes that fall silent, lie or stand still; the broker, the mail and the box itself.

use rindwatch::engine::Event;
use rindwatch::record::{Content, Doubt, Fault, MatterKey, ProbeIx, Reading, Rule, Stand};

use super::sim::*;

const GEAR: MatterKey = MatterKey::Gear;

fn running() -> Sim {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.run_to("2027-07-02", "10:00");
    sim
}

fn faults(sim: &Sim) -> Vec<(String, Fault)> {
    sim.told(GEAR)
        .into_iter()
        .map(|(_, _, task)| match &task.content {
            Content::Gear { fault } => (task.subject.clone(), fault.clone()),
            other => panic!("{other:?}"),
        })
        .collect()
}

#[test]
fn a_dead_probe_is_named_within_three_of_its_gaps_and_no_sooner_than_an_hour() {
    for (step_ms, within_ms) in [(10 * MINUTE, 70 * MINUTE), (HOUR, 3 * HOUR)] {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
        sim.step_ms = step_ms;
        sim.run_to("2027-07-02", "10:00");
        let last_ms = sim.now_ms;
        sim.silent = vec!["wet".into()];
        sim.run_to("2027-07-02", "18:00");
        let told = sim.told(GEAR);
        assert_eq!(told.len(), 1);
        let after = told[0].0 - last_ms;
        assert!(
            (59 * MINUTE..=within_ms).contains(&after),
            "every {} min: {} min",
            step_ms / MINUTE,
            after / MINUTE
        );
        assert_eq!(told[0].2.subject, "wet");
        sim.silent.clear();
        sim.run_to("2027-07-02", "20:00");
        assert_eq!(sim.stand(GEAR), Some(Stand::Over));
        assert_eq!(sim.told(GEAR).len(), 1);
    }
}

#[test]
fn all_silent_is_one_matter_day_and_night() {
    for time in ["11:00", "22:00"] {
        let mut sim = running();
        sim.run_to("2027-07-02", time);
        sim.silent = sim.garden.probes.iter().map(|probe| probe.name.clone()).collect();
        sim.run_to("2027-07-03", "10:00");
        // By day a sun sensor is silent like the others; by night its silence is no fault, and six others
        // were named one by one.
        let told = faults(&sim);
        assert_eq!(told.len(), 1, "{time}: {told:?}");
        assert_eq!(told[0].0, "");
        sim.silent.clear();
        sim.run_to("2027-07-03", "12:00");
        assert_eq!(sim.stand(GEAR), Some(Stand::Over));
    }
}

/// The broker was away for five hours; when it came back every hourly probe was named silent before it had
/// had its chance to speak.
#[test]
fn a_broker_away_is_one_matter_and_its_return_names_nobody() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.step_ms = HOUR;
    sim.run_to("2027-07-02", "10:10");
    sim.handle(Event::Broker(Some("connection refused".into())));
    let names: Vec<String> = sim.garden.probes.iter().map(|probe| probe.name.clone()).collect();
    sim.silent = names;
    sim.run_to("2027-07-02", "15:10");
    assert_eq!(faults(&sim).len(), 1);
    assert!(matches!(faults(&sim)[0].1, Fault::BrokerAway { .. }), "{:?}", faults(&sim));
    sim.handle(Event::Broker(None));
    sim.run_to("2027-07-02", "15:50");
    assert_eq!(sim.stand(GEAR), Some(Stand::Over));
    sim.silent = vec!["damp".into()];
    sim.run_to("2027-07-02", "19:00");
    let told = faults(&sim);
    // One that stays dead is named in its time.
    assert_eq!(told.len(), 2, "{told:?}");
    assert_eq!(told[1].0, "damp");
}

/// A node on the edge of the radio came and went, and each going was a letter.
#[test]
fn a_probe_that_comes_and_goes_is_told_once_a_day() {
    let mut sim = running();
    for _ in 0..16 {
        sim.silent = vec!["wet".into()];
        sim.run_until(sim.now_ms + 100 * MINUTE);
        sim.silent.clear();
        sim.run_until(sim.now_ms + 20 * MINUTE);
    }
    let told = sim.told_at(GEAR);
    assert!((1..=2).contains(&told.len()), "{told:?}");
}

/// The broker kept the last value of a dead probe and handed it out at each reconnect: the probe seemed alive.
#[test]
fn a_kept_value_is_no_sign_of_life() {
    let mut sim = running();
    sim.silent = vec!["wet".into()];
    let ix = sim.ix("wet");
    for _ in 0..6 {
        sim.run_until(sim.now_ms + 40 * MINUTE);
        let kept = Reading { doubt: Some(Doubt::Retained), own_time: false, ..sim.reading(ix, sim.now_ms) };
        sim.handle(Event::Reading(kept));
    }
    assert_eq!(faults(&sim).len(), 1);
}

#[test]
fn values_that_stand_still_or_cannot_be_are_named() {
    // The very same for two days while the air moved.
    let mut sim = running();
    let two = probe("deep", "soil-moisture", "m3/m3", "depth = \"30 cm\"");
    let mut still = Sim::new(garden(&[HEAD, BED, &full(), &two]), "2027-07-01", "00:00");
    still.run_days(2);
    still.lies.insert("wet".into(), 0.2871);
    still.run_days(4);
    assert!(
        faults(&still).iter().any(|(name, fault)| name == "wet" && matches!(fault, Fault::Stuck { .. })),
        "{:?}",
        faults(&still)
    );
    // The book goes by the other one.
    let seen = still.engine.survey(still.now_ms).beds[0].depletion_mm.unwrap().0;
    assert!((seen - still.depletion_mm[0]).abs() < 6.0, "{seen} for {}", still.depletion_mm[0]);

    let ix = sim.ix("warm");
    for _ in 0..4 {
        let doubt = Some(Doubt::Sentinel);
        sim.handle(Event::Reading(Reading { value: 85.0, doubt, ..sim.reading(ix, sim.now_ms) }));
        sim.run_until(sim.now_ms + 10 * MINUTE);
    }
    assert!(matches!(faults(&sim)[0].1, Fault::Impossible { count: 3.., .. }), "{:?}", faults(&sim));
    let mut sim = running();
    sim.silent = vec!["damp".into()];
    let probe = ProbeIx(u16::try_from(sim.ix("damp")).unwrap());
    for _ in 0..4 {
        sim.run_until(sim.now_ms + 10 * MINUTE);
        sim.handle(Event::Unreadable { probe, reason: "not a number: \"nan\"".into() });
    }
    sim.run_until(sim.now_ms + 30 * MINUTE);
    assert!(matches!(faults(&sim)[0].1, Fault::Unreadable { .. }), "{:?}", faults(&sim));
}

/// The broker tells of a node on mains that is gone; its silence alone would show only after three of its gaps.
#[test]
fn a_node_that_is_gone_is_silent_at_once_and_back_with_its_first_word() {
    let mut sim = running();
    let probe = ProbeIx(u16::try_from(sim.ix("damp")).unwrap());
    sim.silent = vec!["damp".into()];
    sim.handle(Event::Presence { probe, present: false });
    let view = |sim: &Sim| sim.engine.survey(sim.now_ms).probes[usize::from(probe.0)].rule;
    sim.run_until(sim.now_ms + 30 * MINUTE);
    assert_eq!(view(&sim), Some(Rule::Silent));
    assert!(matches!(faults(&sim)[0].1, Fault::Silent { .. }), "{:?}", faults(&sim));
    sim.silent.clear();
    sim.run_until(sim.now_ms + 30 * MINUTE);
    assert_eq!(view(&sim), None);
    // The word of its coming back is enough as well.
    sim.handle(Event::Presence { probe, present: false });
    sim.handle(Event::Presence { probe, present: true });
    assert_eq!(view(&sim), None);
}

/// A node whose program lost its pause: named at once, over an hour after the last of it.
#[test]
fn a_flood_is_a_fault_until_it_has_been_over_for_an_hour() {
    let mut sim = running();
    let probe = ProbeIx(u16::try_from(sim.ix("damp")).unwrap());
    sim.handle(Event::Floods { probe, count: 80_000 });
    sim.handle(Event::Floods { probe, count: 20_000 });
    sim.run_until(sim.now_ms + 10 * MINUTE);
    let flood = |sim: &Sim| faults(sim).iter().any(|(_, fault)| *fault == Fault::Floods { count: 100_000 });
    assert!(flood(&sim), "{:?}", faults(&sim));
    let view = |sim: &Sim| sim.engine.survey(sim.now_ms).probes[usize::from(probe.0)].rule;
    assert_eq!(view(&sim), Some(Rule::Floods));
    sim.run_until(sim.now_ms + 70 * MINUTE);
    assert_eq!(view(&sim), None);
}

#[test]
fn mail_and_box_stand_and_never_become_letters() {
    let mut sim = running();
    sim.handle(Event::Post(Some("535 authentication failed".into())));
    sim.handle(Event::Store(Some("disk full".into())));
    assert_eq!(sim.stand(MatterKey::Mail), Some(Stand::Standing));
    assert_eq!(sim.stand(MatterKey::Box), Some(Stand::Standing));
    sim.run_days(8);
    assert!(sim.told(MatterKey::Mail).is_empty() && sim.told(MatterKey::Box).is_empty());
    sim.handle(Event::Letter { number: 1, person: "grower".into(), refused: None });
    sim.handle(Event::Store(None));
    assert_eq!(sim.stand(MatterKey::Mail), Some(Stand::Over));
    assert_eq!(sim.stand(MatterKey::Box), Some(Stand::Over));
}

/// A gauge gone mad sent 90 mm every ten minutes; each was plausible, the day had 13 metres, no bed could
/// have had it, and the water book never moved again.
#[test]
fn a_mad_gauge_is_doubted_and_the_book_goes_on() {
    let mut sim = running();
    sim.lies.insert("gauge".into(), 90.0);
    sim.run_to("2027-07-03", "10:00");
    sim.lies.clear();
    assert!(faults(&sim).iter().any(|(name, _)| name == "gauge"), "{:?}", faults(&sim));
    sim.run_to("2027-07-10", "10:00");
    for day in sim.days() {
        assert!(day.rain_mm.is_none_or(|mm| mm <= 2400.0), "{}: {:?}", day.date, day.rain_mm);
    }
    let last = sim.days().last().unwrap().date;
    let closed = sim.days().into_iter().filter(|day| day.date == last && day.depletion_mm.is_some()).count();
    assert_eq!(closed, 1);
    let seen = sim.engine.survey(sim.now_ms).beds[0].depletion_mm.unwrap().0;
    assert!((seen - sim.depletion_mm[0]).abs() < 8.0, "{seen} for {}", sim.depletion_mm[0]);
}

/// `watered long 20000 L` was typed for 20: the book of that day could not be reckoned, and no letter about
/// water came for fifteen days.
#[test]
fn water_that_no_bed_can_take_stops_no_book() {
    let mut sim = running();
    sim.enter(rindwatch::daybook::Entry::Watered { bed: "long".into(), litres: 20_000.0 });
    sim.run_days(9);
    let view = &sim.engine.survey(sim.now_ms).beds[0];
    assert!(
        (view.depletion_mm.unwrap().0 - sim.depletion_mm[0]).abs() < 12.0,
        "{view:?} {:?}",
        sim.depletion_mm
    );
    assert!(!sim.told(MatterKey::Water).is_empty());
}
