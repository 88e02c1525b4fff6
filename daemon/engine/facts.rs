//! What the day book says that judgement uses: water given, areas, dates, sheets, absences.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::daybook::{Entry, FlowerState, FruitState};
use crate::record::Millis;
use crate::settings::garden::{Bed, Garden};

use super::HOURS_KEPT_MS;
use super::calendar::Calendar;

/// Water given to a bed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Given {
    /// The bed.
    pub bed: String,
    /// When.
    pub at_ms: Millis,
    /// How much.
    pub litres: f64,
}

/// An absence of the grower.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Absence {
    /// First day away.
    pub from: NaiveDate,
    /// Last day away.
    pub to: NaiveDate,
}

/// What the day book has said so far.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Water given in the last fifteen days.
    pub given: Vec<Given>,
    /// Rain read by eye in the last fifteen days.
    pub rain_by_eye: Vec<(Millis, f64)>,
    leafed: BTreeMap<String, BTreeMap<NaiveDate, f64>>,
    rooted: BTreeMap<String, BTreeMap<NaiveDate, f64>>,
    planted: BTreeMap<String, NaiveDate>,
    pollinated: BTreeMap<String, NaiveDate>,
    cut: BTreeMap<String, NaiveDate>,
    shaded: BTreeMap<String, bool>,
    covered: BTreeMap<String, bool>,
    /// Share of held water used at which to refill, set by hand.
    refill_share_used: BTreeMap<String, f64>,
    absences: Vec<Absence>,
}

/// The bed that a fruit or flower stands on: known only where there is but one.
fn bed_of<'a>(garden: &'a Garden, what: &str) -> Option<&'a Bed> {
    garden.bed(what).or(match garden.beds.as_slice() {
        [only] => Some(only),
        _ => None,
    })
}

impl Facts {
    /// Takes one line that says how the bed and its plant are. Answers to letters are the business of the
    /// matters.
    pub fn take(&mut self, entry: &Entry, happened_ms: Millis, garden: &Garden, calendar: &Calendar) {
        let date = calendar.date(happened_ms);
        let on = |what: &str| bed_of(garden, what).map(|bed| bed.name.clone());
        match entry {
            Entry::Watered { bed, litres } => self.give(bed, happened_ms, *litres),
            Entry::Rain { depth_mm } => self.rain_by_eye.push((happened_ms, *depth_mm)),
            Entry::Leafed { bed, area_m2 } => {
                self.leafed.entry(bed.clone()).or_default().insert(date, *area_m2);
            }
            Entry::Rooted { bed, area_m2 } => {
                self.rooted.entry(bed.clone()).or_default().insert(date, *area_m2);
            }
            Entry::Planted { bed } => {
                self.planted.insert(bed.clone(), date);
                self.cut.remove(bed);
            }
            Entry::Flower { flower, state: FlowerState::Pollinated { .. } } => {
                if let Some(bed) = on(flower) {
                    self.pollinated.insert(bed, date);
                }
            }
            Entry::Fruit { fruit, state: FruitState::Cut } => {
                if let Some(bed) = on(fruit) {
                    self.cut.insert(bed, date);
                }
            }
            Entry::Shaded { what, on: put } => {
                if let Some(bed) = on(what) {
                    self.shaded.insert(bed, *put);
                }
            }
            Entry::Covered { what, on: put } => {
                if let Some(bed) = on(what) {
                    self.covered.insert(bed, *put);
                }
            }
            Entry::Marks { bed, refill_share_used } => {
                self.refill_share_used.insert(bed.clone(), *refill_share_used);
            }
            Entry::Away { from, to, .. } => self.absences.push(Absence { from: *from, to: *to }),
            _ => {}
        }
        let oldest = happened_ms - HOURS_KEPT_MS;
        self.given.retain(|given| given.at_ms >= oldest);
        self.rain_by_eye.retain(|(at_ms, _)| *at_ms >= oldest);
    }

    /// Water was given.
    pub fn give(&mut self, bed: &str, at_ms: Millis, litres: f64) {
        self.given.push(Given { bed: bed.to_owned(), at_ms, litres });
    }

    /// Litres given to a bed in `from_ms..to_ms`.
    pub fn given_litres(&self, bed: &str, from_ms: Millis, to_ms: Millis) -> f64 {
        self.given
            .iter()
            .filter(|given| given.bed == bed && (from_ms..to_ms).contains(&given.at_ms))
            .map(|given| given.litres)
            .sum()
    }

    /// When water was last given to a bed.
    pub fn last_given_ms(&self, bed: &str) -> Option<Millis> {
        self.given.iter().filter(|given| given.bed == bed).map(|given| given.at_ms).max()
    }

    /// Rain read by eye in `from_ms..to_ms`; `None` when nobody looked.
    pub fn rain_by_eye_mm(&self, from_ms: Millis, to_ms: Millis) -> Option<f64> {
        let mut read = self.rain_by_eye.iter().filter(|(at, _)| (from_ms..to_ms).contains(at)).peekable();
        read.peek()?;
        Some(read.map(|(_, mm)| mm).sum())
    }

    /// Rooted area on a date: the last entry up to then, else the settings'.
    pub fn rooted_m2(&self, bed: &Bed, date: NaiveDate) -> f64 {
        self.rooted
            .get(&bed.name)
            .and_then(|entries| entries.range(..=date).next_back())
            .map_or(bed.rooted_m2, |(_, m2)| *m2)
    }

    /// Leafed area on a date, if it is known: between two entries on the straight line, after the last it
    /// follows `kcb`, the profile's curve, through it; before the first the settings' figure. `None` when
    /// neither the day book nor the settings know it.
    pub fn leafed_m2(&self, bed: &Bed, date: NaiveDate, kcb: impl Fn(NaiveDate) -> f64) -> Option<f64> {
        let Some(entries) = self.leafed.get(&bed.name).filter(|entries| !entries.is_empty()) else {
            return bed.leafed_m2;
        };
        let before = entries.range(..=date).next_back();
        let after = entries.range(date..).next();
        match (before, after) {
            (Some((from, m2)), Some((to, later_m2))) if to > from => {
                let share = (date - *from).num_days() as f64 / (*to - *from).num_days() as f64;
                Some(m2 + share * (later_m2 - m2))
            }
            (Some((from, m2)), _) => {
                let then = kcb(*from);
                Some(if then > 0.0 { m2 * kcb(date) / then } else { *m2 })
            }
            (None, Some((_, m2))) => Some(bed.leafed_m2.unwrap_or(*m2)),
            (None, None) => bed.leafed_m2,
        }
    }

    /// When it was set out.
    pub fn planted(&self, bed: &Bed) -> Option<NaiveDate> {
        self.planted.get(&bed.name).copied().or(bed.planted)
    }

    /// When the keeper was pollinated.
    pub fn pollinated(&self, bed: &Bed) -> Option<NaiveDate> {
        self.pollinated.get(&bed.name).copied().or(bed.pollinated)
    }

    /// The fruit is cut.
    pub fn is_cut(&self, bed: &Bed, date: NaiveDate) -> bool {
        self.cut.get(&bed.name).is_some_and(|cut| *cut <= date)
    }

    /// A shade stands over the fruit.
    pub fn is_shaded(&self, bed: &Bed) -> bool {
        self.shaded.get(&bed.name).copied().unwrap_or(false)
    }

    /// The plant is covered.
    pub fn is_covered(&self, bed: &Bed) -> bool {
        self.covered.get(&bed.name).copied().unwrap_or(false)
    }

    /// The refill mark set by hand, as share of held water used.
    pub fn refill_share_used(&self, bed: &Bed) -> Option<f64> {
        self.refill_share_used.get(&bed.name).copied()
    }

    /// The grower is away on a date.
    pub fn is_away(&self, date: NaiveDate) -> bool {
        self.absences.iter().any(|absence| (absence.from..=absence.to).contains(&date))
    }

    /// The plant stands in the bed: not before its setting out (if that is known), not after the cutting.
    pub fn is_growing(&self, bed: &Bed, date: NaiveDate) -> bool {
        self.planted(bed).is_none_or(|planted| planted <= date) && !self.is_cut(bed, date)
    }
}
