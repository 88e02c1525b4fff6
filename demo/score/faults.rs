//! How long a probe could lie before it was called a liar.
//!
//! Named: its gear matter left its rest. Within: three usual gaps for a dead one (here
//! hourly: 3 h, and a quarter to be sure), 48 h for one that stands still; for the others no time is settled.

use rindwatch::record::{MatterKey, Millis, Stand};

use super::ailments::What;
use super::play::{HOUR, Played};

/// What became of one ailment.
pub struct Named {
    pub what: What,
    pub probe: &'static str,
    pub from_ms: Millis,
    /// Hours until it was named; `None` = never.
    pub after_h: Option<f64>,
    /// Hours it may take, where that is settled.
    pub within_h: Option<f64>,
}

/// All ailments that a probe can be blamed for.
pub fn named(played: &Played) -> Vec<Named> {
    let ailments = played.setup.ailments.iter().filter_map(|one| {
        let within_h = match one.what {
            What::Dies => Some(3.25),
            // Out of reach it cannot be told from dead.
            What::Buffers => Some(3.25),
            What::Sticks => Some(48.0),
            What::Creeps(_) | What::Loose(_) | What::Clogs | What::Sentinels => None,
            // Nothing is wrong with what is said twice, and a counter may restart.
            What::Doubles | What::Restarts | What::ClockLost => return None,
        };
        let from_ms = one.began_ms();
        let first = played.changes().find(|change| {
            change.matter == MatterKey::Gear
                && change.subject == one.probe
                && change.at_ms >= from_ms
                && matches!(change.to, Stand::Building | Stand::Standing)
        });
        let after_h = first.map(|change| (change.at_ms - from_ms) as f64 / HOUR as f64);
        Some(Named { what: one.what, probe: one.probe, from_ms, after_h, within_h })
    });
    ailments.collect()
}

/// Gear that was told of although nothing ailed it.
pub fn false_ones(played: &Played) -> Vec<(Millis, String)> {
    let ill = |subject: &str| {
        played.setup.ailments.iter().any(|one| {
            let blames = !matches!(one.what, What::Doubles | What::Restarts | What::ClockLost);
            blames && (one.probe == subject || subject.is_empty())
        })
    };
    played
        .changes()
        .filter(|change| change.matter == MatterKey::Gear && change.to == Stand::Standing)
        .filter(|change| !ill(&change.subject))
        .map(|change| (change.at_ms, format!("{}: {}", change.subject, change.why)))
        .collect()
}
