//! Kinds of advice, where each stands, and how it changes.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::Millis;

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
    /// What a bed's advice rests on cannot be seen: some of it is a guess, or cannot be given.
    Blind,
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
            MatterKey::Blind => "blind",
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
