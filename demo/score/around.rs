//! The days around each watering that was missed: what was true of the bed, what the engine believed, what was told.

use std::cell::RefCell;
use std::fmt::Write as _;

use rindwatch::engine::BedView;
use rindwatch::record::{MatterKey, Millis};

use super::play::{HOUR, Played, START_MS, Setup, play_watched};
use super::score::{self, Call};
use super::season_maker::BEDS;

/// Hours shown before a crossing, every so many of them, and after it.
const BEFORE_H: Millis = 60;
const STEP_H: Millis = 3;
const AFTER_H: Millis = 6;

/// Plays a season; gives it with what was believed of each bed at the end of each hour.
pub fn play(setup: Setup) -> (Played, Vec<(Millis, Vec<BedView>)>) {
    let believed = RefCell::new(Vec::new());
    let mut at_ms = START_MS;
    let played = play_watched(setup, |engine, _| {
        at_ms += HOUR;
        believed.borrow_mut().push((at_ms, engine.survey(at_ms).beds));
    });
    (played, believed.into_inner())
}

/// The hours around each missed watering, a line each; between them what was told and done.
pub fn misses(played: &Played, believed: &[(Millis, Vec<BedView>)]) -> String {
    let mut text = String::new();
    for (bed, name) in BEDS.into_iter().enumerate() {
        let stress_mm = score::stress_mm(played, bed);
        let missed = score::occasions(played, bed).into_iter().filter(|one| one.call == Call::Missed);
        for one in missed {
            writeln!(
                text,
                "  {} missed at {}; true mm of stress mark | believed ± of refill, stress",
                name,
                day(one.at_ms)
            )
            .unwrap();
            let (from_ms, to_ms) = (one.at_ms - BEFORE_H * HOUR, one.at_ms + AFTER_H * HOUR);
            let mut lines = happenings(played, bed, from_ms, to_ms);
            for (at, truth) in played.truth[bed].iter().enumerate() {
                let hour = (truth.at_ms - one.at_ms) / HOUR;
                if !(from_ms..=to_ms).contains(&truth.at_ms) || hour % STEP_H != 0 {
                    continue;
                }
                let mut line = format!("{:5.1} of {:4.1} | ", truth.depletion_mm, stress_mm[at]);
                let view = believed.iter().find(|(at_ms, _)| *at_ms == truth.at_ms);
                if let Some(view) = view.and_then(|(_, beds)| beds.iter().find(|view| view.name == name))
                    && let (Some((mm, sd_mm)), Some(refill_mm), Some(stress_mm)) =
                        (view.depletion_mm, view.refill_mm, view.stress_mm)
                {
                    write!(
                        line,
                        "{mm:5.1} ± {sd_mm:3.1} of {refill_mm:4.1}, {stress_mm:4.1}; {}",
                        view.rests_on
                    )
                    .unwrap();
                }
                lines.push((truth.at_ms, line));
            }
            lines.sort_by_key(|(at_ms, _)| *at_ms);
            for (at_ms, line) in lines {
                writeln!(text, "    {} {line}", day(at_ms)).unwrap();
            }
        }
    }
    text
}

/// What was told, done and decided of a bed, and the rain.
fn happenings(played: &Played, bed: usize, from_ms: Millis, to_ms: Millis) -> Vec<(Millis, String)> {
    let span = from_ms..=to_ms;
    let mut lines = Vec::new();
    for pour in played.pours.iter().filter(|pour| pour.bed == bed) {
        lines.push((
            pour.at_ms,
            format!("poured {} L{}", pour.litres, if pour.logged { "" } else { ", not written down" }),
        ));
    }
    for change in
        played.changes().filter(|change| change.subject == BEDS[bed] && change.matter == MatterKey::Water)
    {
        lines.push((change.at_ms, format!("{:?}: {}", change.to, change.why)));
    }
    for (at_ms, task) in played.told(MatterKey::Water).filter(|(_, task)| task.subject == BEDS[bed]) {
        lines.push((at_ms, format!("letter: {:?}", task.telling)));
    }
    for hour in played.truth[bed].iter().filter(|hour| hour.rain_mm >= 0.5) {
        lines.push((hour.at_ms, format!("rain {:.1} mm", hour.rain_mm)));
    }
    lines.retain(|(at_ms, _)| span.contains(at_ms));
    lines
}

fn day(at_ms: Millis) -> String {
    let hour = (at_ms - START_MS) / HOUR;
    format!("day {:3} {:02} h", hour / 24, hour % 24)
}
