//! How long a probe could lie before it was called a liar.
//!
//! Named: its gear matter left its rest. Within: three usual gaps for a dead one (here
//! hourly: 3 h, and a quarter to be sure), 48 h for one that stands still. Two have a second clock, since nobody can know
//! of them before there is anything to see: a clogged gauge from the hour by which 10 mm of rain within twelve hours had
//! fallen past it, a creeping probe from when it was off by 0.03 m³/m³, which is what two sound ones may differ by. Both
//! hours stand in the table. Within: three days, and a fortnight, by that clock (judgement).

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
    /// The same since there was anything to see, and since when that is in words, where it is later.
    pub seen_after_h: Option<f64>,
    pub seen: &'static str,
    /// Hours it may take since there was anything to see, where that is settled.
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
            What::Clogs => Some(72.0),
            What::Creeps(_) => Some(14.0 * 24.0),
            What::Loose(_) | What::Sentinels => None,
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
        let (seen_ms, seen) = first_seen(played, one.what, from_ms);
        let late_h = (seen_ms - from_ms) as f64 / HOUR as f64;
        let seen_after_h = after_h.map(|after_h| after_h - late_h);
        Some(Named { what: one.what, probe: one.probe, from_ms, after_h, seen_after_h, seen, within_h })
    });
    ailments.collect()
}

/// Rain within twelve hours that the soil shows, mm.
const MISSED_MM: f64 = 10.0;
/// Off by this a probe can be told from a sound one, m³/m³.
const OFF: f64 = 0.03;

/// Since when there was anything to see of an ailment, with words where that is later than its beginning.
fn first_seen(played: &Played, what: What, from_ms: Millis) -> (Millis, &'static str) {
    let hours = || played.truth[0].iter().filter(|hour| hour.at_ms > from_ms);
    match what {
        What::Clogs => {
            let past_mm = |to_ms: Millis| -> f64 {
                let last = hours().filter(|hour| (to_ms - 12 * HOUR + 1..=to_ms).contains(&hour.at_ms));
                last.map(|hour| hour.rain_mm).sum()
            };
            let seen = hours().find(|hour| past_mm(hour.at_ms) >= MISSED_MM);
            let never_ms = hours().next_back().map_or(from_ms, |hour| hour.at_ms);
            (seen.map_or(never_ms, |hour| hour.at_ms), "since 10 mm of rain fell past it")
        }
        What::Creeps(a_day) => {
            (from_ms + (OFF / a_day * 24.0) as Millis * HOUR, "since it was off by 0.03 m3/m3")
        }
        _ => (from_ms, ""),
    }
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
