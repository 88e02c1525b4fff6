//! Where a plant stands in its season: what the day book says of flowers and fruits, and on which bed.

use rindwatch::daybook::{Entry, FlowerState, FruitState, parse};
use rindwatch::record::MatterKey;

use super::sim::*;

const BY_HAND: FlowerState = FlowerState::Pollinated { by_hand: true };

/// Two beds set out a few days ago, so that no unlogged fruit is thought of.
fn two_beds() -> Sim {
    let long = BED.replace("planted = 2027-05-20", "planted = 2027-06-25");
    let two = long.clone() + &long.replace("bed.long", "bed.round");
    let probes = full()
        .replace("unit = \"m3/m3\"\n", "unit = \"m3/m3\"\nbed = \"long\"\n")
        .replace("unit = \"C\"\ndepth = \"5 cm\"", "unit = \"C\"\nbed = \"round\"\ndepth = \"5 cm\"");
    let mut sim = Sim::new(garden(&[HEAD, &two, &probes]), "2027-07-05", "00:00");
    sim.sky = HOT;
    sim.run_days(1);
    sim
}

fn shaded_beds(sim: &mut Sim, lines: &[&str]) -> Vec<String> {
    for line in lines {
        let entry = parse(line, &sim.garden).unwrap();
        sim.enter(entry);
    }
    let from_ms = sim.now_ms;
    sim.run_days(1);
    let told = sim.told(MatterKey::Shade);
    told.iter().filter(|(at_ms, ..)| *at_ms > from_ms).map(|(_, _, task)| task.subject.clone()).collect()
}

/// In a garden of two beds `pollinated f2`, `shaded f1` and `fruit f1 cut` named no bed and did nothing.
#[test]
fn a_flower_named_once_with_its_bed_stays_with_it() {
    let mut sim = two_beds();
    assert_eq!(shaded_beds(&mut sim, &["flower f2 bud on round"]), [""; 0]);
    assert_eq!(shaded_beds(&mut sim, &["flower f2 pollinated by hand"]), ["round"]);
    assert_eq!(shaded_beds(&mut sim, &["flower f1 long pollinated"]), ["long", "round"]);
    assert_eq!(shaded_beds(&mut sim, &["shaded f2"]), ["long"]);
    assert_eq!(shaded_beds(&mut sim, &["fruit f1 cut", "unshaded f2"]), ["round"]);
    // A shade letter is answered by the fruit's line.
    let before = sim.changes(MatterKey::Shade).len();
    sim.run_to("2027-07-11", "06:30");
    sim.enter(parse("shaded f2", &sim.garden).unwrap());
    assert!(sim.changes(MatterKey::Shade)[before..].iter().any(|change| change.why == "shaded"));
}

#[test]
fn a_line_whose_bed_nobody_named_is_known_as_such() {
    let mut sim = two_beds();
    let unnamed = Entry::Fruit { fruit: "f9".into(), state: FruitState::Keeper, bed: None };
    assert_eq!(sim.engine.without_bed(&unnamed), Some("f9"));
    sim.enter(Entry::Flower { flower: "f9".into(), state: BY_HAND, bed: Some("long".into()) });
    assert_eq!(sim.engine.without_bed(&unnamed), None);
    let one = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-05", "00:00");
    assert_eq!(one.engine.without_bed(&unnamed), None);
}

/// A flower that was pollinated and then lost still counted as the fruit's age; so did one of last year.
#[test]
fn a_lost_flower_is_no_fruit_and_a_new_plant_begins_anew() {
    let mut sim = two_beds();
    assert_eq!(shaded_beds(&mut sim, &["flower f1 pollinated on long"]), ["long"]);
    assert_eq!(shaded_beds(&mut sim, &["flower f1 lost"]), [""; 0]);
    assert_eq!(shaded_beds(&mut sim, &["flower f2 pollinated on long"]), ["long"]);
    sim.run_days(1);
    assert_eq!(shaded_beds(&mut sim, &["planted long"]), [""; 0]);
}
