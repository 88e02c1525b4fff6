//! What only weeks and several wettings show: a wet mark that creeps, a deep probe that answers first.
//!
//! - *Creeps wet*: the level of the second night (00 to 06 h) after a soaking of 15 mm and more, noted for weeks.
//!   A sealed probe comes back to the same level each time; one that soaks at its cut edge reads wetter each time
//!   (common practice, no source). Over three weeks and four soakings: 0.03 m³/m³ beyond its noise, and twice what
//!   any other of the bed crept, is doubtful, 0.06 condemned (judgement).
//! - *Depth order*: water from above that reaches the deeper probe first, or it alone, three times of the last
//!   five: water runs down along the probe, or two probes are swapped. Doubtful (judgement).

use agronomy::quality;
use chrono::Timelike;
use serde::{Deserialize, Serialize};

use crate::record::{Millis, Rule};

use super::super::Trust;
use super::super::calendar::HOUR_MS;
use super::hourly::{Change, Seat};
use super::{Belief, Span};

/// A soaking, mm.
const SOAKING_MM: f64 = 15.0;
/// Levels kept of a probe.
const LEVELS: usize = 14;
/// Levels that are no soaking to the top lie so far under the highest, m³/m³.
const NEAR_TOP: f64 = 0.06;
/// Fewest levels and days to speak of a creep.
const FEWEST: (usize, f64) = (4, 20.0);
/// Creep that makes doubtful and that condemns, m³/m³.
const CREPT: (f64, f64) = (0.03, 0.06);
const DAY_MS: Millis = 24 * HOUR_MS;
/// Rises of so much are an answer to water, m³/m³: of the deeper probe, of the shallower.
const ANSWERS: (f64, f64) = (0.02, 0.01);
/// Hours that tell in which order two probes answered.
const ORDER_H: i64 = 6;

/// What is noted of a probe over weeks.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Notes {
    /// When, and the level of the second night after a soaking, m³/m³.
    pub levels: Vec<(Millis, f64)>,
    /// The last wettings: when, and whether it answered before the shallower probe.
    order: Vec<(Millis, bool)>,
}

impl Notes {
    /// Notes what this hour shows of the probe.
    pub fn note(&mut self, seat: Seat<'_>) {
        if let Some(level) = second_night(seat) {
            let now_ms = seat.scene.now_ms;
            if self.levels.last().is_none_or(|(at_ms, _)| now_ms - at_ms > 2 * DAY_MS) {
                if self.levels.len() == LEVELS {
                    self.levels.remove(0);
                }
                self.levels.push((now_ms, level));
            }
        }
        if let Some(first) = answered_first(seat) {
            let now_ms = seat.scene.now_ms;
            if self.order.last().is_none_or(|(at_ms, _)| now_ms - at_ms > DAY_MS / 2) {
                if self.order.len() == 5 {
                    self.order.remove(0);
                }
                self.order.push((now_ms, first));
            }
        }
    }

    /// From the first level to the last, if there are enough: the creep, and the levels at both ends.
    pub fn creep(&self) -> Option<(f64, f64)> {
        let highest = self.levels.iter().map(|(_, level)| *level).reduce(f64::max)?;
        let top = self.levels.iter().filter(|(_, level)| *level >= highest - NEAR_TOP - CREPT.1);
        let levels: Vec<(f64, f64)> =
            top.map(|(at_ms, level)| (*at_ms as f64 / DAY_MS as f64, *level)).collect();
        let creep = quality::creep(&levels).ok().flatten()?;
        let enough = levels.len() >= FEWEST.0 && creep.days >= FEWEST.1;
        (enough && creep.is_beyond_noise())
            .then(|| (creep.by(), levels.last().map_or(0.0, |(_, level)| *level)))
    }
}

/// The level of this night if it is the second one after a soaking, asked at six in the morning.
fn second_night(seat: Seat<'_>) -> Option<f64> {
    let now_ms = seat.scene.now_ms;
    if seat.scene.calendar.time(now_ms).hour() != 6 {
        return None;
    }
    let soaked = seat.water_mm(now_ms - 60 * HOUR_MS, now_ms - 30 * HOUR_MS)? >= SOAKING_MM;
    let since_dry = seat.water_mm(now_ms - 30 * HOUR_MS, now_ms)? < 2.0;
    (soaked && since_dry && !seat.scene.frozen(seat.bed, now_ms)).then(|| seat.mean(6, 0)).flatten()
}

/// Six hours after this probe answered water from above: whether the shallower one had not.
fn answered_first(seat: Seat<'_>) -> Option<bool> {
    let now_ms = seat.scene.now_ms;
    let depth_m = seat.probe.depth_m?;
    let shallower = seat
        .others()
        .filter(|other| other.probe.depth_m.is_some_and(|other| other <= depth_m - 0.05))
        .min_by(|a, b| a.probe.depth_m.unwrap_or(0.0).total_cmp(&b.probe.depth_m.unwrap_or(0.0)))?;
    let rose = seat.hour(ORDER_H - 1)? - seat.hour(ORDER_H + 1)?;
    let still_before = (seat.hour(ORDER_H + 1)? - seat.hour(ORDER_H + 3)?).abs() < 0.005;
    if rose < ANSWERS.0 || !still_before {
        return None;
    }
    let water_mm = seat.water_mm(now_ms - 30 * HOUR_MS, now_ms - (ORDER_H - 1) * HOUR_MS)?;
    if water_mm < 2.0 {
        return None;
    }
    // Up to the hour after this one's answer the shallower one had not risen.
    let until_ms = now_ms - (ORDER_H - 2) * HOUR_MS;
    let (mut lowest, mut rise) = (f64::INFINITY, 0.0);
    for (_, hour) in seat.scene.hours.range(shallower.ix, now_ms - 30 * HOUR_MS, until_ms) {
        lowest = hour.min.min(lowest);
        rise = (hour.max - lowest).max(rise);
    }
    (lowest.is_finite()).then_some(rise < ANSWERS.1)
}

/// What the notes change.
pub fn judge(seat: Seat<'_>, notes: &Notes, of_others: &[&Notes], belief: &Belief) -> Vec<Change> {
    let mut changes = Vec::new();
    let others = of_others.iter().filter_map(|notes| notes.creep()).map(|(by, _)| by).fold(0.0, f64::max);
    let now_ms = seat.scene.now_ms;
    match notes.creep() {
        Some((by, level)) if by >= CREPT.0 && by >= 2.0 * others => {
            let trust = if by >= CREPT.1 { Trust::Condemned } else { Trust::Doubtful };
            changes.push(Change::Doubt(Span {
                from_ms: now_ms,
                to_ms: None,
                trust,
                rule: Rule::CreepsWet,
                before: level - by,
                by,
                other: None,
            }));
        }
        _ if belief.lasting(Rule::CreepsWet).is_some() => {
            changes.push(Change::Clear(Rule::CreepsWet, now_ms, false));
        }
        _ => {}
    }
    let first = notes.order.iter().filter(|(_, first)| *first).count();
    let lasts = belief.lasting(Rule::DepthOrder).is_some();
    if first >= 3 && !lasts {
        let now = seat.hour(0).unwrap_or(0.0);
        changes.push(Change::Doubt(Span {
            from_ms: now_ms,
            to_ms: None,
            trust: Trust::Doubtful,
            rule: Rule::DepthOrder,
            before: now,
            by: 0.0,
            other: None,
        }));
    } else if first < 2 && lasts {
        changes.push(Change::Clear(Rule::DepthOrder, now_ms, false));
    }
    changes
}
