//! One probe under watch: its rhythm, its silence, values that stand still or cannot be.

mod asked;
mod belief;
mod creeping;
mod hourly;
mod look;

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::quantities::Quantity;
use crate::record::{Doubt, Millis, Reading};

pub use belief::{Belief, Span, weight};
pub use creeping::Notes;

use super::calendar::{HOUR_MS, MINUTE_MS};

/// Gaps remembered to learn a probe's rhythm.
const GAPS: usize = 15;
/// Doubted and unreadable messages remembered, at most.
const DOUBTS: usize = 24;
/// Finished runs of one value that make the usual one.
const RUNS: u32 = 30;
/// The usual run before any was seen, readings.
const FIRST_RUN: f64 = 2.0;
/// So many steps in a row that agree with each other are a new level, not spikes.
const NEW_LEVEL: u8 = 3;
/// Soil moisture falls by no more than this between two readings at once, and over an hour or more, m³/m³.
const FALL: (f64, f64) = (0.10, 0.20);
/// What the electronics send exactly when they have nothing to say: one-wire thermometers 0.0 and -0.6 °C (common
/// practice, no source), a moisture probe without its wire 0. Soil and air come to such a value by small steps.
const NOTHING_C: [f64; 2] = [0.0, -0.6];
/// Further than this from the last believed value an exact nothing is none of the weather's, °C and m³/m³.
const NOTHING_STEP: (f64, f64) = (5.0, 0.05);
/// A fall to within this of where the soil stood before a leap is its end, m³/m³, and for so long.
const LEAP_ENDS: (f64, Millis) = (0.03, 24 * HOUR_MS);

/// What is remembered of a probe.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Watch {
    /// Last believed reading by its own time.
    pub last: Option<(Millis, f64)>,
    /// When anything of it last arrived.
    pub heard_ms: Option<Millis>,
    /// Gaps between arrivals, seconds, newest last.
    gaps_s: VecDeque<u32>,
    /// Since when the value is the very same, how many readings.
    pub same: Option<(Millis, u32)>,
    /// How many readings in a row its value usually stays the very same, over finished runs; a deep probe of
    /// coarse digits rests for days.
    usual_run: f64,
    /// Finished runs counted into it, at most [`RUNS`].
    runs: u32,
    /// Doubted values: when and what.
    pub doubted: VecDeque<(Millis, f64)>,
    /// Messages that could not be read: when.
    pub unreadable: VecDeque<Millis>,
    /// The reason of the last unreadable one.
    pub unreadable_why: String,
    /// A step that is waiting for others to agree: value and how many.
    step: Option<(f64, u8)>,
    /// When soil moisture last rose by more in one reading than it may fall, and what it was before.
    #[serde(default)]
    leap: Option<(Millis, f64)>,
    /// Since when the broker says that its node is gone.
    #[serde(default)]
    pub gone_ms: Option<Millis>,
    /// A flood: since when, last told of, and how much was not kept.
    #[serde(default)]
    pub flood: Option<(Millis, Millis, u32)>,
    /// The probe goes by epochs of its own: moved or new battery at.
    pub touched_ms: Option<Millis>,
    /// How far it was believed, and when.
    #[serde(default)]
    pub belief: Belief,
    /// What weeks and several wettings showed of it.
    #[serde(default)]
    pub notes: Notes,
}

/// The largest step believed between two readings `minutes` apart, in the unit of the kind.
///
/// Soil temperature 5 °C in ten minutes (one-wire spikes: common practice, no source), and no more than
/// 8 °C however long within an hour; air 4 °C in ten minutes (from memory) up to 20 °C; soil moisture may
/// fall by 0.10 m³/m³ at most between readings (published step limit, Scientific Data 2025, s41597-025-05441-7,
/// table 4), and where they lie an hour apart by 0.20 (judgement: thawed ground that freezes or drains fell by
/// 0.11 in a measured hour); a rise is water and always believed.
fn step_limit(quantity: Quantity, rise: bool, minutes: f64) -> Option<f64> {
    let tens = (minutes / 10.0).max(1.0);
    match quantity {
        Quantity::SoilTemperature => Some((5.0 * tens).min(8.0)),
        Quantity::AirTemperature => Some((4.0 * tens).min(20.0)),
        Quantity::SoilMoisture if !rise => Some((FALL.0 * minutes / 30.0).clamp(FALL.0, FALL.1)),
        _ => None,
    }
}

/// The value is exactly what a sensor sends that has nothing to say, and not where `last` was near.
fn says_nothing(quantity: Quantity, value: f64, last: f64) -> bool {
    match quantity {
        Quantity::SoilTemperature | Quantity::AirTemperature => {
            NOTHING_C.contains(&value) && (value - last).abs() > NOTHING_STEP.0
        }
        Quantity::SoilMoisture => value == 0.0 && last > NOTHING_STEP.1,
        _ => false,
    }
}

impl Watch {
    /// Takes a reading that intake believed or doubted; says whether it is believed now.
    pub fn take(&mut self, quantity: Quantity, reading: &Reading) -> Option<Doubt> {
        if reading.doubt != Some(Doubt::Retained) {
            // The broker's kept value says nothing of the probe: it may be dead for weeks.
            self.hear(reading.arrived_ms);
        }
        let doubt = reading.doubt.or_else(|| self.judge_step(quantity, reading));
        if let Some(doubt) = doubt {
            // A kept value after our start, or one of unknown time, is nobody's fault.
            if !matches!(doubt, Doubt::Retained | Doubt::ClockUnsure | Doubt::PossibleRepeat) {
                self.doubt(reading);
            }
            return Some(doubt);
        }
        if self.last.is_none_or(|(last_ms, _)| reading.at_ms >= last_ms) {
            let before = self.last.filter(|(_, last)| reading.value - last > FALL.0);
            if let (Quantity::SoilMoisture, Some((_, last))) = (quantity, before) {
                self.leap = Some((reading.at_ms, last));
            }
            self.same = match (self.last, self.same) {
                (Some((_, value)), Some((since, n))) if value == reading.value => {
                    Some((since, n.saturating_add(1)))
                }
                (_, run) => {
                    self.count_run(run.map_or(0, |(_, n)| n));
                    Some((reading.at_ms, 1))
                }
            };
            self.last = Some((reading.at_ms, reading.value));
        }
        None
    }

    /// Counts a reading that is not believed.
    pub fn doubt(&mut self, reading: &Reading) {
        push_bounded(&mut self.doubted, (reading.arrived_ms, reading.value));
    }

    fn count_run(&mut self, n: u32) {
        if n == 0 {
            return;
        }
        let usual = self.usual_run();
        self.runs = (self.runs + 1).min(RUNS);
        self.usual_run = usual + (f64::from(n) - usual) / f64::from(self.runs + 1);
    }

    /// How many readings in a row its value usually stays the same.
    pub fn usual_run(&self) -> f64 {
        if self.runs == 0 { FIRST_RUN } else { self.usual_run }
    }

    fn hear(&mut self, arrived_ms: Millis) {
        self.gone_ms = None;
        if let Some(heard_ms) = self.heard_ms {
            let gap_s = u32::try_from((arrived_ms - heard_ms) / 1000).unwrap_or(0);
            // Several values at once are one message or a drained queue, not a rhythm.
            if gap_s >= 5 {
                if self.gaps_s.len() == GAPS {
                    self.gaps_s.pop_front();
                }
                self.gaps_s.push_back(gap_s);
            }
        }
        self.heard_ms = Some(arrived_ms);
    }

    fn judge_step(&mut self, quantity: Quantity, reading: &Reading) -> Option<Doubt> {
        let (last_ms, last) = self.last?;
        let apart_ms = (reading.at_ms - last_ms).abs();
        // After a long silence anything plausible may be true; a probe that goes on saying nothing is not silent.
        let said_nothing = self.doubted.back().is_some_and(|(at_ms, value)| {
            *value == reading.value && reading.arrived_ms - at_ms <= 6 * HOUR_MS
        });
        if apart_ms > 6 * HOUR_MS && !(said_nothing && says_nothing(quantity, reading.value, last)) {
            self.step = None;
            return None;
        }
        if says_nothing(quantity, reading.value, last) {
            self.step = None;
            return Some(Doubt::Sentinel);
        }
        let minutes = apart_ms as f64 / MINUTE_MS as f64;
        let limit = step_limit(quantity, reading.value > last, minutes)?;
        if (reading.value - last).abs() <= limit || self.ends_leap(reading) {
            self.step = None;
            return None;
        }
        let agreeing = match self.step {
            Some((value, n)) if (reading.value - value).abs() <= limit => n + 1,
            _ => 1,
        };
        if agreeing >= NEW_LEVEL {
            self.step = None;
            return None;
        }
        self.step = Some((reading.value, agreeing));
        Some(Doubt::Step)
    }

    /// The reading is back where the soil stood before a leap of less than a day ago: it was no water, and
    /// what comes after it is as good as what came before.
    fn ends_leap(&self, reading: &Reading) -> bool {
        self.leap.is_some_and(|(at_ms, before)| {
            reading.at_ms - at_ms <= LEAP_ENDS.1 && (reading.value - before).abs() <= LEAP_ENDS.0
        })
    }

    /// A message of this probe could not be read.
    pub fn unreadable(&mut self, at_ms: Millis, why: &str) {
        self.hear(at_ms);
        push_bounded(&mut self.unreadable, at_ms);
        self.unreadable_why = why.to_owned();
    }

    /// So much of it was not kept.
    pub fn flood(&mut self, at_ms: Millis, count: u32) {
        let (since_ms, _, before) = self.flood_at(at_ms).unwrap_or((at_ms, at_ms, 0));
        self.flood = Some((since_ms, at_ms, before.saturating_add(count)));
    }

    /// The flood that goes on, or was over less than an hour ago.
    pub fn flood_at(&self, now_ms: Millis) -> Option<(Millis, Millis, u32)> {
        self.flood.filter(|(_, last_ms, _)| now_ms - last_ms < HOUR_MS)
    }

    /// Its usual gap, seconds: as the settings say, else the median of those seen, else that of its kind.
    pub fn usual_gap_s(&self, stated_s: Option<u32>, quantity: Quantity) -> u32 {
        if let Some(stated_s) = stated_s {
            return stated_s.max(1);
        }
        if self.gaps_s.len() < 3 {
            return quantity.kind().usual_gap_s;
        }
        let mut sorted: Vec<u32> = self.gaps_s.iter().copied().collect();
        sorted.sort_unstable();
        sorted[sorted.len() / 2]
    }

    /// After how long without a word it counts as missing: three usual gaps, one hour at least, a day at
    /// most (score of the settled rules).
    pub fn patience_ms(&self, stated_s: Option<u32>, quantity: Quantity) -> Millis {
        (Millis::from(self.usual_gap_s(stated_s, quantity)) * 3000).clamp(HOUR_MS, 24 * HOUR_MS)
    }

    /// Doubted values of the last 24 h.
    pub fn doubted_since(&self, from_ms: Millis) -> usize {
        self.doubted.iter().filter(|(at, _)| *at >= from_ms).count()
    }

    /// Unreadable messages since.
    pub fn unreadable_since(&self, from_ms: Millis) -> usize {
        self.unreadable.iter().filter(|at| **at >= from_ms).count()
    }

    /// The grower moved it, or gave it a battery: its past says nothing any more.
    pub fn start_anew(&mut self, at_ms: Millis) {
        self.same = None;
        self.step = None;
        self.leap = None;
        self.doubted.clear();
        self.unreadable.clear();
        self.belief.end_all(at_ms);
        self.notes = Notes::default();
        self.touched_ms = Some(at_ms);
    }
}

fn push_bounded<T>(queue: &mut VecDeque<T>, item: T) {
    if queue.len() == DOUBTS {
        queue.pop_front();
    }
    queue.push_back(item);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::ProbeIx;

    fn reading(minute: i64, value: f64) -> Reading {
        let at_ms = minute * MINUTE_MS;
        Reading { probe: ProbeIx(0), at_ms, arrived_ms: at_ms, value, own_time: true, doubt: None }
    }

    #[test]
    fn a_spike_is_doubted_and_the_next_good_one_is_not() {
        let mut watch = Watch::default();
        let doubts: Vec<_> = [(0, 18.0), (10, 40.0), (20, 18.2)]
            .map(|(minute, value)| watch.take(Quantity::SoilTemperature, &reading(minute, value)))
            .to_vec();
        assert_eq!(doubts, [None, Some(Doubt::Step), None]);
    }

    #[test]
    fn a_probe_that_was_moved_is_believed_at_its_third_word() {
        let mut watch = Watch::default();
        let doubts: Vec<_> = [(0, 18.0), (10, 30.0), (20, 30.1), (30, 30.2), (40, 30.1)]
            .map(|(minute, value)| watch.take(Quantity::SoilTemperature, &reading(minute, value)))
            .to_vec();
        assert_eq!(doubts, [None, Some(Doubt::Step), Some(Doubt::Step), None, None]);
    }

    #[test]
    fn water_may_rise_as_fast_as_it_likes() {
        let mut watch = Watch::default();
        assert_eq!(watch.take(Quantity::SoilMoisture, &reading(0, 0.15)), None);
        assert_eq!(watch.take(Quantity::SoilMoisture, &reading(5, 0.42)), None);
        assert_eq!(watch.take(Quantity::SoilMoisture, &reading(10, 0.05)), Some(Doubt::Step));
    }

    /// Met in a measured winter: a probe read 45 % for twenty hours, then 4.9 % as before, and the first two
    /// good readings after it were doubted.
    #[test]
    fn the_end_of_a_false_plateau_is_believed_at_once() {
        let plateau = |hours: i64| {
            let mut watch = Watch::default();
            let mut hourly = |hour, value| watch.take(Quantity::SoilMoisture, &reading(60 * hour, value));
            assert_eq!(hourly(0, 0.048), None);
            assert!((1..=hours).all(|hour| hourly(hour, 0.45).is_none()));
            [hourly(hours + 1, 0.049), hourly(hours + 2, 0.05)]
        };
        assert_eq!(plateau(20), [None, None]);
        assert_eq!(plateau(30), [Some(Doubt::Step); 2], "after more than a day the plateau is the soil");
    }

    /// Met in a measured winter: thawed ground fell from 42.3 to 31.8 % in an hour, and from 40.4 to 29.0 %,
    /// and stayed there; the first two readings of each fall were doubted.
    #[test]
    fn an_hour_brings_more_than_a_few_minutes() {
        for (minutes, doubt) in [(60, None), (10, Some(Doubt::Step))] {
            let mut watch = Watch::default();
            assert_eq!(watch.take(Quantity::SoilMoisture, &reading(0, 0.404)), None);
            assert_eq!(watch.take(Quantity::SoilMoisture, &reading(minutes, 0.29)), doubt);
        }
    }

    #[test]
    fn patience_is_three_usual_gaps_within_an_hour_and_a_day() {
        let mut watch = Watch::default();
        for minute in 0..20 {
            watch.take(Quantity::SoilMoisture, &reading(minute * 30, 0.3));
        }
        assert_eq!(watch.usual_gap_s(None, Quantity::SoilMoisture), 1800);
        assert_eq!(watch.patience_ms(None, Quantity::SoilMoisture), 90 * MINUTE_MS);
        assert_eq!(watch.patience_ms(Some(60), Quantity::SoilMoisture), HOUR_MS);
    }
}
