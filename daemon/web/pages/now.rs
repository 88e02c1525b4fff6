//! The page of now: what stands, then beds, probes and letters.

use maud::{DOCTYPE, Markup, html};

use crate::engine::{BedView, MatterView, ProbeView, ProposalView, StageView, Trust};
use crate::local::Status;
use crate::record::{MatterKey, Millis};
use crate::store::{Fate, KeptLetter};
use crate::web::PageModel;
use crate::web::pages::fruit;
use crate::web::pages::given;
use crate::web::strip::{self, Level};
use crate::web::words;

/// How many refusals and unknown topics are shown.
const FEW: usize = 8;
/// Seconds after which the page asks again by itself.
const AGAIN_S: u32 = 60;

/// The whole page.
pub fn page(model: &PageModel) -> String {
    let status = &model.status;
    let at_ms = status.at_ms;
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="refresh" content=(AGAIN_S);
                meta name="color-scheme" content="light dark";
                title { (model.garden) " now" }
                link rel="stylesheet" href="/page.css";
            }
            body {
                header {
                    h1 { (model.garden) }
                    p { (words::local(at_ms, model.zone).format("%A %-d %B, %H:%M")) }
                }
                main {
                    (troubles(status))
                    section.todo {
                        h2 { "To do" }
                        (matters(model))
                    }
                    section {
                        h2 { "Beds" }
                        (beds(model))
                    }
                    (fruit::section(&status.survey.fruits, at_ms))
                    section {
                        h2 { "Probes" }
                        (probes(&status.survey.probes, at_ms))
                    }
                    (proposals(&status.survey.proposals))
                    section {
                        h2 { "Letters" }
                        (letters(model))
                    }
                    (the_box(&status.board))
                    (not_understood(model))
                }
                footer {
                    p {
                        (status.counts.messages) " messages since the start, " (status.counts.refused)
                        " refused. "
                        @if status.clock_trusted { "The time is " (status.clock) ". " }
                        "Figures are a guide: look at the plant. Work with care in heat, under load and \
                         near electricity; local rules and licensed trades decide."
                    }
                }
            }
        }
    }
    .into_string()
}

/// What is wrong with the daemon's own links, if anything.
fn troubles(status: &Status) -> Markup {
    let links = [("Broker", &status.broker), ("Mail", &status.mail), ("Store", &status.store)];
    let wrong: Vec<(&str, &str)> =
        links.iter().filter_map(|(name, words)| words.as_deref().map(|words| (*name, words))).collect();
    html! {
        @if !wrong.is_empty() || !status.clock_trusted {
            section.trouble {
                @for (name, words) in wrong { p { b { (name) } " " (words) } }
                @if !status.clock_trusted {
                    p { b { "Clock" } " " (status.clock) "." }
                }
            }
        }
    }
}

/// Space, card, heat, memory, queues; folded, since most days nobody wants them.
fn the_box(lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            details {
                summary { "The box" }
                ul { @for line in lines { li { (line) } } }
            }
        }
    }
}

fn matters(model: &PageModel) -> Markup {
    let survey = &model.status.survey;
    html! {
        @if survey.matters.is_empty() {
            p { "Nothing. Nobody need do anything now." }
        } @else {
            ul.matters {
                @for matter in &survey.matters { (matter_item(matter, model)) }
            }
        }
    }
}

fn matter_item(matter: &MatterView, model: &PageModel) -> Markup {
    let at_ms = model.status.at_ms;
    let title = model.status.survey.beds.iter().find(|bed| bed.name == matter.subject);
    let title = title.map_or(matter.subject.as_str(), |bed| bed.title.as_str());
    html! {
        li {
            p.head {
                @if let Some(number) = matter.number { (number) ". " }
                @if !title.is_empty() { (title) ": " }
                (task(matter.matter))
                @if let Some(by_ms) = matter.by_ms { ", before " (words::moment(by_ms, at_ms, model.zone)) }
            }
            p.small { (matter.why) " (" (matter.stand) ", for " (words::age(matter.since_ms, at_ms)) ")" }
        }
    }
}

/// A matter in the words of a task.
fn task(matter: MatterKey) -> &'static str {
    match matter {
        MatterKey::Water => "give water",
        MatterKey::HoldWater => "give no water",
        MatterKey::Shade => "shade the fruit",
        MatterKey::Cover => "cover plant and fruit",
        MatterKey::Plant => "setting out",
        MatterKey::Scout => "look at the leaves",
        MatterKey::Growth => "look at the fruit",
        MatterKey::Blind => "judge by hand and eye",
        MatterKey::Gear => "see to the probe",
        MatterKey::Mail => "see to the mail",
        MatterKey::Box => "see to the board",
    }
}

fn beds(model: &PageModel) -> Markup {
    let survey = &model.status.survey;
    let beds = &survey.beds;
    let given = |bed: &BedView| given::list(&survey.waterings, &bed.name, model.status.at_ms, model.zone);
    let tape_days = strip::tape_days(beds.iter().filter_map(|bed| bed.cover_days));
    html! {
        @if beds.is_empty() { p { "None seen yet." } }
        div.beds { @for bed in beds { (bed_card(bed, tape_days, &given(bed))) } }
    }
}

fn bed_card(bed: &BedView, tape_days: f64, given: &Markup) -> Markup {
    html! {
        article {
            h3 { (bed.title) }
            (cover(bed, tape_days))
            (held(bed))
            @if !bed.rests_on.is_empty() { p.small { "From " (bed.rests_on) "." } }
            @if let Some(stage) = &bed.stage { (season(stage)) }
            @for note in &bed.notes { p.small { (note) } }
            (given)
        }
    }
}

/// Where the plant stands and what comes next.
fn season(stage: &StageView) -> Markup {
    html! {
        p.figure { b { (sentence(&stage.stage)) } span.small { ", by " (stage.rests_on) } }
        @if !stage.ahead.is_empty() {
            ul.small { @for step in &stage.ahead { li {
                (sentence(&step.what)) ": " (step.when())
                @if !step.rests_on.is_empty() { " (" (step.rests_on) ")" }
            } } }
            p.small { (sentence(&stage.coverage)) "." }
        }
    }
}

fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn cover(bed: &BedView, tape_days: f64) -> Markup {
    let Some(usual) = bed.cover_days else {
        return html! { p.figure { "Days of cover: not known yet" } };
    };
    let hot = bed.cover_days_hot;
    let headline = if usual <= 0.0 { "Past the refill mark".to_owned() } else { words::days(usual) };
    let hot_words = hot.filter(|_| usual > 0.0).map(|hot| format!("{} in hot weather", words::days(hot)));
    let label = format!("Days of cover: {headline}");
    html! {
        p.figure {
            b { (headline) }
            @if usual > 0.0 { " of cover" }
            @if let Some(words) = hot_words { span.small { ", " (words) } }
        }
        (strip::tape(usual, hot, tape_days, &label))
    }
}

fn held(bed: &BedView) -> Markup {
    let Some(used) = bed.share_used else {
        return html! { p.figure { "Share used: not known yet" } };
    };
    // Without the sum of held water the marks, which are depths, have no place on the strip.
    let share = |mm: f64| bed.taw_mm.filter(|held| *held > 0.0).map(|held| mm / held);
    let level = Level {
        used,
        spread: bed.depletion_mm.and_then(|(_, sd_mm)| share(sd_mm)),
        refill: bed.refill_mm.and_then(share),
        stress: bed.stress_mm.and_then(share),
    };
    let per_cent = format!("{:.0} %", used * 100.0);
    let spread = level.spread.map(|spread| format!(" (±{:.0})", spread * 100.0));
    html! {
        p.figure {
            b { (per_cent) } @if let Some(spread) = spread { (spread) } " of the held water used"
            @if let Some(litres) = bed.litres_to_full {
                span.small { ", " (format!("{litres:.0}")) " L to the full mark" }
            }
        }
        (strip::level(level, &format!("Share used: {per_cent}")))
    }
}

fn probes(probes: &[ProbeView], now_ms: Millis) -> Markup {
    html! {
        @if probes.is_empty() { p { "None in the settings." } } @else {
            table {
                thead { tr { th { "Probe" } th.number { "Last reading" } th.number { "Age" } } }
                tbody { @for probe in probes { (probe_row(probe, now_ms)) } }
            }
        }
    }
}

fn probe_row(probe: &ProbeView, now_ms: Millis) -> Markup {
    html! {
        tr {
            td {
                (probe.name)
                @if probe.trust != Trust::Good {
                    p.small { b { (trust(probe.trust)) } @if !probe.why.is_empty() { ": " (probe.why) } }
                }
                @if let Some(days) = probe.battery_days {
                    p.small { "about " (format!("{days:.0}")) " days left at its slope, a guess" }
                }
            }
            td.number {
                @match probe.value {
                    Some(value) => (words::figure(value, &probe.unit)),
                    None => "none yet",
                }
            }
            td.number { @if let Some(at_ms) = probe.at_ms { (words::age(at_ms, now_ms)) } @else { "-" } }
        }
    }
}

/// Full marks that the probes have shown: to accept, or applied of themselves.
fn proposals(proposals: &[ProposalView]) -> Markup {
    html! {
        @if !proposals.is_empty() {
            section {
                h2 { "Marks learned" }
                ul.matters { @for proposal in proposals { (proposal_item(proposal)) } }
            }
        }
    }
}

fn proposal_item(proposal: &ProposalView) -> Markup {
    let figure = |mark| words::figure(mark, &proposal.unit);
    html! {
        li {
            p.head {
                (proposal.number) ". " (proposal.probe) ": full mark " (figure(proposal.new))
                @if let Some(old) = proposal.old { " instead of " (figure(old)) }
                @if proposal.applied { ", applied" }
            }
            p.small {
                (proposal.why) "."
                @if !proposal.applied {
                    " Day book: " code { "accept " (proposal.number) } ", or " code { "not needed " (proposal.number) } "."
                }
            }
        }
    }
}

fn trust(trust: Trust) -> &'static str {
    match trust {
        Trust::Good => "good",
        Trust::Doubtful => "doubtful",
        Trust::Condemned => "condemned",
        Trust::Missing => "missing",
    }
}

fn letters(model: &PageModel) -> Markup {
    let waiting = model.status.letters_waiting;
    html! {
        @if waiting > 0 { p { (waiting) " waiting to go out." } }
        @match model.status.letters_overtaken {
            0 => {},
            1 => p.small { "1 was overtaken while it waited, and not sent." },
            n => p.small { (n) " were overtaken while they waited, and not sent." },
        }
        @if model.letters.is_empty() { p { "None yet." } } @else {
            ol.letters { @for letter in &model.letters { (letter_item(letter, model)) } }
        }
    }
}

fn letter_item(letter: &KeptLetter, model: &PageModel) -> Markup {
    let at_ms = model.status.at_ms;
    html! {
        li {
            p { a href=(format!("/letters/{}", letter.number)) { (letter.subject) } }
            p.small {
                "No. " (letter.number) " to " (letter.person) ", " (words::moment(letter.at_ms, at_ms, model.zone)) ": "
                @match &letter.fate {
                    Fate::Waiting => "waiting",
                    Fate::Accepted(then_ms) => { "accepted " (words::moment(*then_ms, at_ms, model.zone)) },
                    Fate::Refused(_, words) => { "refused: " (words) },
                    Fate::Overtaken(_, words) => { "not sent: " (words) },
                    Fate::Unknown => "not known",
                }
            }
        }
    }
}

/// Refused messages and topics no probe reads; folded, since most days nobody wants them.
fn not_understood(model: &PageModel) -> Markup {
    let status = &model.status;
    let at_ms = status.at_ms;
    html! {
        @if !status.refusals.is_empty() {
            details {
                summary { "Messages refused" }
                ul { @for refusal in status.refusals.iter().take(FEW) {
                    li {
                        p { code { (refusal.topic) } " " code { (refusal.payload) } }
                        p.small { (words::moment(refusal.arrived_ms, at_ms, model.zone)) ": " (refusal.reason) }
                    }
                } }
            }
        }
        @if !status.unknown_topics.is_empty() {
            details {
                summary { "Topics that no probe reads" }
                ul { @for topic in status.unknown_topics.iter().take(FEW) {
                    li { p { code { (topic.topic) } " " code { (topic.payload) } } p.small { (topic.count) " times" } }
                } }
            }
        }
    }
}
