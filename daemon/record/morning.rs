//! What a morning note says: values and sentences, before it is worded.

use serde::{Deserialize, Serialize};

use super::{MatterKey, Millis};

/// The state of the garden in the morning, for whoever keeps it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Morning {
    /// The beds in which something grows, in the order of the settings.
    pub beds: Vec<MorningBed>,
    /// Tasks that were told and are not over.
    pub open: Vec<MorningTask>,
    /// Tasks that came to an end within the last day.
    pub handled: Vec<MorningTask>,
    /// Yesterday's weather, where that day is known.
    pub yesterday: Option<MorningWeather>,
    /// The foreseen maximum of today and one standard deviation, °C.
    pub foreseen_max_c: Option<(f64, f64)>,
    /// Probes that are believed, and all.
    pub probes_good: (u32, u32),
    /// Probes that are not believed: name, and why.
    pub probes_amiss: Vec<(String, String)>,
    /// What asks for nothing today and is worth knowing, in sentences.
    pub notes: Vec<String>,
    /// When the next one comes; `None` where this is the last one, because nothing grows any more.
    pub next_ms: Option<Millis>,
    /// The hour from which the absence of the next one is a warning.
    pub overdue_ms: Option<Millis>,
}

/// One bed in the morning.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct MorningBed {
    /// How letters call it.
    pub title: String,
    /// Share of the held water used, 0 to 1, and one standard deviation; `None` until the book has begun.
    pub share_used: Option<(f64, f64)>,
    /// Days until the refill mark at normal and at hot demand.
    pub cover_days: Option<(f64, f64)>,
    /// Litres given within the last day, by the day book or as recognised from the soil.
    pub given_litres: f64,
    /// Where the plant stands, in words.
    pub stage: Option<String>,
}

/// A task as the morning note names it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MorningTask {
    /// The number an answer names.
    pub number: u32,
    /// The bed's title, or the probe's name.
    pub title: String,
    /// The kind of advice.
    pub matter: MatterKey,
    /// The deadline it was told with.
    pub by_ms: Option<Millis>,
    /// Somebody has answered, and the soil has not yet.
    pub answered: bool,
}

/// The weather of one day.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct MorningWeather {
    /// Lowest and highest air, °C.
    pub air_c: Option<(f64, f64)>,
    /// Rain, mm.
    pub rain_mm: Option<f64>,
    /// The air was guessed from the soil.
    pub guessed: bool,
}
