//! Plain records that travel between rooms: readings, refusals, days, matters, letters.
//!
//! They hold no logic beyond their words, so that store, letters and pages can share them without
//! knowing the engine.

use std::fmt;

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

/// How ET0 of a day was had, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Et0Method {
    /// FAO-56 Penman-Monteith with all its sensors.
    PenmanMonteith,
    /// FAO-56 Penman-Monteith with one or more inputs by FAO's procedures for missing data.
    PenmanMonteithPart,
    /// Hargreaves-Samani on measured air.
    Hargreaves,
    /// Hargreaves-Samani on air estimated from soil temperature.
    HargreavesSoil,
    /// The built-in climatology of latitude and month.
    Climatology,
}

impl Et0Method {
    /// The word in days.csv and on pages.
    pub fn key(self) -> &'static str {
        match self {
            Et0Method::PenmanMonteith => "penman-monteith",
            Et0Method::PenmanMonteithPart => "penman-monteith-part",
            Et0Method::Hargreaves => "hargreaves",
            Et0Method::HargreavesSoil => "hargreaves-soil",
            Et0Method::Climatology => "climatology",
        }
    }
}

/// One closed civil day of one bed. `None` = not known, never 0 for unknown. Depths in mm over the
/// rooted area.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // the names are those of days.csv in the format paper, units last
pub struct DayRecord {
    pub date: chrono::NaiveDate,
    pub bed: String,
    pub air_min_c: Option<f64>,
    pub air_max_c: Option<f64>,
    pub air_mean_c: Option<f64>,
    pub rh_mean_pct: Option<f64>,
    pub wind_mean_m_s: Option<f64>,
    pub solar_mj_m2: Option<f64>,
    pub soil_min_c: Option<f64>,
    pub soil_mean_c: Option<f64>,
    pub soil_max_c: Option<f64>,
    pub rain_mm: Option<f64>,
    pub et0_mm: Option<f64>,
    pub et0_method: Option<Et0Method>,
    pub kc: Option<f64>,
    pub etc_mm: Option<f64>,
    pub given_mm: Option<f64>,
    pub drained_mm: Option<f64>,
    pub depletion_mm: Option<f64>,
    pub taw_mm: Option<f64>,
    pub raw_mm: Option<f64>,
    pub share_used: Option<f64>,
    pub gdd_air_c: Option<f64>,
    pub gdd_soil_c: Option<f64>,
    pub heat_dh_c: Option<f64>,
    pub coldest_c: Option<f64>,
    pub data_share: Option<f64>,
    pub kcb: Option<f64>,
    pub ke: Option<f64>,
    pub depletion_sd_mm: Option<f64>,
    /// Water that came with new rooted soil, litres: what it held for the roots, at the bed's share used.
    #[serde(default)]
    pub joined_l: Option<f64>,
    /// What was estimated rather than measured: words of air, sun, wind, humidity, soil, rain.
    pub guessed: Vec<Guess>,
    /// Late readings changed the day after it was closed.
    pub corrected: bool,
}

/// What of a day was estimated rather than measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Guess {
    Air,
    Sun,
    Wind,
    Humidity,
    Soil,
    Rain,
}

impl Guess {
    /// The word in days.csv and in letters.
    pub fn key(self) -> &'static str {
        match self {
            Guess::Air => "air",
            Guess::Sun => "sun",
            Guess::Wind => "wind",
            Guess::Humidity => "humidity",
            Guess::Soil => "soil",
            Guess::Rain => "rain",
        }
    }
}

/// A kind of advice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MatterKey {
    /// A bed will want water before the next chance to give it.
    Water,
    /// A bed must not be watered now.
    HoldWater,
    /// The fruit wants shade today.
    Shade,
    /// Plant and fruit want covering tonight.
    Cover,
    /// The bed is warm enough, or still too cold or too hot inside, to set the plant out.
    Plant,
    /// The weather was one in which leaves fall sick: look at them.
    Scout,
    /// The fruit has gained less than its own curve promised.
    Growth,
    /// A probe is silent, stuck or impossible, or the broker cannot be reached.
    Gear,
    /// Letters do not get out.
    Mail,
    /// The board itself: store, disk, clock.
    Box,
}

impl MatterKey {
    /// The word in matters.csv and on pages.
    pub fn key(self) -> &'static str {
        match self {
            MatterKey::Water => "water",
            MatterKey::HoldWater => "hold-water",
            MatterKey::Shade => "shade",
            MatterKey::Cover => "cover",
            MatterKey::Plant => "plant",
            MatterKey::Scout => "scout",
            MatterKey::Growth => "growth",
            MatterKey::Gear => "gear",
            MatterKey::Mail => "mail",
            MatterKey::Box => "box",
        }
    }
}

/// Where a matter stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stand {
    /// Nothing to say.
    Settled,
    /// True, but its hold time has not run out.
    Building,
    /// Told.
    Standing,
    /// Someone answered.
    Seen,
    /// Work logged, or recognised from the soil; waiting for the soil to agree.
    InHand,
    /// Done with.
    Over,
    /// Put off until a time.
    Parked,
}

impl Stand {
    /// The word in matters.csv and on pages.
    pub fn key(self) -> &'static str {
        match self {
            Stand::Settled => "settled",
            Stand::Building => "building",
            Stand::Standing => "standing",
            Stand::Seen => "seen",
            Stand::InHand => "in-hand",
            Stand::Over => "over",
            Stand::Parked => "parked",
        }
    }
}

/// How soon someone must act.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Urgency {
    /// Within hours.
    Now,
    /// In the next working window.
    Today,
    /// Good to know.
    Note,
    /// Equipment.
    Gear,
}

impl Urgency {
    /// The word in matters.csv and on pages.
    pub fn key(self) -> &'static str {
        match self {
            Urgency::Now => "now",
            Urgency::Today => "today",
            Urgency::Note => "note",
            Urgency::Gear => "gear",
        }
    }
}

/// A change of state of one matter, with its reason.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatterChange {
    /// When.
    pub at_ms: Millis,
    /// The bed's name; the probe's for gear, the fruit's for growth; empty for scout, mail and box.
    pub subject: String,
    /// The kind of advice.
    pub matter: MatterKey,
    /// How soon someone must act.
    pub urgency: Urgency,
    /// State before.
    pub from: Stand,
    /// State after.
    pub to: Stand,
    /// Why, in words with figures.
    pub why: String,
    /// Litres asked for, where water is the matter.
    pub litres: Option<f64>,
    /// The deadline.
    pub by_ms: Option<Millis>,
    /// Who is asked (a person's name in the settings).
    pub person: Option<String>,
}

/// How a task stands in a letter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Telling {
    /// Told for the first time.
    First,
    /// Told before, nobody answered.
    Again,
    /// Told before, and worse now.
    Worse,
    /// Told before, no longer needed.
    Withdrawn,
}

/// Which rule speaks against a probe. A reader sees [`Rule::words`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// Nothing comes.
    Silent,
    /// Its messages cannot be read.
    Unreadable,
    /// Values that cannot be, sentinels of the electronics among them.
    Impossible,
    /// The very same value while others move.
    Stuck,
    /// It rose although no water came, and nothing else in the bed did.
    RiseWithoutWater,
    /// It reads wetter than the soil can hold.
    AboveSaturation,
    /// It fell at once as no soil dries.
    SuddenFall,
    /// It reads wetter after each soaking, or rises while the bed dries.
    CreepsWet,
    /// It reads far wetter than another at its depth.
    Disagrees,
    /// Water from above reaches it before the shallow one, time and again.
    DepthOrder,
    /// The bed was fed: salts make it read wetter for two days.
    Fed,
    /// A gauge that soil or eye contradict.
    Contradicted,
}

impl Rule {
    /// The word in records.
    pub fn key(self) -> &'static str {
        match self {
            Rule::Silent => "silent",
            Rule::Unreadable => "unreadable",
            Rule::Impossible => "impossible",
            Rule::Stuck => "stuck",
            Rule::RiseWithoutWater => "rise-without-water",
            Rule::AboveSaturation => "above-saturation",
            Rule::SuddenFall => "sudden-fall",
            Rule::CreepsWet => "creeps-wet",
            Rule::Disagrees => "disagrees",
            Rule::DepthOrder => "depth-order",
            Rule::Fed => "fed",
            Rule::Contradicted => "contradicted",
        }
    }

    /// The same for people.
    pub fn words(self) -> &'static str {
        match self {
            Rule::Silent => "silent",
            Rule::Unreadable => "cannot be read",
            Rule::Impossible => "reads what cannot be",
            Rule::Stuck => "stands still",
            Rule::RiseWithoutWater => "rose without water",
            Rule::AboveSaturation => "reads wetter than the soil can hold",
            Rule::SuddenFall => "fell at once",
            Rule::CreepsWet => "creeps wetter",
            Rule::Disagrees => "disagrees with another at its depth",
            Rule::DepthOrder => "answers water before the shallow one",
            Rule::Fed => "fed within two days",
            Rule::Contradicted => "contradicted by soil or eye",
        }
    }
}

/// What a probe does wrong, for the letter of a gear matter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // each variant says its fields
pub enum Fault {
    /// Nothing since `last_ms` although it usually reports every `usual_s`.
    Silent { last_ms: Option<Millis>, usual_s: u32 },
    /// The very same value for `hours` hours.
    Stuck { value: f64, hours: u32 },
    /// `count` impossible values in the last 24 h, the last of them `value`.
    Impossible { count: u32, value: f64 },
    /// A moisture probe that a rule of the soil speaks against since `since_ms`: what it read before, and now, m³/m³.
    Distrusted { rule: Rule, since_ms: Millis, before: f64, now: f64 },
    /// The broker cannot be reached or refuses us.
    BrokerAway { since_ms: Millis, words: String },
    /// Messages of the probe cannot be read.
    Unreadable { count: u32, words: String },
    /// The soil was wetted as by rain `times` times and the gauge showed none. `or_watered`: nothing parts rain
    /// from water that nobody logged.
    Clogged { times: u32, or_watered: bool },
    /// The gauge showed `gauge_mm` of `eye_mm` read by eye.
    ReadsShort { gauge_mm: f64, eye_mm: f64 },
    /// `times` showers in a row, `mm` in all, that wetted no probe.
    WettedNothing { times: u32, mm: f64 },
    /// Letters are refused for good, or the mail server refuses us.
    MailRefused { words: String },
    /// The store cannot be written.
    StoreFails { words: String },
}

/// What a call for cover rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ColdSign {
    /// The forecast of the afternoon.
    Afternoon,
    /// The forecast two hours after sunset, colder than that of the afternoon.
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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
}

/// The engine's state: what is to be kept so that a new engine can go on where this one stopped.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SavedState {
    /// Everything but the hours, as JSON.
    pub core: String,
    /// Hours touched since the last save: start of the hour and its sums as JSON. They replace kept
    /// ones of the same start; hours older than [`HOURS_KEPT_MS`] may be dropped.
    pub hours: Vec<(Millis, String)>,
}

/// How far back hourly sums reach: 15 days.
pub const HOURS_KEPT_MS: Millis = 15 * 24 * 3_600_000;

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
    /// The server does not take letters from us (wrong password, bad certificate, unreachable for long).
    Closed {
        /// What is wrong and what to do.
        words: String,
    },
}

impl fmt::Display for MatterKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.key())
    }
}

impl fmt::Display for Stand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.key())
    }
}
