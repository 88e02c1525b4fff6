//! The words of the morning note.

use super::{Voice, outside};
use crate::mail::amounts;
use crate::record::{Morning, MorningBed, MorningTask};

/// Longest sentence that is not of this catalogue, characters.
const SENTENCE_LENGTH: usize = 400;
/// Longest name, characters.
const NAME_LENGTH: usize = 60;

/// Labels of the note's parts.
pub mod label {
    #![allow(missing_docs)] // they are the labels themselves
    pub const NOTE: &str = "Morning note";
    pub const OPEN: &str = "Open";
    pub const ENDED: &str = "Ended";
    pub const BEDS: &str = "Beds";
    pub const WEATHER: &str = "Weather";
    pub const PROBES: &str = "Probes";
    pub const NOTES: &str = "Also";
}

/// The subject of a note that leaves by itself.
pub fn subject(morning: &Morning) -> String {
    let open = morning.open.iter().filter(|task| !task.answered).count();
    let open = match open {
        0 => "nothing new to do".to_owned(),
        n => format!("{} still open", amounts::counted(n as f64, "task")),
    };
    let shortest = morning.beds.iter().filter_map(|bed| bed.cover_days).map(|(days, _)| days);
    let water =
        shortest.reduce(f64::min).map_or_else(String::new, |days| format!(", water for {}", lasts(days)));
    match morning.next_ms {
        Some(_) => format!("Morning note: {open}{water}"),
        None => "Last morning note: nothing grows any more".to_owned(),
    }
}

/// The first line of a note that leaves by itself.
pub fn head(morning: &Morning) -> String {
    if morning.next_ms.is_none() {
        return "Nothing grows any more: this is the last morning note.".to_owned();
    }
    match morning.open.iter().any(|task| !task.answered) {
        false => "Nothing new to do.".to_owned(),
        true => "Nothing new to do; what was told before is still open.".to_owned(),
    }
}

/// The parts of the note: a label and its sentences, in the order they are read.
pub fn parts(morning: &Morning, voice: &Voice) -> Vec<(&'static str, Vec<String>)> {
    let open = morning.open.iter().map(|task| open_task(task, voice)).collect();
    let ended = morning.handled.iter().map(|task| format!("{}. {}", task.number, named(task))).collect();
    let beds = morning.beds.iter().map(|bed| of_bed(bed, voice)).collect();
    let notes = morning.notes.iter();
    let notes = notes.map(|note| amounts::spreads_in_units(&outside(note, SENTENCE_LENGTH), voice.units()));
    let all = [
        (label::OPEN, open),
        (label::ENDED, ended),
        (label::BEDS, beds),
        (label::WEATHER, weather(morning, voice)),
        (label::PROBES, probes(morning)),
        (label::NOTES, notes.collect()),
    ];
    all.into_iter().filter(|(_, sentences): &(_, Vec<String>)| !sentences.is_empty()).collect()
}

/// When the next note comes, and from when its absence is a warning.
pub fn life_sign(morning: &Morning, voice: &Voice) -> String {
    match morning.next_ms.zip(morning.overdue_ms) {
        Some((next_ms, overdue_ms)) => format!(
            "The next note comes at {}. If it is not there by {}, the box, its network or its mail have failed: go \
             and feel the soil {} down, and look at the box.",
            voice.moment(next_ms),
            amounts::local(overdue_ms, voice.garden.zone).format("%H:%M"),
            amounts::finger(voice.units())
        ),
        None => {
            "No more come until something is planted again: from here on silence says nothing.".to_owned()
        }
    }
}

/// What works as an answer to the tasks that are open.
pub fn answer(morning: &Morning, voice: &Voice) -> String {
    let open = morning.open.iter().find(|task| !task.answered);
    match open.filter(|_| voice.is_grower()) {
        Some(task) => format!("To answer, on the board: rindwatch jot done {}", task.number),
        None => "Nothing to answer.".to_owned(),
    }
}

fn named(task: &MorningTask) -> String {
    format!("{}: {}", outside(&task.title, NAME_LENGTH), task.matter.key())
}

fn open_task(task: &MorningTask, voice: &Voice) -> String {
    let when = match task.by_ms {
        Some(by_ms) if by_ms > voice.now_ms => format!(", before {}", voice.moment(by_ms)),
        Some(by_ms) => format!(", was due {}", voice.moment(by_ms)),
        None => String::new(),
    };
    let answered = if task.answered { " (answered; the soil will tell)" } else { "" };
    format!("{}. {}{when}{answered}", task.number, named(task))
}

/// A number of days as one says it: "3 days", "half a day"; "over 2 weeks" where demand is next to nothing.
fn lasts(days: f64) -> String {
    match days {
        days if !days.is_finite() || days > 14.0 => "over 2 weeks".to_owned(),
        days if days < 0.25 => "less than half a day".to_owned(),
        days if days < 0.75 => "half a day".to_owned(),
        days => amounts::counted(days.round(), "day"),
    }
}

fn of_bed(bed: &MorningBed, voice: &Voice) -> String {
    let title = outside(&bed.title, NAME_LENGTH);
    let stage = bed.stage.as_ref().map_or_else(String::new, |stage| format!(" ({stage})"));
    let water = match (bed.share_used, bed.cover_days) {
        (Some((share, sd)), Some((days, hot_days))) => {
            let used = amounts::percent(share.clamp(0.0, 1.0));
            let sd = if sd >= 0.005 { format!(" ± {}", amounts::percent(sd)) } else { String::new() };
            let (usual, hot) = (lasts(days), lasts(hot_days));
            let lasts = match (days < 0.05, usual == hot) {
                (true, _) => "past its refill mark".to_owned(),
                (false, true) => format!("lasts {usual} to the refill mark"),
                (false, false) => format!("lasts {usual} to the refill mark, {hot} if hot"),
            };
            format!("{used}{sd} of its water used, {lasts}")
        }
        _ => "how much water it holds is not known yet".to_owned(),
    };
    let given = match bed.given_litres {
        litres if litres >= 0.5 => {
            format!("; {} given since yesterday", amounts::litres(litres, voice.units()))
        }
        _ => String::new(),
    };
    format!("{title}{stage}: {water}{given}.")
}

fn weather(morning: &Morning, voice: &Voice) -> Vec<String> {
    let units = voice.units();
    let yesterday = morning.yesterday.and_then(|day| {
        let air = day.air_c.map(|(low, high)| {
            let guess = if day.guessed { ", guessed from the soil" } else { "" };
            format!("{} to {}{guess}", amounts::temperature(low, units), amounts::temperature(high, units))
        });
        let rain = match day.rain_mm {
            Some(mm) if mm < 0.05 => "no rain".to_owned(),
            Some(mm) => format!("{} of rain", amounts::depth(mm, units)),
            None => "rain not known".to_owned(),
        };
        air.map(|air| format!("Yesterday {air}; {rain}.")).or_else(|| Some(format!("Yesterday: {rain}.")))
    });
    let today = morning.foreseen_max_c.map(|(max_c, sd_c)| {
        let (max, sd) = (amounts::temperature(max_c, units), amounts::temperature_spread(sd_c, units));
        format!("Today's highest, foreseen at dawn: {max} ({sd}).")
    });
    yesterday.into_iter().chain(today).collect()
}

fn probes(morning: &Morning) -> Vec<String> {
    let (good, all) = morning.probes_good;
    let first = match good == all {
        true => format!("All {all} speak and are believed."),
        false => format!("{good} of {all} speak and are believed."),
    };
    let amiss = morning.probes_amiss.iter();
    let amiss =
        amiss.map(|(name, why)| format!("{}: {}", outside(name, NAME_LENGTH), outside(why, SENTENCE_LENGTH)));
    std::iter::once(first).chain(amiss).collect()
}
