//! What a letter says, before and after it is worded, and what becomes of it.

use serde::{Deserialize, Serialize};

use super::{Fault, MatterKey, Millis, Morning, Telling, Urgency};

/// What a call for cover rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ColdSign {
    /// The forecast of the afternoon.
    Afternoon,
    /// A forecast made after sunset, colder than that of the afternoon.
    Dusk,
    /// The air itself, which stands at the mark with nobody told: what is foreseen is what it reads.
    Air,
}

/// What a water task asks for and why, values only. Depths over the rooted area.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // the names say unit and meaning; what they do not say stands beside them
pub struct Dose {
    /// Litres to the full mark, now.
    pub litres: f64,
    /// The same over the rooted area.
    pub depth_mm: f64,
    /// In how many passes, with a rest between, the soil takes it.
    pub passes: u32,
    /// Spread over this many days, today included (fruit in its splitting time after a dry spell); 1 = all at
    /// once.
    pub spread_days: u32,
    /// Litres of today where it is spread: what the bed lacks and drinks meanwhile, in even parts.
    #[serde(default)]
    pub today_litres: Option<f64>,
    pub share_used: f64,
    pub depletion_mm: f64,
    pub depletion_sd_mm: f64,
    pub refill_mm: f64,
    pub stress_mm: f64,
    /// Hours until the stress mark at hot demand; 0 when past it.
    pub hours_to_stress: Option<f64>,
    /// The grower's stated routine, litres a day, where there is one.
    pub routine_litres: Option<f64>,
    /// The probe that stands for the bed where it is not the weighted mean.
    pub drier_probe: Option<String>,
    /// No moisture probe can be trusted: the water book alone speaks.
    pub book_alone: bool,
}

/// The matter-specific part of a task: values only; the words are in the catalogue of `mail/`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // each field says its unit; the phrases in mail/catalogue/ say their use
pub enum Content {
    Water(Dose),
    HoldWater {
        /// Rain of the last 24 h, if rain is the reason.
        rain_mm: Option<f64>,
        /// Dry days before it.
        dry_days: Option<u32>,
        /// Hours the bed has been above the full mark, if that is the reason.
        over_full_hours: Option<f64>,
        /// The grower's stated routine, litres each time, and what the bed lacks, if rain made it too much.
        #[serde(default)]
        routine_and_lack_litres: Option<(f64, f64)>,
        /// The fruit is in its splitting time.
        split_time: bool,
        /// Nobody need water before then, at hot demand.
        until_ms: Option<Millis>,
    },
    Shade {
        foreseen_max_c: f64,
        /// One standard deviation of this forecast's own past error.
        sd_c: f64,
        mark_c: f64,
        /// Told from dawn to someone who is not free later.
        from_dawn: bool,
        /// The root zone itself is hot, °C at the shallow probe.
        soil_hot_c: Option<f64>,
    },
    Cover {
        foreseen_min_c: f64,
        sd_c: f64,
        mark_c: f64,
        /// What the call rests on.
        sign: ColdSign,
        /// When the air falls to the mark by the evening's curve, where the call was made at dusk.
        #[serde(default)]
        crosses_ms: Option<Millis>,
    },
    Gear {
        fault: Fault,
    },
    Blind {
        /// Each decision that cannot be judged.
        unseen: Vec<Unseen>,
        /// Litres to the full mark by the water book alone, and one standard deviation, where water is unseen.
        litres: Option<(f64, f64)>,
        /// By the water book alone the bed is past its stress mark.
        dry: bool,
    },
}

/// A decision that the sensors bear on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // the words of the matters themselves
pub enum Decision {
    Water,
    Shade,
    Cover,
    Plant,
}

impl Decision {
    /// The word in records, on pages and in letters.
    pub fn key(self) -> &'static str {
        match self {
            Decision::Water => "water",
            Decision::Shade => "shade",
            Decision::Cover => "cover",
            Decision::Plant => "plant",
        }
    }
}

/// A decision that cannot be judged now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Unseen {
    /// Which.
    pub decision: Decision,
    /// When what it rests on was last seen.
    pub since_ms: Millis,
    /// Nobody sees how much it rains, either.
    pub no_rain: bool,
    /// What is left to go by, and one standard deviation: mm missing by the water book, the usual highest or
    /// lowest air of place and season in °C.
    pub guess: Option<(f64, f64)>,
}

/// One row of a letter's evidence table.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EvidenceRow {
    /// What it is: a probe's name or a computed figure.
    pub what: String,
    /// Its unit.
    pub unit: String,
    /// Values at the times of [`Evidence::at_ms`]; `None` = no reading near that time.
    pub values: Vec<Option<f64>>,
    /// The mark it is held against, if any: word and value.
    pub mark: Option<(String, f64)>,
    /// The values are estimates, not readings.
    pub guessed: bool,
}

/// The last 24 hours against the marks.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Column times, oldest first.
    pub at_ms: Vec<Millis>,
    /// The rows.
    pub rows: Vec<EvidenceRow>,
    /// What was estimated rather than measured, and its spread in words ("night minimum ±2.6 °C").
    pub guesses: Vec<String>,
}

/// One thing to do, in a letter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Task {
    /// The number an answer names ("done 2"); never used twice in a garden.
    pub number: u32,
    /// The bed's name (the probe's for gear).
    pub subject: String,
    /// The words that start the first line ("Long bed").
    pub title: String,
    /// The kind of advice.
    pub matter: MatterKey,
    /// How soon.
    pub urgency: Urgency,
    /// First, again, worse or withdrawn.
    pub telling: Telling,
    /// The deadline.
    pub by_ms: Option<Millis>,
    /// The values of the matter.
    pub content: Content,
    /// The evidence.
    pub evidence: Evidence,
}

/// A letter before it is worded.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LetterDraft {
    /// Counted from 1 in a garden.
    pub number: u32,
    /// The name of the person in the settings.
    pub person: String,
    /// When it was decided.
    pub at_ms: Millis,
    /// Its tasks, in the order of their deadlines.
    pub tasks: Vec<Task>,
    /// The letter to the same person that first told the first task, where this one repeats it.
    pub answers: Option<u32>,
    /// Letters to the same person that first told the other tasks.
    pub also_answers: Vec<u32>,
    /// Letters to this person could not go out before this one.
    #[serde(default)]
    pub held: Option<Held>,
    /// The morning note, in the letter of its hour. Without tasks the letter is nothing but the note.
    #[serde(default)]
    pub morning: Option<Morning>,
}

/// For how long letters to a person could not go out, and what became of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Held {
    /// When the oldest of them was written.
    pub since_ms: Millis,
    /// When mail worked again.
    pub until_ms: Millis,
    /// When the oldest of those was written whose tasks stand in this letter now.
    pub written_ms: Option<Millis>,
    /// Letters that were not needed any more.
    pub not_needed: u32,
}

/// A letter that is not accepted yet.
#[derive(Debug, Clone, PartialEq)]
pub struct WaitingLetter {
    /// What it was worded from.
    pub draft: LetterDraft,
    /// Nobody knows whether the server has it: its acceptance may have got lost.
    pub maybe_there: bool,
}

/// What is asked of the engine before letters that had to wait are sent: what waits, and what the person knows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Waiting {
    /// Letters to one address, not yet accepted, in the order of their numbers.
    pub letters: Vec<WaitingLetter>,
    /// Numbers of the tasks this person was told of in a letter that was accepted.
    pub told_tasks: Vec<u32>,
    /// Numbers of the accepted letters.
    pub accepted: Vec<u32>,
}

/// One letter as it will be sent: kept in the outbox until the server has accepted it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutboxLetter {
    /// The letter's number.
    pub number: u32,
    /// The person's name in the settings.
    pub person: String,
    /// The address at the time of writing.
    pub address: String,
    /// When it was decided.
    pub at_ms: Millis,
    /// What it is about: the matters of its tasks.
    pub matters: Vec<MatterKey>,
    /// Subject line, for pages.
    pub subject: String,
    /// The whole letter (RFC 5322).
    pub eml: Vec<u8>,
    /// What it was worded from; `None` for a trial, and for letters of earlier versions.
    #[serde(default)]
    pub draft: Option<Box<LetterDraft>>,
}

/// What became of a letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PostWord {
    /// The server accepted letter `number`.
    Accepted {
        /// The letter's number.
        number: u32,
    },
    /// The server refused this letter for good.
    Refused {
        /// The letter's number.
        number: u32,
        /// The server's words.
        words: String,
    },
    /// These letters have to wait and were certainly not handed to the server.
    Untouched {
        /// Their numbers.
        numbers: Vec<u32>,
    },
    /// Letters were put off; they are tried again.
    PutOff {
        /// What happened.
        words: String,
    },
    /// The server can be reached, and letters to this address had to wait: they are looked through first.
    Asks {
        /// The address.
        address: String,
    },
    /// The server does not take letters from us (wrong password, bad certificate, unreachable for long).
    Closed {
        /// What is wrong and what to do.
        words: String,
    },
}
