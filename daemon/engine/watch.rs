//! One probe under watch: its rhythm, its silence, values that stand still or cannot be.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::quantities::Quantity;
use crate::record::{Doubt, Millis, Reading};

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
    /// The probe goes by epochs of its own: moved or new battery at.
    pub touched_ms: Option<Millis>,
}

/// The largest step believed between two readings `minutes` apart, in the unit of the kind.
///
/// Soil temperature 5 °C in ten minutes (one-wire spikes: common practice, no source), and no more than
/// 8 °C however long within an hour; air 4 °C in ten minutes (from memory) up to 20 °C; soil moisture may
/// fall by 0.10 m³/m³ at most between readings (published step limit, Scientific Data 2025, s41597-025-05441-7,
/// table 4); a rise is water and always believed.
fn step_limit(quantity: Quantity, rise: bool, minutes: f64) -> Option<f64> {
    let tens = (minutes / 10.0).max(1.0);
    match quantity {
        Quantity::SoilTemperature => Some((5.0 * tens).min(8.0)),
        Quantity::AirTemperature => Some((4.0 * tens).min(20.0)),
        Quantity::SoilMoisture if !rise => Some(0.10),
        _ => None,
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
        // After a long silence anything plausible may be true.
        if apart_ms > 6 * HOUR_MS {
            self.step = None;
            return None;
        }
        let minutes = apart_ms as f64 / MINUTE_MS as f64;
        let limit = step_limit(quantity, reading.value > last, minutes)?;
        if (reading.value - last).abs() <= limit {
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

    /// A message of this probe could not be read.
    pub fn unreadable(&mut self, at_ms: Millis, why: &str) {
        self.hear(at_ms);
        push_bounded(&mut self.unreadable, at_ms);
        self.unreadable_why = why.to_owned();
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
        self.doubted.clear();
        self.unreadable.clear();
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
