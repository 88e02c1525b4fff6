//! The grammar of the day book: one enum, its parser and printer, and the file of many lines.
//!
//! To add an entry: its variant in [`Entry`], its verb in `daybook/parse.rs`, its line in
//! `daybook/print.rs`; command, page, import and export follow.

mod amounts;
mod file;
mod line;
mod parse;
mod print;

pub use file::{FileError, Row, read, write};
pub use parse::{ParseError, VERBS, parse};

use serde::{Deserialize, Serialize};

/// What the grower did or saw.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // the fields are the words of the grammar
pub enum Entry {
    /// `watered long 6 cans`: a bed was given water; litres after the vessels of the settings.
    Watered { bed: String, litres: f64 },
    /// `rain 12 mm`: read by eye.
    Rain { depth_mm: f64 },
    /// `tape f1 around 182 cm stem 140 cm side 138 cm`.
    Tape {
        fruit: String,
        around_cm: Option<f64>,
        stem_cm: Option<f64>,
        side_cm: Option<f64>,
        length_cm: Option<f64>,
    },
    /// `flower f2 bud | open tomorrow | open | pollinated by hand | set | lost`; `flower f2 bud on long` names its
    /// bed, which stays with it.
    Flower {
        flower: String,
        state: FlowerState,
        #[serde(default)]
        bed: Option<String>,
    },
    /// `fruit f1 keeper | spare | culled | cut`, with its bed as a flower.
    Fruit {
        fruit: String,
        state: FruitState,
        #[serde(default)]
        bed: Option<String>,
    },
    /// `weighed f1 412 kg`.
    Weighed { fruit: String, mass_kg: f64 },
    /// `buried long 14 nodes`.
    Buried { bed: String, nodes: u32 },
    /// `leafed long 18 m2`.
    Leafed { bed: String, area_m2: f64 },
    /// `rooted long 7 m2`.
    Rooted { bed: String, area_m2: f64 },
    /// `fed long fish emulsion 2 L`.
    Fed { bed: String, what: String },
    /// `scouted beetles 3 mildew 0`.
    Scouted { counts: Vec<(String, u32)> },
    /// `shaded f1`, `unshaded f1`: a fruit or a bed.
    Shaded { what: String, on: bool },
    /// `covered long`, `uncovered long`: a fruit or a bed.
    Covered { what: String, on: bool },
    /// `probe long-upper moved | battery | full mark 0.36 | dry mark 0.12`.
    Probe { probe: String, change: ProbeChange },
    /// `felt long dry | damp | wet`: the finger test at 10 cm.
    Felt { bed: String, feel: Feel },
    /// `marks long refill 40 %`: share of held water used at which to refill.
    Marks { bed: String, refill_share_used: f64 },
    /// `accept 3`.
    Accept { number: u32 },
    /// `away 2027-08-06 to 2027-08-15 stand-in neighbour`.
    Away { from: chrono::NaiveDate, to: chrono::NaiveDate, stand_in: Option<String> },
    /// `done 2`.
    Done { task: u32 },
    /// `later 2 18:00`.
    Later { task: u32, until: chrono::NaiveTime },
    /// `not needed 2`.
    NotNeeded { task: u32 },
    /// `planted long`.
    Planted { bed: String },
    /// `mound core hot`.
    CoreHot { bed: Option<String> },
    /// `pruned long`, `pinned long`: vine work.
    VineWork { bed: String, what: VineWork },
    /// `sprayed long 7`: days the label says to wait.
    Sprayed { bed: String, wait_days: u32 },
    /// `note anything at all`.
    Note { words: String },
}

impl Entry {
    /// The number of the task it answers, if it is an answer.
    pub fn answers(&self) -> Option<u32> {
        match self {
            Entry::Done { task } | Entry::Later { task, .. } | Entry::NotNeeded { task } => Some(*task),
            _ => None,
        }
    }
}

/// Life of a flower.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum FlowerState {
    Bud,
    OpenTomorrow,
    Open,
    Pollinated { by_hand: bool },
    Set,
    Lost,
}

/// Life of a fruit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum FruitState {
    Keeper,
    Spare,
    Culled,
    Cut,
    Lost,
}

/// Work on the vines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum VineWork {
    Pruned,
    Pinned,
}

/// What the finger says at 10 cm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Feel {
    Dry,
    Damp,
    Wet,
}

/// What was done to a probe.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum ProbeChange {
    Moved,
    Battery,
    FullMark(f64),
    DryMark(f64),
}
