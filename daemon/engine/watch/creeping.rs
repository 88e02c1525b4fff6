//! What only weeks and several wettings show: a wet mark that creeps, a deep probe that answers first.
//!
//! - *Creeps wet*: the level of the second night (00 to 06 h) after a soaking of 15 mm and more, noted for weeks.
//!   A sealed probe comes back to the same level each time; one that soaks at its cut edge reads wetter each time
//!   (common practice, no source). Over three weeks and four soakings: 0.03 m³/m³ beyond its noise, and twice what
//!   any other of the bed crept, is doubtful, 0.06 condemned (judgement).
//! - The same against the *season*: a great rain leaves every probe wetter in the second night, the more the slower its
//!   soil drains. So where others of the patch were soaked with it and as much, a probe creeps by what it stands above
//!   its own usual level, and above the highest of a fortnight ago and more after half as much water at least, beyond the
//!   most that any of them does: the lesser of the two. 0.022 m³/m³ is doubtful, 0.026 condemned (judgement; sound probes
//!   of 120 made seasons stood 0.021 beyond the others at most, in 2,266 nights; by the usual level alone 0.032, and two
//!   were blamed). One soaking is enough for that; without 0.02 of it, and of the highest level, no creep of the first
//!   kind counts. It is doubted no longer when a later soaking finds it within 0.01.
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
/// Above the others of the patch: doubtful, condemned, and least that goes with a creep over weeks, m³/m³.
const BEYOND: (f64, f64, f64) = (0.022, 0.026, 0.02);
/// It is one of them again, m³/m³.
const AMONG: f64 = 0.01;
/// Earlier levels that make a usual one.
const USUAL_LEVELS: usize = 3;
/// The same soaking: so much of the water at least, to tell a creep by it and to hold it against one.
const SAME_SOAKING: (f64, f64) = (0.8, 0.4);
/// The highest level is one of so long ago, since what has crept up lately is no measure, and after so much of the water.
const CREEPS_ON_MS: Millis = 14 * DAY_MS;
const LIKE_SOAKING: f64 = 0.5;
/// Nights no further apart than this are the same.
const SAME_NIGHT_MS: Millis = 12 * HOUR_MS;
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
    /// The water of the soaking before each of the last levels, mm.
    #[serde(default)]
    soaked_mm: Vec<f64>,
    /// The last wettings: when, and whether it answered before the shallower probe.
    order: Vec<(Millis, bool)>,
}

/// A level after a soaking beside those before it.
#[derive(Debug, Clone, Copy)]
struct Stood {
    at_ms: Millis,
    level: f64,
    /// The water before it, mm.
    soaked_mm: f64,
    /// Above the usual one, and above the highest of a fortnight ago after half as much water, m³/m³.
    above: [f64; 2],
}

impl Notes {
    /// Notes what this hour shows of the probe.
    pub fn note(&mut self, seat: Seat<'_>) {
        if let Some((level, soaked_mm)) = second_night(seat) {
            let now_ms = seat.scene.now_ms;
            if self.levels.last().is_none_or(|(at_ms, _)| now_ms - at_ms >= 2 * DAY_MS) {
                if self.levels.len() == LEVELS {
                    self.levels.remove(0);
                }
                self.levels.push((now_ms, level));
                if self.soaked_mm.len() >= self.levels.len() {
                    self.soaked_mm.remove(0);
                }
                self.soaked_mm.push(soaked_mm);
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

    /// How the level after each soaking stood to those before it.
    fn stood(&self) -> impl DoubleEndedIterator<Item = Stood> + '_ {
        let unknown = self.levels.len() - self.soaked_mm.len().min(self.levels.len());
        // Of levels noted before their water was, it is not known.
        let soaked_mm =
            move |at: usize| at.checked_sub(unknown).and_then(|at| self.soaked_mm.get(at)).copied();
        (unknown..self.levels.len()).filter_map(move |at| {
            let (before, (at_ms, level)) = (self.levels.get(..at)?, *self.levels.get(at)?);
            let mm = soaked_mm(at)?;
            let mut sorted: Vec<f64> = before.iter().map(|(_, level)| *level).collect();
            sorted.sort_by(f64::total_cmp);
            let usual = *sorted.get(sorted.len() / 2).filter(|_| sorted.len() >= USUAL_LEVELS)?;
            let old = before.iter().enumerate().filter(|(_, (old_ms, _))| at_ms - old_ms >= CREEPS_ON_MS);
            let like = |at: usize| soaked_mm(at).is_none_or(|old_mm| old_mm >= LIKE_SOAKING * mm);
            let highest = |all: bool| {
                let of = old.clone().filter(|(at, _)| all || like(*at));
                of.map(|(_, (_, level))| *level).reduce(f64::max)
            };
            let highest = highest(false).or_else(|| highest(true))?;
            Some(Stood { at_ms, level, soaked_mm: mm, above: [level - usual, level - highest] })
        })
    }

    /// By how much the level after the last soaking that others of the patch had too stood above its usual and its
    /// highest one, beyond the most that any of theirs did, the lesser of the two; with the level.
    fn beyond(&self, patch: &[&Notes], as_much: f64) -> Option<(f64, f64)> {
        let last = self.stood().next_back()?;
        let same = |other: &Stood| {
            (last.at_ms - other.at_ms).abs() <= SAME_NIGHT_MS && other.soaked_mm >= as_much * last.soaked_mm
        };
        let others: Vec<Stood> = patch.iter().filter_map(|other| other.stood().rfind(same)).collect();
        // One that was mended stands under its own usual level, and says nothing of the season.
        let most = |of: fn(&Stood) -> f64| others.iter().map(of).reduce(f64::max).map(|most| most.max(0.0));
        let [usual, highest] = last.above;
        let by = (usual - most(|other| other.above[0])?).min(highest - most(|other| other.above[1])?);
        Some((by, last.level))
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

/// The level of this night if it is the second one after a soaking, asked at six in the morning; and the water of that.
fn second_night(seat: Seat<'_>) -> Option<(f64, f64)> {
    let now_ms = seat.scene.now_ms;
    if seat.scene.calendar.time(now_ms).hour() != 6 {
        return None;
    }
    let soaked_mm = seat.water_mm(now_ms - 60 * HOUR_MS, now_ms - 30 * HOUR_MS)?;
    let since_dry = seat.water_mm(now_ms - 30 * HOUR_MS, now_ms)? < 2.0;
    let asks = soaked_mm >= SOAKING_MM && since_dry && !seat.scene.frozen(seat.bed, now_ms);
    Some((seat.mean(6, 0).filter(|_| asks)?, soaked_mm))
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
pub fn judge(
    seat: Seat<'_>,
    notes: &Notes,
    (of_others, of_patch): (&[&Notes], &[&Notes]),
    belief: &Belief,
) -> Vec<Change> {
    let mut changes = Vec::new();
    let others = of_others.iter().filter_map(|notes| notes.creep()).map(|(by, _)| by).fold(0.0, f64::max);
    let now_ms = seat.scene.now_ms;
    let beyond = notes.beyond(of_patch, SAME_SOAKING.0);
    let lasting = belief.lasting(Rule::CreepsWet);
    let over_weeks = notes.creep().filter(|(by, _)| {
        *by >= CREPT.0
            && *by >= 2.0 * others
            && notes.stood().next_back().is_none_or(|stood| stood.above[1] >= BEYOND.2)
            && notes.beyond(of_patch, SAME_SOAKING.1).is_none_or(|(by, _)| by >= BEYOND.2)
    });
    let over_weeks = over_weeks.map(|(by, level)| (by, level, by >= CREPT.1));
    let beyond_now = beyond.filter(|(by, _)| *by >= BEYOND.0);
    let beyond_now = beyond_now.map(|(by, level)| (by, level, by >= BEYOND.1));
    let condemns = |crept: &(f64, f64, bool)| crept.2;
    let crept = over_weeks.filter(condemns).or(beyond_now.filter(condemns)).or(over_weeks).or(beyond_now);
    match crept {
        Some((by, level, condemns)) => {
            // One that was condemned stays so until it is found among the others.
            let condemned = condemns || lasting.is_some_and(|span| span.trust == Trust::Condemned);
            let trust = if condemned { Trust::Condemned } else { Trust::Doubtful };
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
        // Without a soaking shared with others nothing new is known of one that stood above them.
        None if lasting.is_some() && beyond.is_none_or(|(by, _)| by <= AMONG) => {
            changes.push(Change::Clear(Rule::CreepsWet, now_ms, false));
        }
        None => {}
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
