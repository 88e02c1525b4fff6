//! The one canonical line of an entry; reading it back gives the same entry.

use std::fmt;

use super::{Entry, Feel, FlowerState, FruitState, ProbeChange, VineWork};

impl fmt::Display for Entry {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Entry::Watered { bed, litres } => write!(f, "watered {bed} {litres} L"),
            Entry::Rain { depth_mm } => write!(f, "rain {depth_mm} mm"),
            Entry::Tape { fruit, around_cm, stem_cm, side_cm, length_cm } => {
                write!(f, "tape {fruit}")?;
                let parts =
                    [("around", around_cm), ("stem", stem_cm), ("side", side_cm), ("length", length_cm)];
                parts.iter().try_for_each(|(key, length_cm)| match length_cm {
                    Some(length_cm) => write!(f, " {key} {length_cm} cm"),
                    None => Ok(()),
                })
            }
            Entry::Flower { flower, state, bed } => {
                write!(f, "flower {flower} {state}")?;
                bed.iter().try_for_each(|bed| write!(f, " on {bed}"))
            }
            Entry::Fruit { fruit, state, bed } => {
                write!(f, "fruit {fruit} {state}")?;
                bed.iter().try_for_each(|bed| write!(f, " on {bed}"))
            }
            Entry::Weighed { fruit, mass_kg } => write!(f, "weighed {fruit} {mass_kg} kg"),
            Entry::Buried { bed, nodes } => write!(f, "buried {bed} {nodes} nodes"),
            Entry::Leafed { bed, area_m2 } => write!(f, "leafed {bed} {area_m2} m2"),
            Entry::Rooted { bed, area_m2 } => write!(f, "rooted {bed} {area_m2} m2"),
            Entry::Fed { bed, what } => write!(f, "fed {bed} {what}"),
            Entry::Scouted { counts } => {
                f.write_str("scouted")?;
                counts.iter().try_for_each(|(what, count)| write!(f, " {what} {count}"))
            }
            Entry::Shaded { what, on: true } => write!(f, "shaded {what}"),
            Entry::Shaded { what, on: false } => write!(f, "unshaded {what}"),
            Entry::Covered { what, on: true } => write!(f, "covered {what}"),
            Entry::Covered { what, on: false } => write!(f, "uncovered {what}"),
            Entry::Probe { probe, change } => write!(f, "probe {probe} {change}"),
            Entry::Felt { bed, feel } => write!(f, "felt {bed} {feel}"),
            Entry::Marks { bed, refill_share_used } => {
                write!(f, "marks {bed} refill {} %", percent(*refill_share_used))
            }
            Entry::Accept { number } => write!(f, "accept {number}"),
            Entry::Away { from, to, stand_in } => {
                write!(f, "away {from} to {to}")?;
                stand_in.iter().try_for_each(|name| write!(f, " stand-in {name}"))
            }
            Entry::Done { task } => write!(f, "done {task}"),
            Entry::Later { task, until } => write!(f, "later {task} {}", until.format("%H:%M")),
            Entry::NotNeeded { task } => write!(f, "not needed {task}"),
            Entry::Planted { bed } => write!(f, "planted {bed}"),
            Entry::CoreHot { bed } => {
                f.write_str("mound core hot")?;
                bed.iter().try_for_each(|bed| write!(f, " {bed}"))
            }
            Entry::VineWork { bed, what: VineWork::Pruned } => write!(f, "pruned {bed}"),
            Entry::VineWork { bed, what: VineWork::Pinned } => write!(f, "pinned {bed}"),
            Entry::Sprayed { bed, wait_days } => write!(f, "sprayed {bed} {wait_days}"),
            Entry::Note { words } => write!(f, "note {words}"),
        }
    }
}

/// The percent that, divided by 100, gives `share` again: 100 × share may miss by the last bit.
fn percent(share: f64) -> f64 {
    let plain = share * 100.0;
    let tidy = (plain * 1e9).round() / 1e9;
    if tidy / 100.0 == share { tidy } else { plain }
}

impl fmt::Display for FlowerState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            FlowerState::Bud => "bud",
            FlowerState::OpenTomorrow => "open tomorrow",
            FlowerState::Open => "open",
            FlowerState::Pollinated { by_hand: true } => "pollinated by hand",
            FlowerState::Pollinated { by_hand: false } => "pollinated",
            FlowerState::Set => "set",
            FlowerState::Lost => "lost",
        })
    }
}

impl fmt::Display for FruitState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            FruitState::Keeper => "keeper",
            FruitState::Spare => "spare",
            FruitState::Culled => "culled",
            FruitState::Cut => "cut",
            FruitState::Lost => "lost",
        })
    }
}

impl fmt::Display for Feel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Feel::Dry => "dry",
            Feel::Damp => "damp",
            Feel::Wet => "wet",
        })
    }
}

impl fmt::Display for ProbeChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ProbeChange::Moved => f.write_str("moved"),
            ProbeChange::Battery => f.write_str("battery"),
            ProbeChange::FullMark(mark) => write!(f, "full mark {mark}"),
            ProbeChange::DryMark(mark) => write!(f, "dry mark {mark}"),
        }
    }
}
