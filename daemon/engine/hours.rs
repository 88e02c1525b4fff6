//! Hourly sums per probe over the last fifteen days: what every day, forecast and judgement is made of.
//!
//! A late reading goes to its own hour; the days made of that hour are then derived anew.

use std::collections::{BTreeSet, VecDeque};

use serde::{Deserialize, Serialize};

use crate::record::Millis;

use super::HOURS_KEPT_MS;
use super::calendar::HOUR_MS;

/// Believed readings of one probe in one civil hour.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Hour {
    /// How many.
    pub n: u32,
    /// Their sum; for rain the millimetres of the hour.
    pub sum: f64,
    /// Lowest.
    pub min: f64,
    /// Highest.
    pub max: f64,
    /// The latest by its own time.
    pub last: f64,
    /// When that was.
    pub last_at_ms: Millis,
    /// Part of the sum is a guess: rain of a gap, spread over it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub guessed: bool,
}

impl Hour {
    fn add(&mut self, value: f64, amount: f64, at_ms: Millis) {
        if self.n == 0 {
            (self.min, self.max) = (value, value);
        }
        self.n = self.n.saturating_add(1);
        self.sum += amount;
        self.min = self.min.min(value);
        self.max = self.max.max(value);
        if at_ms >= self.last_at_ms {
            (self.last, self.last_at_ms) = (value, at_ms);
        }
    }

    /// Mean of the hour.
    pub fn mean(&self) -> f64 {
        self.sum / f64::from(self.n.max(1))
    }
}

/// The hours of all probes.
#[derive(Debug, Clone, Default)]
pub struct Hours {
    /// Per probe, in the order of time.
    probes: Vec<VecDeque<(Millis, Hour)>>,
    /// Starts of hours touched since the last save.
    touched: BTreeSet<Millis>,
    /// The newest hour start seen.
    newest_ms: Millis,
}

impl Hours {
    /// Empty hours for so many probes.
    pub fn new(probes: usize) -> Self {
        Self { probes: vec![VecDeque::new(); probes], touched: BTreeSet::new(), newest_ms: Millis::MIN }
    }

    /// Adds a believed reading to the hour that starts at `start_ms`. `amount` is what the sum grows by:
    /// the value itself, for rain the millimetres it stands for. Hours older than [`HOURS_KEPT_MS`] are
    /// not kept; then `false`.
    pub fn add(&mut self, probe: usize, start_ms: Millis, value: f64, amount: f64, at_ms: Millis) -> bool {
        if start_ms > self.newest_ms {
            self.newest_ms = start_ms;
            self.drop_old();
        }
        if start_ms < self.newest_ms - HOURS_KEPT_MS {
            return false;
        }
        let Some(hours) = self.probes.get_mut(probe) else { return false };
        match hours.back_mut() {
            Some((start, hour)) if *start == start_ms => {
                hour.add(value, amount, at_ms);
                if hour.n > 1 && start_ms == self.newest_ms {
                    return true; // the newest hour stays touched until a later one begins
                }
            }
            Some((start, _)) if *start > start_ms => {
                let place = hours.partition_point(|(start, _)| *start < start_ms);
                match hours.get_mut(place) {
                    Some((start, hour)) if *start == start_ms => hour.add(value, amount, at_ms),
                    _ => {
                        let mut hour = Hour::default();
                        hour.add(value, amount, at_ms);
                        hours.insert(place, (start_ms, hour));
                    }
                }
            }
            _ => {
                let mut hour = Hour::default();
                hour.add(value, amount, at_ms);
                hours.push_back((start_ms, hour));
            }
        }
        self.touched.insert(start_ms);
        true
    }

    /// Adds rain that fell some time in a gap to an hour in it, where no reading stands for it; a guess. An hour
    /// that is no longer kept takes none.
    pub fn add_guess(&mut self, probe: usize, start_ms: Millis, amount: f64) {
        if start_ms < self.newest_ms - HOURS_KEPT_MS {
            return;
        }
        let Some(hours) = self.probes.get_mut(probe) else { return };
        let place = hours.partition_point(|(start, _)| *start < start_ms);
        if hours.get(place).is_none_or(|(start, _)| *start != start_ms) {
            hours.insert(place, (start_ms, Hour::default()));
        }
        if let Some((_, hour)) = hours.get_mut(place) {
            hour.sum += amount;
            // That none fell is known.
            hour.guessed |= amount != 0.0;
        }
        self.touched.insert(start_ms);
    }

    /// Some of the rain in the hours that start in `from_ms..to_ms` is a guess.
    pub fn is_guessed(&self, probe: usize, from_ms: Millis, to_ms: Millis) -> bool {
        self.range(probe, from_ms, to_ms).any(|(_, hour)| hour.guessed)
    }

    /// Start of the newest hour.
    pub fn newest_ms(&self) -> Millis {
        self.newest_ms
    }

    /// Forgets the hours that start after `now_ms`.
    pub fn forget_after(&mut self, now_ms: Millis) {
        for hours in &mut self.probes {
            hours.retain(|(start, _)| *start <= now_ms);
        }
        self.touched.retain(|start| *start <= now_ms);
        let newest = self.probes.iter().filter_map(|hours| hours.back()).map(|(start, _)| *start);
        self.newest_ms = newest.max().unwrap_or(Millis::MIN);
    }

    fn drop_old(&mut self) {
        let oldest = self.newest_ms - HOURS_KEPT_MS;
        for hours in &mut self.probes {
            while hours.front().is_some_and(|(start, _)| *start < oldest) {
                hours.pop_front();
            }
        }
    }

    /// Hours of a probe that start in `from_ms..to_ms`, in the order of time.
    pub fn range(
        &self,
        probe: usize,
        from_ms: Millis,
        to_ms: Millis,
    ) -> impl DoubleEndedIterator<Item = &(Millis, Hour)> {
        let hours = self.probes.get(probe);
        let (first, end) = hours.map_or((0, 0), |hours| {
            (
                hours.partition_point(|(start, _)| *start < from_ms),
                hours.partition_point(|(start, _)| *start < to_ms),
            )
        });
        hours.into_iter().flat_map(move |hours| hours.range(first..end.max(first)))
    }

    /// Mean over the hours that start in `from_ms..to_ms`, each hour weighing the same; `None` without any.
    pub fn mean(&self, probe: usize, from_ms: Millis, to_ms: Millis) -> Option<f64> {
        let (mut sum, mut n) = (0.0, 0.0);
        for (_, hour) in self.range(probe, from_ms, to_ms) {
            sum += hour.mean();
            n += 1.0;
        }
        (n > 0.0).then(|| sum / n)
    }

    /// Lowest and highest reading in the hours that start in `from_ms..to_ms`.
    pub fn extremes(&self, probe: usize, from_ms: Millis, to_ms: Millis) -> Option<(f64, f64)> {
        self.range(probe, from_ms, to_ms).fold(None, |known, (_, hour)| {
            let (low, high) = known.unwrap_or((hour.min, hour.max));
            Some((low.min(hour.min), high.max(hour.max)))
        })
    }

    /// Sum over the hours that start in `from_ms..to_ms`; `None` without any.
    pub fn sum(&self, probe: usize, from_ms: Millis, to_ms: Millis) -> Option<f64> {
        self.range(probe, from_ms, to_ms).fold(None, |sum, (_, hour)| Some(sum.unwrap_or(0.0) + hour.sum))
    }

    /// How many of the hours in `from_ms..to_ms` hold a reading.
    pub fn present(&self, probe: usize, from_ms: Millis, to_ms: Millis) -> usize {
        self.range(probe, from_ms, to_ms).filter(|(_, hour)| hour.n > 0).count()
    }

    /// The last value of the newest hour that starts in `from_ms..to_ms`.
    pub fn last(&self, probe: usize, from_ms: Millis, to_ms: Millis) -> Option<(Millis, f64)> {
        self.range(probe, from_ms, to_ms).next_back().map(|(_, hour)| (hour.last_at_ms, hour.last))
    }

    /// Hours touched since the last call, as start and JSON of `(probe name, hour)` pairs.
    pub fn take_touched(&mut self, names: &[String]) -> Vec<(Millis, String)> {
        let touched = std::mem::take(&mut self.touched);
        // The newest hour still fills after a save; it counts as touched until a later one begins.
        self.touched.extend(touched.iter().copied().filter(|start| *start >= self.newest_ms));
        touched
            .into_iter()
            .map(|start| {
                let hours: Vec<(&String, Hour)> = names
                    .iter()
                    .enumerate()
                    .filter_map(|(probe, name)| {
                        let (_, hour) = self.range(probe, start, start + 1).next()?;
                        Some((name, *hour))
                    })
                    .collect();
                (start, serde_json::to_string(&hours).unwrap_or_default())
            })
            .collect()
    }

    /// Puts one saved hour back; names that the settings no longer hold are dropped.
    pub fn put_back(
        &mut self,
        start_ms: Millis,
        json: &str,
        names: &[String],
    ) -> Result<(), serde_json::Error> {
        let hours: Vec<(String, Hour)> = serde_json::from_str(json)?;
        self.newest_ms = self.newest_ms.max(start_ms);
        for (name, hour) in hours {
            let Some(probe) = names.iter().position(|known| *known == name) else { continue };
            let Some(kept) = self.probes.get_mut(probe) else { continue };
            let place = kept.partition_point(|(start, _)| *start < start_ms);
            kept.insert(place, (start_ms, hour));
        }
        self.touched.insert(start_ms);
        self.touched.retain(|start| *start >= self.newest_ms);
        Ok(())
    }

    /// How many whole hours lie in `from_ms..to_ms`.
    pub fn whole(from_ms: Millis, to_ms: Millis) -> usize {
        usize::try_from((to_ms - from_ms) / HOUR_MS).unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_late_reading_goes_to_its_own_hour() {
        let mut hours = Hours::new(1);
        assert!(hours.add(0, 10 * HOUR_MS, 1.0, 1.0, 10 * HOUR_MS));
        assert!(hours.add(0, 12 * HOUR_MS, 3.0, 3.0, 12 * HOUR_MS));
        assert!(hours.add(0, 11 * HOUR_MS, 2.0, 2.0, 11 * HOUR_MS + 5));
        let starts: Vec<_> = hours.range(0, 0, 100 * HOUR_MS).map(|(start, _)| *start / HOUR_MS).collect();
        assert_eq!(starts, [10, 11, 12]);
        assert_eq!(hours.mean(0, 0, 100 * HOUR_MS), Some(2.0));
        assert_eq!(hours.extremes(0, 0, 100 * HOUR_MS), Some((1.0, 3.0)));
    }

    #[test]
    fn hours_beyond_fifteen_days_are_not_kept() {
        let mut hours = Hours::new(1);
        hours.add(0, 400 * HOUR_MS, 1.0, 1.0, 0);
        assert!(!hours.add(0, 400 * HOUR_MS - HOURS_KEPT_MS - HOUR_MS, 1.0, 1.0, 0));
    }

    #[test]
    fn an_hour_that_fills_after_a_save_is_saved_again() {
        let mut hours = Hours::new(1);
        hours.add(0, 0, 1.0, 1.0, 1);
        assert_eq!(hours.take_touched(&["a".to_owned()]).len(), 1);
        hours.add(0, 0, 2.0, 2.0, 2);
        let saved = hours.take_touched(&["a".to_owned()]);
        let mut back = Hours::new(1);
        for (start, json) in &saved {
            back.put_back(*start, json, &["a".to_owned()]).unwrap();
        }
        assert_eq!(back.sum(0, 0, 1), Some(3.0));
    }

    #[test]
    fn a_late_reading_into_a_saved_hour_is_saved_again() {
        let mut hours = Hours::new(2);
        hours.add(0, 0, 1.0, 1.0, 1);
        hours.add(1, HOUR_MS, 1.0, 1.0, HOUR_MS);
        hours.take_touched(&["a".to_owned(), "b".to_owned()]);
        hours.add(0, 0, 5.0, 5.0, 2);
        assert!(hours.take_touched(&["a".to_owned(), "b".to_owned()]).iter().any(|(start, _)| *start == 0));
    }
}
