//! Shade and cover letters against the air that came.
//!
//! Due: the air reached the mark (32 °C by day while a fruit stands exposed; 3 °C in a night between setting out
//! and the first night that no such plant lives through). False: told, and the mark was missed by over 2 °C. What
//! was told and came within 2 °C is neither. Shade is in time until 10:30, cover an hour before the air is there.

use rindwatch::record::{MatterKey, Millis, Telling};

use super::play::{HOUR, Played, START_MS};
use super::score::Call;
use super::season_maker::{DAYS, PLANTED_DAY};

const DAY: Millis = 24 * HOUR;
/// Pollinated on 2 July.
const EXPOSED_FROM_DAY: u32 = 62;
const SHADE_C: f64 = 32.0;
const COVER_C: f64 = 3.0;
const MISSED_BY_C: f64 = 2.0;
/// Three hours at this kill.
const KILLING_C: f64 = -4.0;

/// One day, one call.
pub fn shade(played: &Played) -> Vec<(Millis, Call)> {
    let mut calls = Vec::new();
    for day in EXPOSED_FROM_DAY..DAYS {
        let from_ms = START_MS + Millis::from(day) * DAY;
        let highest_c = air(played, from_ms, from_ms + DAY).map(|(_, c)| c).fold(f64::MIN, f64::max);
        let told_ms = told(played, MatterKey::Shade, from_ms, from_ms + DAY);
        let in_time = |told_ms: Millis| told_ms <= from_ms + 10 * HOUR + HOUR / 2;
        match told_ms {
            Some(at_ms) if highest_c < SHADE_C - MISSED_BY_C => calls.push((at_ms, Call::False)),
            Some(at_ms) if highest_c >= SHADE_C => {
                calls.push((at_ms, if in_time(at_ms) { Call::InTime } else { Call::Late }));
            }
            None if highest_c >= SHADE_C => calls.push((from_ms, Call::Missed)),
            _ => {}
        }
    }
    calls
}

/// One night, one call.
pub fn cover(played: &Played) -> Vec<(Millis, Call)> {
    let mut calls = Vec::new();
    for day in PLANTED_DAY..DAYS - 1 {
        let from_ms = START_MS + Millis::from(day) * DAY + 14 * HOUR;
        let night = || air(played, from_ms, from_ms + 20 * HOUR);
        let lowest_c = night().map(|(_, c)| c).fold(f64::MAX, f64::min);
        let reached_ms = night().find(|(_, c)| *c <= COVER_C).map(|(at_ms, _)| at_ms);
        let told_ms = told(played, MatterKey::Cover, from_ms, from_ms + 20 * HOUR);
        match (told_ms, reached_ms) {
            (Some(at_ms), Some(reached_ms)) => {
                let in_time = at_ms + HOUR <= reached_ms;
                calls.push((at_ms, if in_time { Call::InTime } else { Call::Late }));
            }
            (None, Some(reached_ms)) => calls.push((reached_ms, Call::Missed)),
            (Some(at_ms), None) if lowest_c > COVER_C + MISSED_BY_C => calls.push((at_ms, Call::False)),
            _ => {}
        }
        if night().filter(|(_, c)| *c <= KILLING_C).count() >= 3 {
            break;
        }
    }
    calls
}

fn air(played: &Played, from_ms: Millis, to_ms: Millis) -> impl Iterator<Item = (Millis, f64)> {
    played.air_c.iter().copied().filter(move |(at_ms, _)| (from_ms + 1..=to_ms).contains(at_ms))
}

/// The first letter of a stretch that asks for it.
fn told(played: &Played, key: MatterKey, from_ms: Millis, to_ms: Millis) -> Option<Millis> {
    played
        .told(key)
        .find(|(at_ms, task)| (from_ms..to_ms).contains(at_ms) && task.telling != Telling::Withdrawn)
        .map(|(at_ms, _)| at_ms)
}
