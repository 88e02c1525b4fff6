//! Amounts that are possible and odd: whoever types one is asked before it counts.
//!
//! All limits are judgement: wide enough that a usual day is never asked about, narrow enough that a slip of a digit
//! is.

use crate::daybook::Entry;
use crate::record::Millis;
use crate::settings::garden::Bed;

use super::core::Engine;

/// More than this share of all the water that the rooted soil holds is asked about.
const MOST_OF_HELD: f64 = 1.0;
/// Rain of one reading by eye, mm.
const RAIN_MM: f64 = 80.0;
/// An area so many times the one known, or its inverse.
const AREA_TIMES: f64 = 3.0;
/// Nodes buried on one day.
const NODES: u32 = 60;
/// A scale so far off the tape's estimate, as ratio.
const MASS_TIMES: f64 = 1.5;
/// Days a label lets one wait.
const WAIT_DAYS: u32 = 60;

impl Engine {
    /// What to ask about a line before it is taken, in words; `None` = nothing about it is odd.
    pub fn asks(&self, entry: &Entry, happened_ms: Millis) -> Option<String> {
        let date = self.calendar.date(happened_ms);
        let facts = &self.memory.facts;
        match entry {
            Entry::Watered { bed, litres } => {
                let bed = self.garden.bed(bed)?;
                let held_l = 1000.0 * (bed.full - bed.wilt) * bed.depth_m * facts.rooted_m2(bed, date);
                (*litres > MOST_OF_HELD * held_l).then(|| {
                    format!(
                        "That is {litres:.0} L, more than all the water the rooted soil of {} can hold \
                         ({held_l:.0} L). Is it right?",
                        bed.title
                    )
                })
            }
            Entry::Rain { depth_mm } => (*depth_mm > RAIN_MM)
                .then(|| format!("{depth_mm:.0} mm of rain is a cloudburst. Is it right?")),
            Entry::Leafed { bed, area_m2 } => {
                let bed = self.garden.bed(bed)?;
                let known = facts.leafed_m2(bed, date, |_| 1.0)?;
                odd_area("leaves", bed, known, *area_m2)
            }
            Entry::Rooted { bed, area_m2 } => {
                let bed = self.garden.bed(bed)?;
                odd_area("roots", bed, facts.rooted_m2(bed, date), *area_m2)
            }
            Entry::Buried { nodes, .. } => {
                (*nodes > NODES).then(|| format!("{nodes} nodes buried in one go. Is it right?"))
            }
            Entry::Sprayed { wait_days, .. } => (*wait_days > WAIT_DAYS)
                .then(|| format!("{wait_days} days to wait by the label. Is it right?")),
            Entry::Weighed { fruit, mass_kg } => {
                let fruits = self.fruit_views(&self.scene(happened_ms));
                let (guess_kg, _) = fruits.into_iter().find(|view| view.name == *fruit)?.mass_kg?;
                let off = *mass_kg > guess_kg * MASS_TIMES || *mass_kg * MASS_TIMES < guess_kg;
                off.then(|| {
                    format!("The tape says about {guess_kg:.0} kg, the scale {mass_kg:.0} kg. Is it right?")
                })
            }
            _ => None,
        }
    }
}

fn odd_area(what: &str, bed: &Bed, known_m2: f64, area_m2: f64) -> Option<String> {
    let off = known_m2 > 0.0 && (area_m2 > known_m2 * AREA_TIMES || area_m2 * AREA_TIMES < known_m2);
    off.then(|| {
        format!(
            "The {what} of {} covered {known_m2:.1} m² so far, now {area_m2:.1} m². Is it right?",
            bed.title
        )
    })
}
