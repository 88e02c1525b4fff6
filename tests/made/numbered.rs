//! Seasons by number: twelve of every kind from a first seed on.

use super::grower::Kind;
use super::play::{Sensors, Setup, Soil};

/// Twelve seasons: growers of every kind, both soils in both beds, leaves from half to two and a half times the
/// roots, usual, hot and dry, cool and wet weather.
pub fn setups(first_seed: u64, sensors: Sensors) -> Vec<Setup> {
    let leafed = [0.5, 1.0, 1.5, 2.0, 2.5];
    let kinds = [
        Kind::Diligent,
        Kind::Silent,
        Kind::Partly(0.5),
        Kind::Routine { share: 0.5 },
        Kind::Forgets,
        Kind::Diligent,
    ];
    (0..12)
        .map(|at| {
            let mut setup = Setup::new(first_seed + at as u64, sensors);
            setup.grower = kinds[at % kinds.len()];
            setup.leafed = [leafed[at % 5], leafed[(at + 2) % 5]];
            if at % 2 == 1 {
                setup.soils = [Soil::SandyLoam, Soil::SiltLoam];
            }
            if at % 6 == 5 {
                setup.windows = vec![[17, 21]];
            }
            (setup.warmer_c, setup.wetter) = [(0.0, 1.0), (2.0, 0.6), (-1.0, 1.6)][at % 3];
            setup
        })
        .collect()
}
