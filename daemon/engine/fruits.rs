//! The fruits of the garden by the day book: tapes, weights, states, and what follows from them.
//!
//! Lines are kept as they were written. Mass, gain, curve and check follow from them and are worked out anew
//! with each line about a fruit, never saved. The mass of a tape is `agronomy::fruit`'s, by the density of
//! this garden's own weighed fruits once there is one; the curve is `crate::growth`'s.
//!
//! A tape far below an earlier one is kept and used for nothing: a fruit does not shrink by a tenth. Two such
//! in a row say that the tape before them was too large; then that one is left out (`standing.rs`).

mod standing;
mod view;

pub use standing::{CHECKED_SHARE, Check, Standing};
pub use view::FruitView;

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use agronomy::fruit::{Density, Tape, Way, form};

use crate::daybook::{Entry, FlowerState, FruitState};
use crate::record::Millis;

use super::calendar::Calendar;
use standing::days;

/// Bounds of what is remembered; the oldest goes first.
const MOST_FRUITS: usize = 60;
const MOST_TAPES: usize = 120;
const MOST_WEIGHED: usize = 60;
/// A name that was silent for so long is another year's fruit.
const SEASON_DAYS: i64 = 200;
/// A weight goes with the last tape of so many days before it.
const TAPE_FOR_WEIGHT_DAYS: i64 = 10;
/// No fruit is known to gain over 25 kg a day (reports of 23: Savage et al. 2015, Plant Cell Environ.); twice
/// that, and a share of the mass for a careless tape, is a slip of the pen (judgement).
const MOST_GAIN_KG_DAY: f64 = 50.0;
const CARELESS_SHARE: f64 = 0.3;
/// Why a line about a fruit is not taken. Nothing of it is kept.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FruitError {
    /// The tape is none that a fruit can have.
    #[error("{0}")]
    Tape(agronomy::Error),
    /// The weight and the last tape are of different fruits.
    #[error("{kg} kg, but its last tape holds {volume_l:.0} L: {error}")]
    Scale {
        /// The weight.
        kg: f64,
        /// The tape's volume.
        volume_l: f64,
        /// What is wrong.
        error: agronomy::Error,
    },
    /// Nobody has spoken of it.
    #[error("no fruit {name} is known (known: {known}); if it is a new one say so first: fruit {name} spare")]
    Unknown {
        /// The name.
        name: String,
        /// Those known.
        known: String,
    },
    /// It is no more.
    #[error("{name} was {} on {date}", match .state { FruitState::Culled => "culled", _ => "lost" })]
    Ended {
        /// The name.
        name: String,
        /// Culled or lost.
        state: FruitState,
        /// When.
        date: NaiveDate,
    },
    /// It would have grown faster than any fruit.
    #[error("that is {kg:.0} kg after {before_kg:.0} kg on {date}; no fruit gains so much, measure again")]
    Leap {
        /// Mass by this tape.
        kg: f64,
        /// By the tape before.
        before_kg: f64,
        /// When.
        date: NaiveDate,
    },
    /// A day of another season, or one that has not come.
    #[error("{0} is not of this fruit's season")]
    Date(NaiveDate),
}

/// One tape as it was written, and its volume.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Taped {
    at_ms: Millis,
    around_cm: Option<f64>,
    stem_cm: Option<f64>,
    side_cm: Option<f64>,
    length_cm: Option<f64>,
    volume_l: f64,
}

impl Taped {
    fn tape(&self) -> Tape {
        let Self { around_cm, stem_cm, side_cm, length_cm, .. } = *self;
        Tape { around_cm, stem_cm, side_cm, length_cm }
    }

    fn way(&self) -> Way {
        self.tape().way().unwrap_or(Way::Around)
    }
}

/// One fruit.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Fruit {
    tapes: BTreeMap<NaiveDate, Taped>,
    /// Scale weight, kg; the last by its date counts.
    weighed: Option<(NaiveDate, f64)>,
    /// The last state by its date.
    state: Option<(NaiveDate, FruitState)>,
    #[serde(skip)]
    pub standing: Standing,
}

/// A weighed fruit, kept over the years: its way of measuring as its tape was, volume and mass.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Weighing {
    fruit: String,
    date: NaiveDate,
    tape: Taped,
    mass_kg: f64,
}

impl Fruit {
    /// The last date anything was said of it.
    fn last(&self) -> Option<NaiveDate> {
        let dates = [self.tapes.keys().next_back().copied(), self.weighed.map(|one| one.0)];
        dates.into_iter().chain([self.state.map(|one| one.0)]).flatten().max()
    }

    /// Culled or lost, and when.
    fn ended(&self) -> Option<(NaiveDate, FruitState)> {
        self.state.filter(|(_, state)| matches!(state, FruitState::Culled | FruitState::Lost))
    }

    fn become_at(&mut self, state: FruitState, date: NaiveDate) {
        if self.state.is_none_or(|(known, _)| known <= date) {
            self.state = Some((date, state));
        }
    }

    /// It stands and grows.
    pub fn grows(&self) -> bool {
        self.state.is_none_or(|(_, state)| matches!(state, FruitState::Keeper | FruitState::Spare))
    }
}

/// The fruits of the garden.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Fruits {
    fruits: BTreeMap<String, Fruit>,
    weighed: Vec<Weighing>,
}

impl Fruits {
    /// All that were named, by name.
    pub fn iter(&self) -> impl Iterator<Item = (&String, &Fruit)> {
        self.fruits.iter()
    }

    /// The day book has spoken of a fruit of this name.
    pub fn knows(&self, name: &str) -> bool {
        self.fruits.contains_key(name)
    }

    /// Whether a line can be taken, and if not why. Lines about anything else always can.
    ///
    /// # Errors
    /// See [`FruitError`].
    pub fn check(
        &self,
        entry: &Entry,
        at_ms: Millis,
        now_ms: Millis,
        on: &Calendar,
    ) -> Result<(), FruitError> {
        let date = on.date(at_ms);
        let (Entry::Tape { fruit: name, .. } | Entry::Weighed { fruit: name, .. }) = entry else {
            return Ok(());
        };
        if date > on.date(now_ms) {
            return Err(FruitError::Date(date));
        }
        let Some(fruit) = self.fruits.get(name) else {
            let known: Vec<&str> = self.fruits.keys().map(String::as_str).collect();
            return match (known.as_slice(), entry) {
                // The first fruit of a garden may begin with its tape.
                ([], Entry::Tape { .. }) => taped(entry, at_ms).map(|_| ()),
                ([], _) => Err(FruitError::Unknown { name: name.clone(), known: "none".to_owned() }),
                (known, _) => Err(FruitError::Unknown { name: name.clone(), known: known.join(", ") }),
            };
        };
        let anew = fruit.last().is_some_and(|last| (date - last).num_days() > SEASON_DAYS);
        if fruit.last().is_some_and(|last| (last - date).num_days() > SEASON_DAYS) {
            return Err(FruitError::Date(date));
        }
        if let Some((date, state)) = fruit.ended().filter(|(ended, _)| *ended < date && !anew) {
            return Err(FruitError::Ended { name: name.clone(), state, date });
        }
        match entry {
            Entry::Weighed { mass_kg, .. } => {
                let Some(tape) = fruit.tape_for_weight(date) else { return Ok(()) };
                let fits = Density::fit(tape.way(), &[(tape.volume_l, *mass_kg)]);
                fits.map(|_| ()).map_err(|error| FruitError::Scale {
                    kg: *mass_kg,
                    volume_l: tape.volume_l,
                    error,
                })
            }
            _ if anew => taped(entry, at_ms).map(|_| ()),
            _ => self.no_leap(fruit, &taped(entry, at_ms)?, date),
        }
    }

    fn no_leap(&self, fruit: &Fruit, taped: &Taped, date: NaiveDate) -> Result<(), FruitError> {
        let way = taped.way();
        let before = fruit.tapes.range(..date).rev().find(|(_, before)| before.way() == way);
        let Some((date, before)) = before else { return Ok(()) };
        let kg_l = self.density(way).kg_l;
        let (kg, before_kg) = (taped.volume_l * kg_l, before.volume_l * kg_l);
        let most_kg =
            before_kg * (1.0 + CARELESS_SHARE) + MOST_GAIN_KG_DAY * days(before.at_ms, taped.at_ms).max(1.0);
        if kg > most_kg { Err(FruitError::Leap { kg, before_kg, date: *date }) } else { Ok(()) }
    }

    /// Takes a line about a fruit; one that cannot be taken changes nothing.
    pub fn take(&mut self, entry: &Entry, at_ms: Millis, now_ms: Millis, on: &Calendar) {
        if self.check(entry, at_ms, now_ms, on).is_err() {
            return;
        }
        let date = on.date(at_ms);
        match entry {
            Entry::Flower { flower, state: FlowerState::Lost, .. } => {
                self.fruit(flower, date).become_at(FruitState::Lost, date);
            }
            Entry::Flower { flower, .. } => {
                let fruit = self.fruit(flower, date);
                if fruit.ended().is_some_and(|(ended, _)| ended < date) {
                    *fruit = Fruit::default(); // the name is used again
                }
            }
            Entry::Fruit { fruit, state, .. } => self.fruit(fruit, date).become_at(*state, date),
            Entry::Tape { fruit, .. } => {
                let Ok(taped) = taped(entry, at_ms) else { return };
                let tapes = &mut self.fruit(fruit, date).tapes;
                tapes.insert(date, taped);
                while tapes.len() > MOST_TAPES {
                    tapes.pop_first();
                }
            }
            Entry::Weighed { fruit: name, mass_kg } => {
                let fruit = self.fruit(name, date);
                if fruit.weighed.is_none_or(|(known, _)| known <= date) {
                    fruit.weighed = Some((date, *mass_kg));
                }
                let tape = fruit.tape_for_weight(date);
                // Of a fruit weighed twice in a season the last counts.
                self.weighed.retain(|one| one.fruit != *name || (date - one.date).num_days() > SEASON_DAYS);
                if let Some(tape) = tape {
                    self.weighed.push(Weighing { fruit: name.clone(), date, tape, mass_kg: *mass_kg });
                }
                let spare = self.weighed.len().saturating_sub(MOST_WEIGHED);
                self.weighed.drain(..spare);
            }
            _ => return,
        }
        self.derive();
    }

    /// The fruit of a name on a date: a new one where the name was last used in another year.
    fn fruit(&mut self, name: &str, date: NaiveDate) -> &mut Fruit {
        let last = self.fruits.get(name).and_then(Fruit::last);
        if last.is_some_and(|last| (date - last).num_days() > SEASON_DAYS) {
            self.fruits.remove(name);
        }
        while self.fruits.len() >= MOST_FRUITS && !self.fruits.contains_key(name) {
            let oldest = self.fruits.iter().min_by_key(|(_, fruit)| fruit.last());
            let Some(oldest) = oldest.map(|(name, _)| name.clone()) else { break };
            self.fruits.remove(&oldest);
        }
        self.fruits.entry(name.to_owned()).or_default()
    }

    /// The density of a way of measuring by this garden's own scale.
    fn density(&self, way: Way) -> Density {
        let of_way = self.weighed.iter().filter(|one| one.tape.way() == way);
        let weighed: Vec<(f64, f64)> = of_way.map(|one| (one.tape.volume_l, one.mass_kg)).collect();
        Density::fit(way, &weighed).unwrap_or_else(|_| Density::unweighed(way))
    }

    /// Works out anew what follows from the lines: after a line, and after loading.
    pub fn derive(&mut self) {
        let ways = [Way::Three, Way::Stem, Way::Side, Way::Long, Way::Around].map(|way| self.density(way));
        let density = |way| ways.into_iter().find(|one| one.way() == way).unwrap_or(Density::unweighed(way));
        for fruit in self.fruits.values_mut() {
            fruit.derive(density);
        }
    }
}

impl Fruit {
    fn tape_for_weight(&self, date: NaiveDate) -> Option<Taped> {
        let (taped_on, tape) = self.tapes.range(..=date).next_back()?;
        ((date - *taped_on).num_days() <= TAPE_FOR_WEIGHT_DAYS).then_some(*tape)
    }
}

/// The tape of a line, with its volume.
fn taped(entry: &Entry, at_ms: Millis) -> Result<Taped, FruitError> {
    let (around_cm, stem_cm, side_cm, length_cm) = match entry {
        Entry::Tape { around_cm, stem_cm, side_cm, length_cm, .. } => {
            (*around_cm, *stem_cm, *side_cm, *length_cm)
        }
        _ => (None, None, None, None),
    };
    let tape = Tape { around_cm, stem_cm, side_cm, length_cm };
    let volume_l = form(&tape).map_err(FruitError::Tape)?.volume_l;
    Ok(Taped { at_ms, around_cm, stem_cm, side_cm, length_cm, volume_l })
}
