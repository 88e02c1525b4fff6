//! Words for water and for leaving water alone.

use chrono::Datelike;

use crate::mail::amounts;
use crate::quantities::Quantity;
use crate::record::{Content, Dose, EvidenceRow, Task};
use crate::settings::garden::Units;

use super::{Care, Voice, Words};

fn dose(task: &Task) -> Option<&Dose> {
    match &task.content {
        Content::Water(dose) => Some(dose),
        _ => None,
    }
}

/// Over how many days the dose is spread, at least one.
fn days(dose: &Dose) -> u32 {
    dose.spread_days.max(1)
}

/// Litres of today.
pub fn today_l(dose: &Dose) -> f64 {
    dose.today_litres.unwrap_or(dose.litres / f64::from(days(dose)))
}

/// All the water the bed holds, mm; from share used and depletion.
fn held_mm(dose: &Dose) -> Option<f64> {
    let held = dose.depletion_mm / dose.share_used;
    (held.is_finite() && held > 0.0).then_some(held)
}

pub fn water(task: &Task, voice: &Voice) -> Words {
    let Some(dose) = dose(task) else { return Words::default() };
    let mut care = vec![Care::Lifting];
    if voice.garden.vessels.hose_l_min.is_some() {
        care.extend([Care::Hose, Care::Electricity]);
    }
    if hot(task, voice) {
        care.push(Care::Heat);
    }
    Words {
        head: head(dose, task, voice),
        brief: format!("{} {}", amounts::litres(today_l(dose), voice.units()), voice.before(task)),
        how: how(dose, voice),
        why: why(dose, task, voice),
        unless: unless(dose, voice),
        care,
    }
}

/// Carrying may be work in heat: the air of the last 24 hours reached 30 °C, or it is high summer, when a
/// cool yesterday promises nothing.
fn hot(task: &Task, voice: &Voice) -> bool {
    let probes = &voice.garden.probes;
    let is_air = |row: &&EvidenceRow| {
        probes.iter().any(|probe| probe.name == row.what && probe.quantity == Quantity::AirTemperature)
    };
    let was_hot = |row: &EvidenceRow| row.values.iter().flatten().any(|air_c| *air_c >= 30.0);
    let month = amounts::local(voice.now_ms, voice.garden.zone).month();
    let high_summer = match voice.garden.place.latitude_deg {
        north if north > TROPIC_DEG => (6..=8).contains(&month),
        south if south < -TROPIC_DEG => [12, 1, 2].contains(&month),
        _ => true,
    };
    high_summer || task.evidence.rows.iter().filter(is_air).any(was_hot)
}

/// Latitude of the tropics, degrees.
const TROPIC_DEG: f64 = 23.4;

fn head(dose: &Dose, task: &Task, voice: &Voice) -> String {
    let vessels = &voice.garden.vessels;
    let before = voice.before(task);
    let today = amounts::litres(today_l(dose), voice.units());
    let cans = amounts::cans(today_l(dose), vessels.can_l);
    // Beyond what one person is asked to carry, the first line must not read like an order to carry it.
    let most = f64::from(vessels.cans_a_day) * vessels.can_l;
    let carried = match vessels.hose_l_min {
        Some(l_min) if today_l(dose) > most => {
            format!("{cans} or {} of hose", amounts::hose(today_l(dose), l_min))
        }
        None if today_l(dose) > most => format!("{cans} (not more than {} a person)", vessels.cans_a_day),
        _ => cans,
    };
    if days(dose) > 1 {
        let all = amounts::litres(today_l(dose) * f64::from(days(dose)), voice.units());
        format!("{today} today, {carried}, {before}; {all} in all over {} days", days(dose))
    } else {
        format!("{today}, {carried}, {before}")
    }
}

fn how(dose: &Dose, voice: &Voice) -> Vec<String> {
    let vessels = &voice.garden.vessels;
    let units = voice.units();
    let mut how = Vec::new();
    let all = amounts::litres(dose.litres, units);
    how.push(if days(dose) > 1 {
        let today = amounts::litres(today_l(dose), units);
        voice.pick(
            format!(
                "The bed lacks {all} ({} over the rooted bed) and drinks on meanwhile: {today} a day brings it to \
                 the full mark, not beyond.",
                amounts::depth(dose.depth_mm, units)
            ),
            format!("{today} a day fills the bed; more than that at once does harm."),
        )
    } else { voice.pick(
        format!(
            "{all} is {} over the rooted bed: to the full mark, not beyond.",
            amounts::depth(dose.depth_mm, units)
        ),
        format!("{all} fills the bed; more than that does harm."),
    )});
    if let Some(l_min) = vessels.hose_l_min {
        how.push(format!("By hose: {}.", amounts::hose(today_l(dose), l_min)));
    }
    let passes = dose.passes.div_ceil(days(dose));
    how.push(if passes > 1 {
        format!("Give it in {passes} passes with half an hour between, so that the soil takes it.")
    } else {
        "Give it slowly, on the soil and not on the leaves.".to_owned()
    });
    how.push("Stop if it runs off at the foot of the mound.".to_owned());
    if days(dose) > 1 {
        let more = amounts::counted(f64::from(days(dose) - 1), "more day");
        how.push(format!("The same again on {more}: all at once after dry days can split the fruit."));
    }
    how.extend(dose.routine_litres.map(|usual_l| routine(today_l(dose), usual_l, voice)));
    how.extend(load(voice));
    how
}

/// The dose beside what the grower gives anyway.
fn routine(today_l: f64, usual_l: f64, voice: &Voice) -> String {
    let can_l = voice.garden.vessels.can_l;
    let usual = amounts::litres(usual_l, voice.units());
    let more_l = today_l - usual_l;
    let differ =
        format!("{}, {}", amounts::litres(more_l.abs(), voice.units()), amounts::cans(more_l.abs(), can_l));
    if more_l.abs() < can_l / 2.0 {
        format!("The usual {usual} is right, and today it matters.")
    } else if more_l > 0.0 {
        format!("That is {differ}, more than the usual {usual}.")
    } else {
        format!("That is {differ}, less than the usual {usual}.")
    }
}

/// What to do when the letter asks for more cans than one person should carry in a day.
fn load(voice: &Voice) -> Option<String> {
    let vessels = &voice.garden.vessels;
    let cap_l = f64::from(vessels.cans_a_day) * vessels.can_l;
    if voice.load_l <= cap_l {
        return None;
    }
    let cans = amounts::cans(voice.load_l, vessels.can_l);
    let most = vessels.cans_a_day;
    Some(match vessels.hose_l_min {
        Some(l_min) => format!(
            "Altogether {cans}: too much for one person to carry in a day ({most} at most). Use the hose, \
             {}, or share it with a second person.",
            amounts::hose(voice.load_l, l_min)
        ),
        None => format!(
            "Altogether {cans}: too much for one person to carry in a day ({most} at most). Share it with a \
             second person, or carry {most} now and the rest in the next window."
        ),
    })
}

fn why(dose: &Dose, task: &Task, voice: &Voice) -> Vec<String> {
    let mut why = if voice.is_grower() { figures(dose, voice) } else { plainly(dose) };
    let finger = amounts::finger(voice.units());
    if dose.book_alone {
        why.push(voice.pick(
            format!(
                "No moisture probe can be trusted now: this is the water book alone, a guess. Feel the soil \
                 at {finger} first and say it: rindwatch jot felt {} dry (or damp, or wet).",
                task.subject
            ),
            format!(
                "No probe in the soil can be trusted now, so this is a guess. Push a finger {finger} into the \
                 soil first: if it is wet, give nothing; if it is damp, give half."
            ),
        ));
    } else if let Some(probe) = &dose.drier_probe {
        why.push(voice.pick(
            format!("The spots disagree; the drier one stands for the bed: {probe}."),
            "One part of the bed is drier than the other; this goes by the drier one.",
        ));
    }
    why
}

fn figures(dose: &Dose, voice: &Voice) -> Vec<String> {
    let units = voice.units();
    let marks = held_mm(dose).map_or(String::new(), |held| {
        format!(
            ", refill mark at {}, stress mark at {}",
            amounts::percent(dose.refill_mm / held),
            amounts::percent(dose.stress_mm / held)
        )
    });
    let gone = format!(
        "{} of the held water is gone (±{}).",
        amounts::depth(dose.depletion_mm, units),
        amounts::depth(dose.depletion_sd_mm, units)
    );
    let ahead = match dose.hours_to_stress {
        Some(hours) if hours > 0.0 => {
            format!(" In hot weather the stress mark comes in {}.", amounts::hours(hours))
        }
        Some(_) => " The stress mark is passed: growth is being lost.".to_owned(),
        None => String::new(),
    };
    vec![format!("Share used {}{marks}.", amounts::percent(dose.share_used)), format!("{gone}{ahead}")]
}

fn plainly(dose: &Dose) -> Vec<String> {
    let gone = amounts::share_words(dose.share_used);
    let ahead = match dose.hours_to_stress {
        Some(hours) if hours > 0.0 => {
            format!("Without water the plant begins to suffer in {} if it is hot.", amounts::hours(hours))
        }
        Some(_) => "The plant is short of water already.".to_owned(),
        None => "It wants filling before the plant suffers.".to_owned(),
    };
    vec![format!("Of the water the bed can hold for the plant, {gone} is gone."), ahead]
}

fn unless(dose: &Dose, voice: &Voice) -> Vec<String> {
    let units = voice.units();
    let litres_per_mm = dose.litres / dose.depth_mm;
    if !litres_per_mm.is_finite() || dose.depth_mm <= 0.0 {
        return vec!["If it rains hard before then, skip it.".to_owned()];
    }
    // Rain that would do the work of the dose; a tenth of an inch is the smallest mark on a US gauge.
    let (step_mm, step) = match units {
        Units::Metric => (1.0, "mm"),
        Units::Us => (2.54, "tenth of an inch"),
    };
    vec![format!(
        "If it rains {} or more before then, skip it; each {step} of rain is {} less to give.",
        amounts::depth(dose.depth_mm.ceil(), units),
        amounts::litres(litres_per_mm * step_mm, units)
    )]
}

/// Why a call for water is withdrawn: where the bed stands now.
pub fn now_stands(task: &Task, voice: &Voice) -> Vec<String> {
    let Some(dose) = dose(task) else { return Vec::new() };
    let marks = held_mm(dose).map_or(String::new(), |held| {
        format!(", refill mark at {}", amounts::percent(dose.refill_mm / held))
    });
    vec![voice.pick(
        format!("Share used is now {}{marks}.", amounts::percent(dose.share_used)),
        "The bed has enough water again.",
    )]
}

pub fn hold_water(task: &Task, voice: &Voice) -> Words {
    let Content::HoldWater {
        rain_mm,
        dry_days,
        over_full_hours,
        routine_and_lack_litres: routine,
        split_time,
        until_ms,
    } = task.content
    else {
        return Words::default();
    };
    let usual = routine.map(|(litres, _)| amounts::litres(litres, voice.units()));
    let head = match until_ms {
        Some(until_ms) if until_ms > voice.now_ms && usual.is_some() => {
            let usual = usual.unwrap_or_default();
            format!("skip the usual {usual}; no water before {}", voice.moment(until_ms))
        }
        Some(until_ms) if until_ms > voice.now_ms => format!("no water before {}", voice.moment(until_ms)),
        _ => "no water until you hear more".to_owned(),
    };
    let mut how = vec!["Leave can and hose alone, and turn off a drip or timer that runs.".to_owned()];
    if voice.is_grower() && routine.is_none() {
        how.push("See that water can drain off the bed.".to_owned());
    }
    if split_time {
        how.push("Look at the fruit in the morning: ribs, blossom end and stem.".to_owned());
    }
    let mut why = Vec::new();
    if let Some(rain_mm) = rain_mm {
        let rain = amounts::depth(rain_mm, voice.units());
        let after = match dry_days {
            Some(days) if days > 0 => format!(" after {}", amounts::counted(f64::from(days), "dry day")),
            _ => String::new(),
        };
        why.push(format!("{rain} of rain in 24 hours{after}."));
    }
    if let Some((usual_l, lack_l)) = routine {
        let (usual, lack) = (amounts::litres(usual_l, voice.units()), amounts::litres(lack_l, voice.units()));
        why.push(format!(
            "It has rained: the bed lacks {lack} to its full mark, and the usual {usual} would run through."
        ));
    }
    if let Some(hours) = over_full_hours {
        let since = amounts::hours(hours);
        why.push(voice.pick(
            format!("The bed has stood above its full mark for {since}: its roots want air."),
            format!("The soil has held more water than is good for the roots for {since}."),
        ));
    }
    if split_time {
        why.push("Much water after little splits a fruit of this age.".to_owned());
    }
    Words {
        brief: head.clone(),
        head,
        how,
        why,
        unless: vec![format!(
            "If the leaves hang at dawn, feel the soil at {} and go by your hand; leaves that hang at midday \
             only are not thirsty.",
            amounts::finger(voice.units())
        )],
        care: vec![Care::Electricity],
    }
}
