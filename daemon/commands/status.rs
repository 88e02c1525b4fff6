//! `status`: what stands now.

use std::fmt::Write as _;
use std::io::Write;
use std::time::Duration;

use chrono::TimeZone;
use chrono_tz::Tz;

use super::{Exit, Failure, Place};
use crate::clock::Clock;
use crate::engine::{BedView, FruitView, MatterView, ProbeView, ProposalView, StageView, Trust, Watering};
use crate::local::{self, Answer, LocalError, Request, Status};
use crate::record::{MatterKey, Millis};
use crate::settings::garden::Garden;
use crate::store::{Reader, Store, StoreError};

const PATIENCE: Duration = Duration::from_secs(10);

/// Arguments of `status`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
}

/// Writes what stands now: from the daemon, or, when none runs, what the store holds.
///
/// # Errors
/// No store, or a daemon that does not answer.
pub fn main(args: &Args, out: &mut dyn Write) -> Result<Exit, Failure> {
    let garden = args.place.garden()?;
    let data = args.place.data();
    let (text, exit) = match local::ask(&data, &Request::Status, PATIENCE) {
        Ok(Answer::Status(status)) => (running(&status, garden.zone), Exit::Done),
        Ok(Answer::Refused { words } | Answer::Busy { words }) => return Err(Failure::Failed(words)),
        Ok(Answer::Done { words } | Answer::Asks { words }) => {
            return Err(Failure::failed(LocalError::Garbled(words)));
        }
        Err(LocalError::NobodyHome) => {
            let reader = Store::open_to_read(&data).map_err(Failure::failed)?;
            (asleep(&reader, &garden).map_err(Failure::failed)?, Exit::PartsLeftOut)
        }
        Err(error) => return Err(Failure::failed(error)),
    };
    out.write_all(text.as_bytes()).map_err(Failure::failed)?;
    Ok(exit)
}

/// The answer of a running daemon, in lines.
fn running(status: &Status, zone: Tz) -> String {
    let mut out = String::new();
    let mut line = |words: String| {
        // Writing to a string cannot fail.
        let _ = writeln!(out, "{}", super::one_line(&words));
    };
    line(format!("{}  rindwatch runs", moment(status.at_ms, zone)));
    line(format!("clock: {}", status.clock));
    for (what, wrong) in [("broker", &status.broker), ("mail", &status.mail), ("store", &status.store)] {
        if let Some(words) = wrong {
            line(format!("{what}: {words}"));
        }
    }
    let survey = &status.survey;
    for bed in &survey.beds {
        line(bed_line(bed));
        bed.stage
            .iter()
            .flat_map(stage_lines)
            .chain(bed.notes.clone())
            .for_each(|words| line(format!("  {words}")));
    }
    survey.waterings.iter().for_each(|watering| line(watering_line(watering, zone)));
    survey.probes.iter().for_each(|probe| line(probe_line(probe, status.at_ms)));
    survey.fruits.iter().for_each(|fruit| line(fruit_line(fruit, status.at_ms)));
    // What is wrong with the mail server stands above.
    let said = |matter: &&MatterView| {
        let mail = matter.matter == MatterKey::Mail && matter.subject.is_empty();
        mail && status.mail.is_some()
    };
    survey.matters.iter().filter(|one| !said(one)).for_each(|matter| line(matter_line(matter, zone)));
    if survey.matters.is_empty() {
        line("nothing to do".to_owned());
    }
    survey.proposals.iter().for_each(|proposal| line(proposal_line(proposal)));
    line(letters_line(status.letters_waiting as u64, status.letters_overtaken));
    status.board.iter().for_each(|words| line(format!("box, {words}")));
    let counts = &status.counts;
    line(format!(
        "since the start: {} messages, {} readings, {} doubted, {} repeats, {} refused",
        counts.messages, counts.readings, counts.doubted, counts.repeats, counts.refused
    ));
    for refusal in &status.refusals {
        line(format!("refused {}: {}: {}", moment(refusal.arrived_ms, zone), refusal.topic, refusal.reason));
    }
    for unknown in &status.unknown_topics {
        line(format!(
            "no probe reads {} ({} times, last: {})",
            unknown.topic, unknown.count, unknown.payload
        ));
    }
    out
}

/// What the store alone can tell.
fn asleep(reader: &Reader, garden: &Garden) -> Result<String, StoreError> {
    let now_ms = Clock::real().wall_ms();
    let mut out = format!(
        "{}  no daemon runs on this data folder; beds and matters are left out, this is from the store\n",
        moment(now_ms, garden.zone)
    );
    for last in reader.last_readings()? {
        let reading = last.reading;
        let _ = write!(out, "probe {}: {} {}", last.series.probe, reading.value, last.series.unit);
        let _ = writeln!(out, ", {} ago", age(now_ms - reading.at_ms));
    }
    let counts = reader.counts()?;
    let _ = writeln!(out, "{}", letters_line(counts.letters_waiting, reader.letters_overtaken()?));
    let _ = writeln!(out, "stored: {} readings, {} refusals", counts.readings(), counts.refusals);
    Ok(out)
}

fn letters_line(waiting: u64, overtaken: u64) -> String {
    let overtaken = match overtaken {
        0 => String::new(),
        n => format!("; overtaken while they waited, not sent: {n}"),
    };
    format!("letters waiting: {waiting}{overtaken}")
}

fn bed_line(bed: &BedView) -> String {
    let known = |value: Option<f64>, words: &str| value.map(|value| format!("{value:.1} {words}"));
    let parts = [
        bed.share_used.map(|share| format!("{:.0}{} % of its water used", share * 100.0, spread(bed))),
        known(bed.cover_days, "days to the refill mark"),
        known(bed.cover_days_hot, "in hot weather"),
        bed.litres_to_full.map(|litres| format!("{litres:.0} L to the full mark")),
        (!bed.rests_on.is_empty()).then(|| bed.rests_on.clone()),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    let words = if parts.is_empty() { "nothing known yet".to_owned() } else { parts.join(", ") };
    format!("bed {}: {words}", bed.name)
}

/// Where the plant stands, then one line a step to come.
fn stage_lines(stage: &StageView) -> Vec<String> {
    let mut lines = vec![format!("{}, by {}", stage.stage, stage.rests_on)];
    lines.extend(stage.ahead.iter().map(|step| {
        let rests_on = if step.rests_on.is_empty() { String::new() } else { format!(" ({})", step.rests_on) };
        format!("{}: {}{rests_on}", step.what, step.when())
    }));
    lines.extend((!stage.coverage.is_empty()).then(|| stage.coverage.clone()));
    lines
}

/// " ±4" behind a share used, where its spread is known.
fn spread(bed: &BedView) -> String {
    let known = bed.depletion_mm.zip(bed.taw_mm).filter(|(_, held_mm)| *held_mm > 0.0);
    known.map(|((_, sd_mm), held_mm)| format!(" ±{:.0}", 100.0 * sd_mm / held_mm)).unwrap_or_default()
}

/// What was given and what of it arrived.
fn watering_line(watering: &Watering, zone: Tz) -> String {
    let given = if watering.logged {
        format!("{:.0} L by the day book", watering.litres)
    } else {
        format!("about {:.0} L, recognised from the soil", watering.litres)
    };
    let arrived = watering.arrived.as_ref().map_or_else(
        || "; no probe can tell what arrived".to_owned(),
        |kept| {
            let depths: Vec<String> =
                kept.depths.iter().map(|(m, mm)| format!("{mm:.1} mm at {:.0} cm", m * 100.0)).collect();
            format!("; arrived: {}", depths.join(", "))
        },
    );
    let shed = if watering.was_shed() { "; most of it ran off or was shed by dry soil" } else { "" };
    format!("watered {} {}: {given}{arrived}{shed}", watering.bed, moment(watering.at_ms, zone))
}

fn probe_line(probe: &ProbeView, now_ms: Millis) -> String {
    let reading = match (probe.value, probe.at_ms) {
        (Some(value), Some(at_ms)) => format!("{value} {}, {} ago", probe.unit, age(now_ms - at_ms)),
        _ => "no reading yet".to_owned(),
    };
    let left = probe.battery_days.map(|days| format!("; about {days:.0} days left at its slope, a guess"));
    let reading = reading + &left.unwrap_or_default();
    match probe.trust {
        Trust::Good => format!("probe {}: {reading}", probe.name),
        Trust::Doubtful => format!("probe {}: {reading}; doubtful: {}", probe.name, probe.why),
        Trust::Condemned => format!("probe {}: {reading}; not used: {}", probe.name, probe.why),
        Trust::Missing => format!("probe {}: {reading}; silent: {}", probe.name, probe.why),
    }
}

fn fruit_line(fruit: &FruitView, now_ms: Millis) -> String {
    let taped = fruit.taped_ms.map(|at_ms| age(now_ms - at_ms)).unwrap_or_default();
    let parts = [
        fruit.state.map(|state| state.to_string()),
        fruit.age_days.map(|days| format!("{days} days after pollination")),
        fruit.weighed_kg.map(|kg| format!("weighed {kg:.0} kg")),
        fruit.mass_kg.map(|(kg, sd_kg)| format!("{kg:.0} ± {sd_kg:.0} kg by the tape of {taped} ago")),
        fruit.gain_kg_day.map(|gain| format!("{gain:+.1} kg a day")),
        fruit
            .final_kg
            .map(|(low, kg, high)| format!("ends at {kg:.0} kg ({low:.0} to {high:.0}, 4 times in 5)")),
        (!fruit.curve.is_empty()).then(|| fruit.curve.clone()),
        (!fruit.note.is_empty()).then(|| fruit.note.clone()),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    format!("fruit {}: {}", fruit.name, parts.join(", "))
}

fn matter_line(matter: &MatterView, zone: Tz) -> String {
    let number = matter.number.map(|number| format!("{number}. ")).unwrap_or_default();
    let by = matter.by_ms.map(|by| format!(", by {}", moment(by, zone))).unwrap_or_default();
    let subject = if matter.subject.is_empty() { String::new() } else { format!(" {}", matter.subject) };
    format!("{number}{}{subject}: {}{by}: {}", matter.matter, matter.stand, matter.why)
}

fn proposal_line(proposal: &ProposalView) -> String {
    let ProposalView { number, probe, new, unit, why, .. } = proposal;
    let old = proposal.old.map(|old| format!(" instead of {old}")).unwrap_or_default();
    if proposal.applied {
        return format!("{number}. probe {probe}: full mark {new} {unit}, applied: {why}");
    }
    format!(
        "{number}. probe {probe}: full mark {new} {unit}{old}: {why} (rindwatch jot accept {number}, or not needed \
         {number})"
    )
}

/// Local time as people read it.
fn moment(ms: Millis, zone: Tz) -> String {
    match zone.timestamp_millis_opt(ms).single() {
        Some(time) => time.format("%Y-%m-%d %H:%M").to_string(),
        None => "at an impossible time".to_owned(),
    }
}

/// An age in its largest whole unit.
fn age(ms: Millis) -> String {
    match ms / 1000 {
        seconds @ ..120 => format!("{} s", seconds.max(0)),
        seconds @ ..7200 => format!("{} min", seconds / 60),
        seconds @ ..172_800 => format!("{} h", seconds / 3600),
        seconds => format!("{} days", seconds / 86_400),
    }
}
