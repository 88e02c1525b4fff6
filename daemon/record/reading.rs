//! A reading of a probe, why it may not be believed, and what was not taken in.

use serde::{Deserialize, Serialize};

/// Milliseconds since 1970-01-01 UTC.
pub type Millis = i64;

/// Place of a probe in the settings, counted from 0. Valid for one run only; the store and saved state
/// go by the probe's name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct ProbeIx(pub u16);

/// Why a reading that was understood is not believed. Such readings are kept, and used for nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// Outside the plausible range of its kind.
    OutOfRange,
    /// A value that the sensor's electronics send when they have nothing to say (85, -127 ...).
    Sentinel,
    /// Too large a step from its neighbours for soil or air.
    Step,
    /// A bare value that came again over a new connection: it may be the same one twice.
    PossibleRepeat,
    /// The broker's kept value, of unknown age.
    Retained,
    /// Its own time lies ahead of ours.
    Future,
    /// Rain that no shower can bring.
    Burst,
    /// Came while our clock was not trusted and carries no time of its own.
    ClockUnsure,
}

impl Doubt {
    /// The word kept in the store and shown to people.
    pub fn key(self) -> &'static str {
        match self {
            Doubt::OutOfRange => "out-of-range",
            Doubt::Sentinel => "sentinel",
            Doubt::Step => "step",
            Doubt::PossibleRepeat => "possible-repeat",
            Doubt::Retained => "retained",
            Doubt::Future => "future",
            Doubt::Burst => "burst",
            Doubt::ClockUnsure => "clock-unsure",
        }
    }

    /// All doubts, in the order of their codes.
    pub const ALL: [Doubt; 8] = [
        Doubt::OutOfRange,
        Doubt::Sentinel,
        Doubt::Step,
        Doubt::PossibleRepeat,
        Doubt::Retained,
        Doubt::Future,
        Doubt::Burst,
        Doubt::ClockUnsure,
    ];

    /// The code kept in the store; 0 is kept for "believed".
    pub fn code(self) -> i64 {
        self as i64 + 1
    }

    /// The doubt of a kept code; `None` for 0 and for codes of a later version.
    pub fn from_code(code: i64) -> Option<Self> {
        usize::try_from(code - 1).ok().and_then(|at| Self::ALL.get(at).copied())
    }
}

/// One reading of one probe, in the unit of its kind.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The probe.
    pub probe: ProbeIx,
    /// When it was measured: the payload's own time, else the arrival.
    pub at_ms: Millis,
    /// When it reached us.
    pub arrived_ms: Millis,
    /// The value in the unit of its kind, rounded to the kind's step. Rain is kept in the form the probe
    /// sends (counter total, increment, rate in mm/h, daily total).
    pub value: f64,
    /// The payload carried its own time.
    pub own_time: bool,
    /// Why it is not believed, if so.
    pub doubt: Option<Doubt>,
}

/// A message, or a part of one, that was not taken in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refusal {
    /// When it arrived.
    pub arrived_ms: Millis,
    /// Its topic.
    pub topic: String,
    /// Its payload as far as it can be shown: at most 200 characters, unprintable bytes as `\xNN`.
    pub payload: String,
    /// The probe it was meant for, by name, if one matched.
    pub probe: Option<String>,
    /// Why, in words: what was expected and what stood there.
    pub reason: String,
}
