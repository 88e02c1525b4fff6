//! What the engine remembers, how it is saved and gone on from.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::record::{DayRecord, Held, MatterKey, Millis, SavedState};
use crate::settings::garden::{Garden, Probe};

use super::Trust;
use super::battery::Battery;
use super::book::Book;
use super::core::Engine;
use super::facts::Facts;
use super::foresee::Foresee;
use super::fruits::Fruits;
use super::judge::BROKER;
use super::life::Matter;
use super::marks::Marks;
use super::poured::Watering;
use super::rain::Gauge;
use super::stage::Warmth;
use super::telling::{Counters, MatterId};
use super::watch::Watch;
use super::weather::{BothWays, Day};
use super::winter::Ended;

/// Version of the saved state; another is not read.
const STATE_VERSION: u32 = 1;

/// Saved state that cannot be gone on from.
#[derive(Debug, thiserror::Error)]
pub enum StateError {
    /// It is not the JSON this version writes.
    #[error("saved state cannot be read: {0}")]
    Unreadable(#[from] serde_json::Error),
    /// It was written by another version.
    #[error("saved state is of version {found}, this program reads version {STATE_VERSION}")]
    Version {
        /// The version found.
        found: u32,
    },
}

/// Everything the engine remembers but the hours.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Memory {
    version: u32,
    /// Names and kinds of the probes in the order of the vectors below.
    probes: Vec<String>,
    /// Names of the beds in the order of the books.
    beds: Vec<String>,
    pub began_ms: Option<Millis>,
    /// Since when messages could come.
    pub listening_ms: Option<Millis>,
    pub next_turn_ms: Millis,
    pub closed_through: Option<NaiveDate>,
    pub derive_from: Option<NaiveDate>,
    pub watches: Vec<Watch>,
    /// How far each probe was believed at the last turn.
    pub trusts: Vec<Trust>,
    pub gauges: Vec<Gauge>,
    pub books: Vec<Book>,
    pub facts: Facts,
    #[serde(default)]
    pub fruits: Fruits,
    #[serde(default)]
    pub marks: Marks,
    pub days: Vec<Day>,
    /// Days with both Hargreaves and Penman-Monteith.
    #[serde(default)]
    pub both_ways: BothWays,
    pub records: BTreeMap<NaiveDate, Vec<DayRecord>>,
    pub foresee: Foresee,
    /// Beds whose plant can no longer be alive.
    #[serde(default)]
    pub ended: BTreeMap<String, Ended>,
    /// The season's warmth, by bed and crop.
    #[serde(default)]
    pub warmths: BTreeMap<String, Warmth>,
    #[serde(with = "pairs")]
    pub matters: BTreeMap<MatterId, Matter>,
    pub counters: Counters,
    /// By person: letters that could not go out and of which nobody was told yet.
    #[serde(default)]
    pub held: BTreeMap<String, Held>,
    /// The date of the last morning note of this season.
    #[serde(default)]
    pub noted: Option<NaiveDate>,
    /// Waterings of late, logged and recognised, oldest first.
    #[serde(default)]
    pub poured: Vec<Watering>,
    /// What came late says something of the water given since.
    #[serde(default)]
    pub poured_from: Option<Millis>,
    /// Daily means of batteries, by probe.
    #[serde(default)]
    pub batteries: BTreeMap<String, Battery>,
    /// The broker is away since, with these words.
    pub broker_away: Option<(Millis, String)>,
}

/// What a probe's memory goes by: its name, and what it measures in which form. A probe of the same name that
/// measures something else now (counts before its calibration, water after) begins anew.
fn labels(garden: &Garden) -> Vec<String> {
    let form = |probe: &Probe| probe.rain.map(|form| format!(" {form:?}")).unwrap_or_default();
    let label = |probe: &Probe| format!("{} {}{}", probe.name, probe.quantity.kind().key, form(probe));
    garden.probes.iter().map(label).collect()
}

/// Maps whose keys are no strings, as a list of pairs.
mod pairs {
    use std::collections::BTreeMap;

    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<K: Serialize, V: Serialize, S: Serializer>(
        map: &BTreeMap<K, V>,
        to: S,
    ) -> Result<S::Ok, S::Error> {
        to.collect_seq(map)
    }

    pub fn deserialize<'de, K, V, D>(from: D) -> Result<BTreeMap<K, V>, D::Error>
    where
        K: Deserialize<'de> + Ord,
        V: Deserialize<'de>,
        D: Deserializer<'de>,
    {
        Ok(Vec::<(K, V)>::deserialize(from)?.into_iter().collect())
    }
}

impl Memory {
    /// Nothing is known yet.
    pub fn new(garden: &Garden) -> Self {
        let n = garden.probes.len();
        Self {
            version: STATE_VERSION,
            probes: labels(garden),
            beds: garden.beds.iter().map(|bed| bed.name.clone()).collect(),
            began_ms: None,
            listening_ms: None,
            next_turn_ms: 0,
            closed_through: None,
            derive_from: None,
            watches: vec![Watch::default(); n],
            trusts: vec![Trust::Good; n],
            gauges: vec![Gauge::default(); n],
            books: vec![Book::default(); garden.beds.len()],
            facts: Facts::default(),
            fruits: Fruits::default(),
            marks: Marks::default(),
            days: Vec::new(),
            both_ways: BothWays::new(),
            records: BTreeMap::new(),
            foresee: Foresee::default(),
            ended: BTreeMap::new(),
            warmths: BTreeMap::new(),
            matters: BTreeMap::new(),
            counters: Counters::default(),
            held: BTreeMap::new(),
            noted: None,
            poured: Vec::new(),
            poured_from: None,
            batteries: BTreeMap::new(),
            broker_away: None,
        }
    }
}

impl Engine {
    /// Letters count on from `last`, the highest number ever used, where this state knows less: it came from a
    /// copy. Tasks move on too (three a skipped letter, at most 1,000), so that an answer to a letter of the time
    /// between never means another task.
    pub fn number_on(&mut self, last: u32) {
        let counters = &mut self.memory.counters;
        let skipped = last.saturating_sub(counters.letters);
        counters.letters += skipped;
        counters.tasks = counters.tasks.saturating_add(skipped.saturating_mul(3).min(1_000));
    }

    /// Goes on from saved state. Probes and beds that the settings no longer name are dropped, new ones start
    /// fresh.
    ///
    /// # Errors
    /// State of another version, or none that JSON can read.
    pub fn load(garden: Arc<Garden>, saved: &SavedState) -> Result<Self, StateError> {
        #[derive(Deserialize)]
        struct Versioned {
            version: u32,
        }
        let found = serde_json::from_str::<Versioned>(&saved.core)?.version;
        if found != STATE_VERSION {
            return Err(StateError::Version { found });
        }
        let mut old: Memory = serde_json::from_str(&saved.core)?;
        let mut engine = Self::new(garden);
        engine.memory.marks.probes.resize(engine.memory.probes.len(), Default::default());
        for (at, label) in engine.memory.probes.iter().enumerate() {
            let Some(was) = old.probes.iter().position(|known| known == label) else { continue };
            if let Some(marks) = old.marks.probes.get_mut(was) {
                engine.memory.marks.probes[at] = std::mem::take(marks);
            }
            if let (Some(watch), Some(gauge), Some(trust)) =
                (old.watches.get(was), old.gauges.get(was), old.trusts.get(was))
            {
                engine.memory.watches[at] = watch.clone();
                engine.memory.gauges[at] = gauge.clone();
                engine.memory.trusts[at] = *trust;
            }
        }
        // As with watches: who measures something else now begins anew.
        old.batteries.retain(|name, _| {
            let mut labels = engine.memory.probes.iter().filter(|label| old.probes.contains(label));
            labels.any(|label| label.split(' ').next() == Some(name))
        });
        for (at, name) in engine.memory.beds.iter().enumerate() {
            let was = old.beds.iter().position(|known| known == name);
            if let Some(book) = was.and_then(|was| old.books.get_mut(was)) {
                engine.memory.books[at] = std::mem::take(book);
            }
        }
        let fresh = &mut engine.memory;
        old.probes = std::mem::take(&mut fresh.probes);
        old.beds = std::mem::take(&mut fresh.beds);
        old.watches = std::mem::take(&mut fresh.watches);
        old.trusts = std::mem::take(&mut fresh.trusts);
        old.gauges = std::mem::take(&mut fresh.gauges);
        old.marks.probes = std::mem::take(&mut fresh.marks.probes);
        old.books = std::mem::take(&mut fresh.books);
        *fresh = old;
        let Engine { garden, memory, hours, .. } = &mut engine;
        memory.fruits.derive();
        memory.matters.retain(|(key, subject), _| {
            // Of the whole garden, or of a bed, probe or fruit that is still there.
            let named = || garden.probe_ix(subject).is_some() || garden.bed(subject).is_some();
            let fruit = || *key == MatterKey::Growth && memory.fruits.knows(subject);
            subject.is_empty() || subject == BROKER || *key == MatterKey::Box || named() || fruit()
        });
        for (start_ms, json) in &saved.hours {
            hours.put_back(*start_ms, json, &memory.probes)?;
        }
        engine.see_marks();
        Ok(engine)
    }

    /// What to keep; hours once given are not given again until touched anew.
    pub fn save(&mut self) -> SavedState {
        SavedState {
            // Plain data without map keys other than strings and dates cannot fail to become JSON.
            core: serde_json::to_string(&self.memory).unwrap_or_default(),
            hours: self.hours.take_touched(&self.memory.probes),
        }
    }
}
