//! Words for probes, broker, mail and store that do not do their work.

use crate::mail::amounts;
use crate::quantities::Quantity;
use crate::record::{Fault, Rule, Task};
use crate::settings::garden::Probe;

use super::{Care, Voice, Words, board, outside};

/// Longest stretch of a server's words in a letter, characters.
const SERVER_WORDS: usize = 160;

pub fn gear(task: &Task, fault: &Fault, voice: &Voice) -> Words {
    let probe = voice.garden.probes.iter().find(|probe| probe.name == task.subject);
    let what = what(fault, probe, voice);
    Words {
        head: format!("{what}; see to it {}", voice.before(task)),
        brief: what,
        how: vec![voice.pick(how(fault, &task.subject), plain_how(fault))],
        why: why(fault, probe, voice),
        unless: vec![unless(fault)],
        care: match fault {
            Fault::Silent { .. }
            | Fault::BatteryLow { .. }
            | Fault::Stuck { .. }
            | Fault::Impossible { .. }
            | Fault::Clogged { .. }
            | Fault::ReadsShort { .. }
            | Fault::Distrusted {
                rule: Rule::CreepsWet | Rule::RiseWithoutWater | Rule::AboveSaturation,
                ..
            } => {
                vec![Care::Electricity]
            }
            _ => Vec::new(),
        },
    }
}

/// The fault in few words.
fn what(fault: &Fault, probe: Option<&Probe>, voice: &Voice) -> String {
    let shown = |value: f64| {
        let unit = probe.map_or("", |probe| probe.quantity.kind().unit);
        if unit == "m3/m3" {
            return format!("{:.1} %", 100.0 * value); // as in the table below
        }
        let (number, unit) = amounts::in_units(value, unit, voice.units());
        format!("{number} {unit}").trim_end().to_owned()
    };
    match fault {
        Fault::Silent { last_ms: Some(last_ms), .. } => format!("silent since {}", voice.moment(*last_ms)),
        Fault::Silent { last_ms: None, .. } => "not heard yet".to_owned(),
        Fault::Stuck { value, hours } => {
            format!("stands at {} for {}", shown(*value), amounts::hours(f64::from(*hours)))
        }
        Fault::Impossible { count, value } => {
            let values = amounts::counted(f64::from(*count), "impossible value");
            format!("{values} in 24 hours, the last {}", shown(*value))
        }
        Fault::Distrusted { rule, since_ms, before, now } => {
            let (from, to, since) = (shown(*before), shown(*now), voice.moment(*since_ms));
            match rule {
                Rule::SuddenFall => format!("fell at once, {from} before, {to} since {since}"),
                Rule::CreepsWet => format!("creeps wetter, {from} after a soaking, {to} now"),
                Rule::AboveSaturation => format!("reads {to} since {since}, more than the soil can hold"),
                _ => format!("rose without water, {from} before, {to} since {since}"),
            }
        }
        Fault::BrokerAway { since_ms, .. } => format!("away since {}", voice.moment(*since_ms)),
        Fault::Unreadable { count, .. } => {
            format!("{} cannot be read", amounts::counted(f64::from(*count), "message"))
        }
        Fault::Floods { .. } => "its node sends without pause".to_owned(),
        Fault::BatteryLow { level, days, .. } => {
            let days = amounts::counted(f64::from(*days), "day");
            format!("battery at {}, about {days} left by its slope", shown(*level))
        }
        Fault::Clogged { or_watered: false, .. } => "shows no rain while it rains".to_owned(),
        Fault::Clogged { or_watered: true, .. } => {
            "shows no rain, or water was given that nobody logged".to_owned()
        }
        Fault::ReadsShort { gauge_mm, eye_mm } => {
            format!("shows {} of {} of rain read by eye", shown(*gauge_mm), shown(*eye_mm))
        }
        Fault::WettedNothing { mm, .. } => format!("shows {} of rain that wetted nothing", shown(*mm)),
        Fault::MailRefused { .. } => "letters do not get out".to_owned(),
        Fault::StoreFails { .. } => "readings cannot be kept".to_owned(),
        Fault::Board { fault } => board::what(fault),
    }
}

fn how(fault: &Fault, subject: &str) -> String {
    let how = match fault {
        Fault::Silent { .. } => {
            return format!(
                "Cell, connector, cable and aerial first, then whether the node joins the network. After a \
                 new cell: rindwatch jot probe {subject} battery."
            );
        }
        Fault::Stuck { .. } => {
            "Wet the soil beside it, or warm it in the hand: if the value stays, probe or cable is dead."
        }
        Fault::Impossible { .. } => {
            "Look for water in the connector, a broken wire and a weak cell; press the probe in firmly."
        }
        Fault::BatteryLow { .. } => {
            return format!(
                "Put in a new or a charged cell before it ends. Then: rindwatch jot probe {subject} battery."
            );
        }
        Fault::Clogged { .. } | Fault::ReadsShort { .. } => {
            return format!(
                "Look into the funnel for leaves, webs and nests, see that it stands level and under open sky, and \
                 that the bucket tips freely. When seen to: rindwatch jot probe {subject} moved."
            );
        }
        Fault::WettedNothing { .. } => {
            "Does a sprinkler reach it, does wind shake its post? Fix the post, move it out of the spray."
        }
        Fault::Distrusted { rule, .. } => return distrusted_how(*rule, subject),
        Fault::BrokerAway { .. } => {
            "Is the broker running, has its address or password changed, is the network up? rindwatch tries \
             again by itself."
        }
        Fault::Unreadable { .. } => {
            "Has the node's firmware or topic changed? rindwatch explain shows how a message would be read."
        }
        Fault::Floods { .. } => {
            "Cut the power of its node, wait a minute and switch it on again; if it goes on, mend the pause between \
             two reports in its program."
        }
        Fault::MailRefused { .. } => {
            "See the server's words below. When mended: rindwatch try-mail. Letters wait in the outbox until \
             then."
        }
        Fault::StoreFails { .. } => {
            "Is the disk full, read-only or worn out? What cannot be kept is not acknowledged, so the broker \
             holds it as long as its queue is long."
        }
        Fault::Board { fault } => board::how(fault),
    };
    how.to_owned()
}

fn distrusted_how(rule: Rule, subject: &str) -> String {
    match rule {
        Rule::SuddenFall => format!(
            "Press the probe in until the soil touches the whole blade, and water it in with a cup. If it was set \
             anew: rindwatch jot probe {subject} moved."
        ),
        Rule::CreepsWet => format!(
            "Its cut edge soaks: replace it, or dry it, seal the edge and take its wet mark again. Afterwards: \
             rindwatch jot probe {subject} moved."
        ),
        _ => format!(
            "If water was given, log it. Else pull the probe, wipe it, look at cut edge, connector and cable for \
             water, and press it in beside the old hole. Then: rindwatch jot probe {subject} moved."
        ),
    }
}

fn distrusted_why(rule: Rule) -> &'static str {
    match rule {
        Rule::SuddenFall => {
            "No soil dries so fast two days after its last water, and no other probe fell: there is air at the blade, \
             or it is out."
        }
        Rule::CreepsWet => "A sound probe comes back to the same mark after each soaking.",
        Rule::AboveSaturation => "The pores of the bed would be more than full.",
        _ => "No rain fell and no water is logged; it neither drained since nor moved as the soil does.",
    }
}

fn plain_how(fault: &Fault) -> &'static str {
    match fault {
        Fault::Silent { .. }
        | Fault::Stuck { .. }
        | Fault::Impossible { .. }
        | Fault::Unreadable { .. }
        | Fault::Floods { .. }
        | Fault::Distrusted { .. } => {
            "Look whether the probe has been pulled out of the soil or its box is open or wet; press it back \
             in. Leave wires alone."
        }
        Fault::BatteryLow { .. } => {
            "Tell the grower. If a cell lies ready and you were shown how, put it in; leave wires alone."
        }
        Fault::Clogged { .. } | Fault::ReadsShort { .. } | Fault::WettedNothing { .. } => {
            "Look whether leaves or a web lie in the funnel of the rain gauge, and take them out. Leave wires alone."
        }
        Fault::BrokerAway { .. }
        | Fault::MailRefused { .. }
        | Fault::StoreFails { .. }
        | Fault::Board { .. } => "Look whether the small computer has power. Leave the rest to the grower.",
    }
}

fn why(fault: &Fault, probe: Option<&Probe>, voice: &Voice) -> Vec<String> {
    let mut why = Vec::new();
    match fault {
        Fault::Silent { gone: true, .. } => {
            why.push("The broker says that its node, which is always on, is gone.".to_owned());
        }
        Fault::Silent { usual_s, .. } => {
            let gap = amounts::hours(f64::from(*usual_s) / 3600.0);
            why.push(format!("It usually reports every {gap}."));
        }
        Fault::Stuck { .. } => why.push("Soil and air move at least a little in that time.".to_owned()),
        Fault::Impossible { .. } => why.push("No soil and no weather gives such values.".to_owned()),
        Fault::Clogged { times, or_watered } => {
            let times = amounts::counted(f64::from(*times), "time");
            why.push(format!("The upper moisture rose as by rain {times}, and the gauge showed none."));
            why.push(if *or_watered {
                "One bed and dry or unknown air do not part rain from a watering: if you watered, write it down and \
                 leave the gauge alone."
                    .to_owned()
            } else {
                "It was rain: every bed was wetted at once, or the air was damp.".to_owned()
            });
        }
        Fault::Floods { count } => {
            let more = amounts::counted(f64::from(*count), "reading");
            why.push(format!("{more} beyond all bounds were let go, so that the other probes are heard."));
        }
        Fault::BatteryLow { end, before, .. } => {
            let unit = probe.map_or("", |probe| probe.quantity.kind().unit);
            why.push(format!(
                "A guess: its daily means go on falling as in the last weeks, and the node ends at {end:.1} {unit}."
            ));
            let over = |last: &chrono::NaiveDate| {
                format!("That is before the absence is over ({}).", last.format("to %-d %B"))
            };
            why.extend(before.as_ref().map(over));
        }
        Fault::ReadsShort { .. } => {
            why.push("Under 60 % of what was read by eye: funnel or bucket lets rain pass.".to_owned());
        }
        Fault::WettedNothing { times, .. } => {
            let showers = amounts::counted(f64::from(*times), "shower");
            why.push(format!("{showers} in dry air should have reached a probe, and none moved."));
        }
        Fault::Distrusted { rule, .. } => why.push(distrusted_why(*rule).to_owned()),
        Fault::BrokerAway { words, .. } | Fault::Unreadable { words, .. } => why.push(said(words)),
        Fault::MailRefused { words } | Fault::StoreFails { words } => why.push(said(words)),
        Fault::Board { fault } => why.push(board::why(fault)),
    }
    why.push(blind(fault, probe, voice));
    why
}

fn said(words: &str) -> String {
    format!("In its own words: {}", outside(words, SERVER_WORDS))
}

/// What is a guess meanwhile, and what helps.
fn blind(fault: &Fault, probe: Option<&Probe>, voice: &Voice) -> String {
    match (fault, probe) {
        (Fault::MailRefused { .. }, _) => "Until then nobody is told anything by letter.".to_owned(),
        (Fault::StoreFails { .. }, _) => "Until then days and advice stand on what was kept before.".to_owned(),
        (Fault::Board { fault }, _) => board::meanwhile(fault).to_owned(),
        (Fault::BatteryLow { .. }, _) => {
            "Until then it reports as before; what it says in its last days may be wrong.".to_owned()
        }
        (Fault::BrokerAway { .. }, _) => {
            "Until then no reading arrives: the water book runs on by itself, a guess that grows worse by the \
             day."
                .to_owned()
        }
        (_, Some(Probe { quantity: Quantity::SoilMoisture | Quantity::SoilCounts, bed, .. })) => {
            let bed = bed.as_deref().unwrap_or("BED");
            let finger = amounts::finger(voice.units());
            voice.pick(
                format!(
                    "Until then water is a guess there. Feel the soil at {finger} and say it: rindwatch jot felt \
                     {bed} dry (or damp, or wet)."
                ),
                format!(
                    "Until then water is a guess there: push a finger {finger} into the soil, and if it is \
                     dry, water as on other days."
                ),
            )
        }
        (_, Some(Probe { quantity: Quantity::Rain, .. })) => {
            "Until then rain is not counted: read a gauge by eye, and take water letters with doubt.".to_owned()
        }
        (_, Some(Probe { quantity: Quantity::SoilTemperature | Quantity::AirTemperature, .. })) => {
            "Until then shade and cover are guesses: go by a thermometer.".to_owned()
        }
        _ => "Until then what hangs on it is a guess.".to_owned(),
    }
}

fn unless(fault: &Fault) -> String {
    let words = match fault {
        Fault::Silent { .. } | Fault::Unreadable { .. } => "If it is heard again by itself, this is over.",
        Fault::Floods { .. } => "If it keeps its bounds for an hour, this is over.",
        Fault::Distrusted { rule: Rule::CreepsWet, .. } => {
            "If it comes back to its old mark after the next soakings, this is over."
        }
        Fault::Distrusted { rule: Rule::SuddenFall, .. } => {
            "If it comes back near where it stood, after pressing in or by itself, this is over."
        }
        Fault::Clogged { .. } | Fault::ReadsShort { .. } => "If it shows the next rain too, this is over.",
        Fault::WettedNothing { .. } => "If its next rain wets the soil, this is over.",
        Fault::Stuck { .. } | Fault::Impossible { .. } | Fault::Distrusted { .. } => {
            "If its values make sense again, this is over."
        }
        Fault::BatteryLow { .. } => "If its level stays or rises, this is over.",
        Fault::BrokerAway { .. } => "If the broker answers again, this is over.",
        Fault::MailRefused { .. } => "If the server takes a letter again, this is over.",
        Fault::StoreFails { .. } => "If writing succeeds again, this is over.",
        Fault::Board { fault } => return board::unless(fault),
    };
    words.to_owned()
}

/// The word that ends a fault.
pub fn mended(fault: &Fault) -> &'static str {
    match fault {
        Fault::Silent { .. } => "It is heard again.",
        Fault::Stuck { .. } => "Its value moves again.",
        Fault::Clogged { or_watered: false, .. } => "It shows rain again.",
        Fault::Clogged { or_watered: true, .. } => "It shows rain again, so it was not blocked for good.",
        Fault::ReadsShort { .. } => "It agrees with the eye again.",
        Fault::WettedNothing { .. } => "Its rain wets the soil again.",
        Fault::Impossible { .. } | Fault::Distrusted { .. } => "Its values make sense again.",
        Fault::BatteryLow { .. } => "Its battery lasts again.",
        Fault::BrokerAway { .. } => "The broker answers again.",
        Fault::Floods { .. } => "It sends at its usual pace again.",
        Fault::Unreadable { .. } => "Its messages can be read again.",
        Fault::MailRefused { .. } => "The mail server takes letters again.",
        Fault::StoreFails { .. } => "Readings are kept again.",
        Fault::Board { fault } => board::mended(fault),
    }
}
