//! Waterings that nobody wrote down, as the engine recognises them, held against what was truly poured.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::grower::Kind;
use super::play::{HOUR, Sensors, Setup, Soil, play_watched};
use super::season_maker::BEDS;

/// Pours of less are no watering, mm over the rooted area: a can on a bed is not looked for.
const LEAST_MM: f64 = 5.0;
/// A watering is named within so many hours of its time.
const NEAR_MS: i64 = 4 * HOUR;

/// Seasons that nothing was tuned on: who never writes anything down, and who always does.
fn setups() -> Vec<Setup> {
    let setup = |at: usize| {
        let sensors = if at.is_multiple_of(2) { Sensors::Three } else { Sensors::Full };
        let mut setup = Setup::new(231 + at as u64, sensors);
        setup.grower = if at % 4 == 3 { Kind::Diligent } else { Kind::Silent };
        setup.leafed = [[0.8, 1.8], [1.2, 0.6], [2.4, 1.5]][at % 3];
        setup.wetter = [1.0, 1.6][at / 2 % 2];
        if at % 4 >= 2 {
            setup.soils = [Soil::SandyLoam, Soil::SiltLoam];
        }
        setup
    };
    (0..8).map(setup).collect()
}

#[test]
fn water_that_nobody_wrote_down_is_recognised() {
    let mut table = String::from("\nseed  sensors  grower    poured  recognised  false\n");
    let (mut poured, mut found, mut wrong, mut gardens) = (0, 0, 0, 0);
    for setup in setups() {
        // What was called water without a line, by bed and time; what is found anew at another hour of the same
        // morning is the same water.
        let mut called: BTreeMap<(String, i64), f64> = BTreeMap::new();
        let mut hour = 0;
        let played = play_watched(setup, |engine, season| {
            hour += 1;
            if hour % 6 != 0 {
                return;
            }
            for one in engine.survey(season.at_ms()).waterings.into_iter().filter(|one| !one.logged) {
                let near =
                    |(bed, at_ms): &&(String, i64)| *bed == one.bed && (at_ms - one.at_ms).abs() <= NEAR_MS;
                if called.keys().find(near).is_none() {
                    called.insert((one.bed, one.at_ms), one.litres);
                }
            }
        });
        let plots = played.setup.make().plots;
        let near = |pour: &super::play::Pour, bed: &str, at_ms: i64| {
            BEDS[pour.bed] == bed && (pour.at_ms - at_ms).abs() <= NEAR_MS
        };
        let unlogged: Vec<_> = played
            .pours
            .iter()
            .filter(|pour| !pour.logged && pour.litres >= LEAST_MM * plots[pour.bed].rooted_m2)
            .collect();
        let seen =
            unlogged.iter().filter(|pour| called.keys().any(|(bed, at_ms)| near(pour, bed, *at_ms))).count();
        // A line that came is no false call: it took the place of what was recognised in the hours before it.
        let from_nothing = called
            .keys()
            .filter(|(bed, at_ms)| !played.pours.iter().any(|pour| near(pour, bed, *at_ms)))
            .count();
        (poured, found, wrong) = (poured + unlogged.len(), found + seen, wrong + from_nothing);
        gardens += 1;
        writeln!(
            table,
            "{:4}  {:7}  {:8}  {:6}  {seen:10}  {from_nothing:5}",
            played.setup.seed,
            format!("{:?}", played.setup.sensors),
            format!("{:?}", played.setup.grower),
            unlogged.len()
        )
        .unwrap();
    }
    println!("{table}{found} of {poured} recognised, {wrong} false in {gardens} gardens of two beds");
    assert!(poured >= 60, "{table}");
    assert!(10 * found >= 9 * poured, "{table}");
    assert!(wrong <= gardens, "{table}");
}
