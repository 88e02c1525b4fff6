//! Words for a bed that cannot be seen.

use crate::mail::amounts;
use crate::record::{Content, Decision, Task, Unseen};

use super::{Care, Voice, Words};

/// A bed that cannot be seen, as the task holds it.
struct Blind<'a> {
    bed: &'a str,
    unseen: &'a [Unseen],
    litres: Option<(f64, f64)>,
    dry: bool,
}

pub fn blind(task: &Task, voice: &Voice) -> Words {
    let Content::Blind { unseen, litres, dry } = &task.content else { return Words::default() };
    let blind = Blind { bed: &task.subject, unseen, litres: *litres, dry: *dry };
    let what = list(unseen.iter().map(|one| one.decision.key()));
    let water = unseen.iter().any(|one| one.decision == Decision::Water);
    let (head, brief) = if blind.dry {
        let head = format!("it may be dry, and nothing sees it: feel the soil {}", voice.before(task));
        (head.clone(), head)
    } else if water {
        (
            format!("{what} cannot be seen; feel the soil {}", voice.before(task)),
            format!("{what} cannot be seen"),
        )
    } else {
        (format!("{what} cannot be foreseen; go by a thermometer"), format!("{what} cannot be foreseen"))
    };
    let mut care = Vec::new();
    if water {
        care.push(Care::Lifting);
    }
    for one in unseen {
        match one.decision {
            Decision::Water | Decision::Plant => {}
            Decision::Shade => care.extend([Care::Heat, Care::Sheets]),
            Decision::Cover => care.push(Care::NightSheets),
        }
    }
    Words {
        head,
        brief,
        how: unseen.iter().flat_map(|one| how(one, &blind, voice)).collect(),
        why: why(&blind, voice),
        unless: vec!["If it can be seen again, this is over, and you will be told.".to_owned()],
        care,
    }
}

/// What could not be seen and can be again.
pub fn seen_again(task: &Task) -> String {
    let Content::Blind { unseen, .. } = &task.content else { return String::new() };
    let what = list(unseen.iter().map(|one| one.decision.key()));
    let is = if unseen.len() == 1 { "is" } else { "are" };
    format!("Readings have come again: {what} {is} judged by them from now on.")
}

fn list<'w>(words: impl Iterator<Item = &'w str>) -> String {
    let words: Vec<&str> = words.collect();
    match words.split_last() {
        Some((last, [])) => (*last).to_owned(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
        None => String::new(),
    }
}

fn how(one: &Unseen, blind: &Blind<'_>, voice: &Voice) -> Vec<String> {
    match one.decision {
        Decision::Water => by_finger(one, blind, voice),
        Decision::Shade => vec![
            "Shade: hang a thermometer in the shade. On a clear morning that is warm already at half past nine, shade \
             the fruit by 11:00; a cloth laid in vain does no harm."
                .to_owned(),
        ],
        Decision::Cover => vec![
            "Cover: on clear, calm evenings cover plant and fruit before dark, and take the sheets off in the morning."
                .to_owned(),
        ],
        Decision::Plant => {
            vec!["Setting out: push a thermometer 10 cm into the soil on three mornings.".to_owned()]
        }
    }
}

fn by_finger(one: &Unseen, blind: &Blind<'_>, voice: &Voice) -> Vec<String> {
    let finger = amounts::finger(voice.units());
    let mut how = vec![voice.pick(
        format!(
            "Water: each morning feel the soil at {finger} and say it: rindwatch jot felt {} dry (or damp, or wet).",
            blind.bed
        ),
        format!("Water: each morning push a finger {finger} into the soil."),
    )];
    how.extend(blind.litres.filter(|(litres, _)| *litres >= 1.0).map(|(litres, _)| {
        let most_l = f64::from(voice.garden.vessels.cans_a_day) * voice.garden.vessels.can_l;
        let today_l = litres.min(most_l);
        let today = amounts::litres(today_l, voice.units());
        let cans = amounts::cans(today_l, voice.garden.vessels.can_l);
        let rest = if litres > most_l { ", and feel again the next day" } else { "" };
        format!("Dry to the finger: give {today}, {cans}{rest}. Damp: half of that. Wet: nothing.")
    }));
    how.push(
        "Look at the leaves at dawn: if they hang then, the plant is thirsty; leaves that hang at midday only are not."
            .to_owned(),
    );
    if one.no_rain {
        how.push(voice.pick(
            "Read a rain gauge by eye and write it down: rindwatch jot rain 12 mm.",
            "If it has rained hard, wait with water and feel the soil first.",
        ));
    }
    how
}

fn why(blind: &Blind<'_>, voice: &Voice) -> Vec<String> {
    let units = voice.units();
    let mut why = Vec::new();
    for one in blind.unseen {
        let since = voice.moment(one.since_ms);
        match (one.decision, one.guess) {
            (Decision::Water, guess) => {
                why.push(format!("No moisture probe of the bed can be trusted since {since}."));
                if one.no_rain {
                    why.push("Nor is rain counted.".to_owned());
                }
                why.extend(guess.map(|(mm, sd_mm)| by_the_book(mm, sd_mm, blind, voice)));
                why.push(
                    "Until a probe speaks again, or a finger test is written down, no other letter about water comes \
                     for this bed."
                        .to_owned(),
                );
            }
            (decision @ (Decision::Shade | Decision::Cover), Some((usual_c, sd_c))) => {
                let end = if decision == Decision::Shade { "highest by day" } else { "lowest at night" };
                why.push(format!(
                    "{}: neither air nor shallow soil is read since {since}. The usual of place and season is all \
                     there is: {end} {} ({}).",
                    if decision == Decision::Shade { "Shade" } else { "Cover" },
                    amounts::temperature(usual_c, units),
                    amounts::temperature_spread(sd_c, units)
                ));
            }
            (decision, _) => why.push(format!("Nothing is read that {} goes by.", decision.key())),
        }
    }
    why
}

fn by_the_book(mm: f64, sd_mm: f64, blind: &Blind<'_>, voice: &Voice) -> String {
    let units = voice.units();
    let dry =
        if blind.dry { " If it is right, the stress mark is passed and growth is being lost." } else { "" };
    let litres = blind.litres.map_or(String::new(), |(litres, sd)| {
        format!(", {} (±{}) to the full mark", amounts::litres(litres, units), amounts::litres(sd, units))
    });
    voice.pick(
        format!(
            "The water book goes on alone and knows less each day: {} (±{}) of the held water gone{litres}.{dry}",
            amounts::depth(mm, units),
            amounts::depth(sd_mm, units)
        ),
        format!("What the bed has left is a guess that grows worse each day.{dry}"),
    )
}
