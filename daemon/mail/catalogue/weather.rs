//! Words for shade by day and cover by night.

use crate::mail::amounts;
use crate::record::{ColdSign, Content, Millis, Task};

use super::{Care, Voice, Words};

pub fn shade(task: &Task, voice: &Voice) -> Words {
    let Content::Shade { from_dawn, soil_hot_c, .. } = task.content else { return Words::default() };
    let head = format!("shade the fruit {}", voice.before(task));
    let mut why = shade_stands(task, voice);
    why.push("Sun on the skin of the fruit in such heat scalds and hardens it.".to_owned());
    if from_dawn {
        why.push(
            "Told from dawn and from yesterday, because you are not free later: less sure than a figure of \
             the forenoon."
                .to_owned(),
        );
    }
    if let Some(soil_c) = soil_hot_c {
        let soil = amounts::temperature(soil_c, voice.units());
        why.push(voice.pick(
            format!(
                "The root zone itself stands at {soil}: shade the bed too where the leaves leave it bare."
            ),
            format!("The soil itself is at {soil}, hot for roots: shade bare soil too."),
        ));
    }
    Words {
        brief: head.clone(),
        head,
        how: vec![
            "A light cloth over the fruit, clear of its skin so that air moves, the leaves left free. It may \
             stay until evening."
                .to_owned(),
        ],
        why,
        unless: vec![
            "If thick cloud stands over the garden at 11:00, skip it; a cloth laid in vain does no harm."
                .to_owned(),
        ],
        care: vec![Care::Heat, Care::Sheets],
    }
}

/// The day's foreseen maximum against the mark.
pub fn shade_stands(task: &Task, voice: &Voice) -> Vec<String> {
    let Content::Shade { foreseen_max_c, sd_c, mark_c, .. } = task.content else { return Vec::new() };
    let units = voice.units();
    vec![format!(
        "The day is foreseen to reach {} ({}, a guess); shade mark {}.",
        amounts::temperature(foreseen_max_c, units),
        amounts::temperature_spread(sd_c, units),
        amounts::temperature(mark_c, units)
    )]
}

pub fn cover(task: &Task, voice: &Voice) -> Words {
    let Content::Cover { sign, mark_c, crosses_ms, .. } = task.content else { return Words::default() };
    let head = format!("cover plant and fruit {}", voice.before(task));
    let mut why = cover_stands(task, voice);
    why.push("On a clear still night leaves get colder than the air.".to_owned());
    if sign == ColdSign::Dusk {
        why.push("The evening is colder than the afternoon let foresee.".to_owned());
    }
    if let Some(crosses_ms) = crosses_ms {
        why.push(format!(
            "By the evening's curve the air falls to {} about {}.",
            amounts::temperature(mark_c, voice.units()),
            voice.moment(to_ten_minutes(crosses_ms))
        ));
    }
    let when = if sign == ColdSign::Afternoon { "while it is light" } else { "now" };
    Words {
        brief: head.clone(),
        head,
        how: vec![format!(
            "Sheets over leaves and fruit {when}, the edges held down all round; off again by 09:00."
        )],
        why,
        unless: vec![
            "Thick cloud or a steady wind through the night keeps it milder; if in doubt, cover.".to_owned(),
        ],
        care: vec![Care::NightSheets],
    }
}

/// A curve knows no minutes.
fn to_ten_minutes(at_ms: Millis) -> Millis {
    const TEN_MINUTES_MS: Millis = 600_000;
    (at_ms + TEN_MINUTES_MS / 2).div_euclid(TEN_MINUTES_MS) * TEN_MINUTES_MS
}

/// The night's foreseen minimum, or the air as it reads, against the mark.
pub fn cover_stands(task: &Task, voice: &Voice) -> Vec<String> {
    let Content::Cover { foreseen_min_c, sd_c, mark_c, sign, .. } = task.content else { return Vec::new() };
    let units = voice.units();
    if sign == ColdSign::Air {
        return vec![format!(
            "The air reads {}, and the night is not over; cover mark {}.",
            amounts::temperature(foreseen_min_c, units),
            amounts::temperature(mark_c, units)
        )];
    }
    vec![format!(
        "The night is foreseen to fall to {} ({}, a guess); cover mark {}.",
        amounts::temperature(foreseen_min_c, units),
        amounts::temperature_spread(sd_c, units),
        amounts::temperature(mark_c, units)
    )]
}
