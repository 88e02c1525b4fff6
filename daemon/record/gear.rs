//! What a probe, the broker, the mail or the board does wrong, and by which rule that is known.

use serde::{Deserialize, Serialize};

use super::{BoardFault, Millis};

/// Which rule speaks against a probe. A reader sees [`Rule::words`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// Nothing comes.
    Silent,
    /// Its messages cannot be read.
    Unreadable,
    /// Its node sends without pause.
    Floods,
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
            Rule::Floods => "floods",
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
            Rule::Floods => "floods",
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
    /// Nothing since `last_ms` although it usually reports every `usual_s`; `gone`: the broker says that its node is.
    Silent {
        last_ms: Option<Millis>,
        usual_s: u32,
        #[serde(default)]
        gone: bool,
    },
    /// The very same value for `hours` hours.
    Stuck { value: f64, hours: u32 },
    /// `count` impossible values in the last 24 h, the last of them `value`.
    Impossible { count: u32, value: f64 },
    /// A moisture probe that a rule of the soil speaks against since `since_ms`: what it read before, and now, m³/m³.
    Distrusted { rule: Rule, since_ms: Millis, before: f64, now: f64 },
    /// A node's battery stands at `level`, in the unit of its probe, and is guessed to reach `end` in `days` at the slope
    /// of its last weeks; `before`: the last day of an absence that it does not last through; this cell was `told` before.
    BatteryLow { level: f64, end: f64, days: u32, before: Option<chrono::NaiveDate>, told: bool },
    /// The broker cannot be reached or refuses us.
    BrokerAway { since_ms: Millis, words: String },
    /// Messages of the probe cannot be read.
    Unreadable { count: u32, words: String },
    /// Its node sends without pause; `count` readings and refusals were not kept.
    Floods { count: u32 },
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
    /// The board itself.
    Board { fault: BoardFault },
}
