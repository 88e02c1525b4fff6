//! How long a node's battery lasts: a guess, by the slope of its own last weeks.
//!
//! What counts are means of closed days: a cell reads lower in a cold night and higher in the sun, and the mean of a
//! day knows little of that swing. The slope is the median of those between all pairs of days (`agronomy::trend`), so
//! that a few odd days bend nothing. A rise from one day to the next is a new or a charged cell, and what came before
//! says nothing. Told ten days ahead: common practice, no source. Where a node ends, and all other marks, are
//! judgement; at which voltage a cell is empty is from memory.

use std::collections::BTreeMap;

use agronomy::trend;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::quantities::Quantity;
use crate::record::{Content, Fault, MatterKey, Millis};

use super::core::Engine;
use super::life::Matter;
use super::weather::Day;

/// Days remembered.
const DAYS: usize = 42;
/// Fewer days have no slope.
const FEWEST: usize = 7;
/// The newest must be of the last so many days.
const FRESH_DAYS: i64 = 3;
/// A battery that lasts fewer days is told.
const TELL_DAYS: f64 = 10.0;
/// One that was told is over only when it lasts so many times as long.
const STAYS: f64 = 1.5;
/// An absence that begins within so many days is looked ahead to.
const AWAY_DAYS: i64 = 10;
/// Whatever falls more slowly is not foreseen.
const FARTHEST_DAYS: f64 = 400.0;

/// What a level means, by its unit.
struct Scale {
    /// A node is not heard below it.
    end: f64,
    /// More than this from one day to the next is a new cell.
    rise: f64,
    /// Less than this over all days is no fall.
    fall: f64,
}

/// The daily means of one node's battery.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Battery {
    days: BTreeMap<NaiveDate, f64>,
    /// Foreseen from these days.
    fall: Option<Fall>,
    /// This cell was told of.
    told: bool,
}

/// How a level falls.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Fall {
    /// The newest day.
    last: NaiveDate,
    /// The line's level at its noon.
    level: f64,
    /// Days from then on until the node ends.
    days: f64,
    /// The level at which it ends.
    end: f64,
}

impl Battery {
    fn put(&mut self, quantity: Quantity, date: NaiveDate, mean: Option<f64>) {
        self.days.remove(&date);
        self.days.extend(mean.map(|mean| (date, mean)));
        while self.days.len() > DAYS {
            self.days.pop_first();
        }
        let cell = self.cell(quantity);
        self.told &= cell.is_none_or(|cell| !cell.is_new);
        self.fall = cell.and_then(|cell| self.foresee(quantity, cell.first));
    }

    /// Since when this cell is in.
    fn cell(&self, quantity: Quantity) -> Option<Cell> {
        let scale = self.scale(quantity)?;
        let days: Vec<(NaiveDate, f64)> = self.days.iter().map(|(date, mean)| (*date, *mean)).collect();
        let rise = days.windows(2).rposition(|pair| matches!(pair, [a, b] if b.1 - a.1 > scale.rise));
        let at = rise.map_or(0, |rise| rise + 1);
        let (first, _) = *days.get(at)?;
        Some(Cell { first, is_new: rise.is_some() && at + 1 == days.len() })
    }

    fn foresee(&self, quantity: Quantity, first: NaiveDate) -> Option<Fall> {
        let scale = self.scale(quantity)?;
        let (last, newest) = self.days.last_key_value()?;
        let days: Vec<(f64, f64)> =
            self.days.range(first..).map(|(date, mean)| ((*date - *last).num_days() as f64, *mean)).collect();
        if days.len() < FEWEST {
            return None;
        }
        let line = trend::theil_sen(&days).ok()??;
        let fell = line.slope * days.first()?.0;
        if *newest <= scale.end && line.at_zero <= scale.end {
            return Some(Fall { last: *last, level: line.at_zero, days: 0.0, end: scale.end });
        }
        let days = (line.at_zero - scale.end) / -line.slope;
        (fell >= scale.fall && days <= FARTHEST_DAYS).then(|| Fall {
            last: *last,
            level: line.at_zero,
            days: days.max(0.0),
            end: scale.end,
        })
    }

    /// A level in percent ends at 5: a node's own reckoning is rough there. Volts by what the cell must be: two dry
    /// cells in a row or one lithium cell that cannot be charged end at 2.2 V, a lithium cell that can at 3.3 V; of
    /// others four fifths of the highest level seen.
    fn scale(&self, quantity: Quantity) -> Option<Scale> {
        let highest = self.days.values().copied().reduce(f64::max)?;
        match quantity {
            Quantity::BatteryLevel => Some(Scale { end: 5.0, rise: 10.0, fall: 2.0 }),
            Quantity::Battery => {
                let end = match highest {
                    ..3.4 => 2.2,
                    3.4..4.4 => 3.3,
                    _ => 0.8 * highest,
                };
                Some(Scale { end, rise: 0.03 * highest, fall: 0.005 * highest })
            }
            _ => None,
        }
    }

    /// What is left at a date; `None` where no slope is known, or the level does not fall.
    fn left(&self, today: NaiveDate) -> Option<(f64, Fall)> {
        let fall = self.fall?;
        let since = (today - fall.last).num_days();
        (since <= FRESH_DAYS).then(|| ((fall.days - since as f64).max(0.0), fall))
    }
}

/// The cell that is in.
#[derive(Debug, Clone, Copy)]
struct Cell {
    first: NaiveDate,
    /// Its first day is the newest.
    is_new: bool,
}

impl Engine {
    /// Keeps the day's mean of each battery.
    pub(super) fn keep_batteries(&mut self, day: &Day) {
        let (from_ms, to_ms) = (self.calendar.day_start(day.date), self.calendar.day_end(day.date));
        for (ix, probe) in self.garden.probes.iter().enumerate() {
            if matches!(probe.quantity, Quantity::Battery | Quantity::BatteryLevel) {
                let mean = self.hours.mean(ix, from_ms, to_ms);
                let battery = self.memory.batteries.entry(probe.name.clone()).or_default();
                battery.put(probe.quantity, day.date, mean);
            }
        }
    }

    /// Days left of the battery that a probe measures: a guess, `None` where there is none to make.
    pub(super) fn battery_days(&self, ix: usize, at_ms: Millis) -> Option<f64> {
        let probe = self.garden.probes.get(ix)?;
        let battery = self.memory.batteries.get(&probe.name)?;
        battery.left(self.calendar.date(at_ms)).map(|(days, _)| days)
    }

    /// A battery that ends within days, or before the grower is back.
    pub(super) fn battery_fault(&self, ix: usize, at_ms: Millis) -> Option<Fault> {
        let probe = self.garden.probes.get(ix)?;
        let today = self.calendar.date(at_ms);
        let battery = self.memory.batteries.get(&probe.name)?;
        let (days, fall) = battery.left(today)?;
        let matter = self.memory.matters.get(&(MatterKey::Gear, probe.name.clone()));
        if matter.is_some_and(is_of_another) {
            return None; // that one is over first
        }
        let standing = matter.is_some_and(Matter::is_told);
        let mark = if standing { STAYS * TELL_DAYS } else { TELL_DAYS };
        let absence = self.memory.facts.absence_near(today, AWAY_DAYS);
        let before = absence.filter(|last| days <= (*last - today).num_days() as f64 + 1.0);
        (days < mark || before.is_some()).then(|| Fault::BatteryLow {
            level: fall.level,
            end: fall.end,
            days: days.round() as u32,
            before,
            told: battery.told && !standing,
        })
    }

    /// A cell is told of once.
    pub(super) fn battery_told(&mut self, name: &str) {
        if let Some(battery) = self.memory.batteries.get_mut(name) {
            battery.told = true;
        }
    }

    /// A new cell in a node, named by one of its probes: what came before it says nothing.
    pub(super) fn battery_changed(&mut self, name: &str) {
        let Some(node) = self.garden.probes.iter().find(|probe| probe.name == name) else { return };
        for probe in self.garden.probes.iter().filter(|probe| probe.topic == node.topic) {
            self.memory.batteries.remove(&probe.name);
        }
    }

    /// What days after the clock was set back said is forgotten.
    pub(super) fn forget_batteries_from(&mut self, date: NaiveDate) {
        for (name, battery) in &mut self.memory.batteries {
            let ahead = battery.days.split_off(&date);
            let probe = self.garden.probes.iter().find(|probe| probe.name == *name);
            if let (false, Some(probe), Some((last, mean))) =
                (ahead.is_empty(), probe, battery.days.last_key_value())
            {
                let (last, mean) = (*last, *mean);
                battery.put(probe.quantity, last, Some(mean));
            } else if battery.days.is_empty() {
                *battery = Battery::default();
            }
        }
    }
}

/// What was told of the probe is another fault.
fn is_of_another(matter: &Matter) -> bool {
    let content = matter.claim.as_ref().and_then(|claim| claim.content.as_ref());
    let battery = matches!(content, Some(Content::Gear { fault: Fault::BatteryLow { .. } }) | None);
    matter.is_told() && !battery
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(day: i64) -> NaiveDate {
        NaiveDate::from_ymd_opt(2027, 7, 1).unwrap() + chrono::Duration::days(day)
    }

    fn of(quantity: Quantity, levels: impl IntoIterator<Item = f64>) -> Battery {
        let mut battery = Battery::default();
        for (day, level) in (0..).zip(levels) {
            battery.put(quantity, date(day), Some(level));
        }
        battery
    }

    #[test]
    fn a_level_that_falls_a_point_a_day_ends_at_five() {
        let battery = of(Quantity::BatteryLevel, (0..20).map(|day| 50.0 - f64::from(day)));
        let (days, fall) = battery.left(date(20)).unwrap();
        assert!((days - 25.0).abs() < 1e-9 && (fall.level - 31.0).abs() < 1e-9, "{days} {fall:?}");
        // One that was not heard for days is another fault.
        assert_eq!(battery.left(date(24)), None);
    }

    #[test]
    fn a_new_cell_begins_anew_and_a_level_that_rests_never_ends() {
        let worn = (0..20).map(|day| 3.9 - 0.02 * f64::from(day));
        let battery = of(Quantity::Battery, worn.chain((0..6).map(|day| 4.1 - 0.01 * f64::from(day))));
        assert_eq!(battery.left(date(26)), None, "six days are too few");
        let rests =
            of(Quantity::Battery, (0..30).map(|day| 3.95 + if day % 2 == 0 { 0.004 } else { -0.004 }));
        assert_eq!(rests.left(date(30)), None);
    }

    #[test]
    fn one_that_is_empty_has_no_day_left_though_it_falls_no_more() {
        let battery = of(Quantity::BatteryLevel, [3.0; 9]);
        assert_eq!(battery.left(date(9)).map(|(days, _)| days), Some(0.0));
    }
}
