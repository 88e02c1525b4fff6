use super::sim::*;
use rindwatch::record::MatterKey;

#[test]
fn look_shade() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-07-01", "00:00");
    sim.run_days(20);
    for (at, _, task) in sim.told(MatterKey::Shade) {
        println!("{} {:?}", sim.shown(at), task.content);
    }
    for day in sim.days() {
        println!("{} {:?} {:?} {:?}", day.date, day.air_max_c, day.air_min_c, day.et0_mm);
    }
}
