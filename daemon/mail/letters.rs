//! From what the engine decided to a letter: pure, and the same input gives the same bytes.

use std::collections::HashSet;

use crate::record::{LetterDraft, MatterKey, Millis, OutboxLetter, Task};
use crate::settings::garden::{Garden, Person};

use super::catalogue::{self, Voice, Words, heading, morning};
pub use super::paper::text_of;
use super::paper::{Cover, Paper, Section, message};
use super::table::Table;

/// Longest name or title in a letter, characters.
const NAME_LENGTH: usize = 60;

/// Words a draft and makes the finished letter (RFC 5322, plain text first, HTML beside it).
///
/// Never fails: a person whom the settings no longer name gets no address, and the post then says so.
pub fn render(draft: &LetterDraft, garden: &Garden) -> OutboxLetter {
    let person = person_of(&draft.person, garden);
    let load_l = draft.tasks.iter().map(catalogue::litres_today).sum();
    let voice = Voice { garden, person, now_ms: draft.at_ms, load_l };
    let mut matters: Vec<MatterKey> = Vec::new();
    for task in &draft.tasks {
        if !matters.contains(&task.matter) {
            matters.push(task.matter);
        }
    }
    let worded: Vec<(&Task, Words)> =
        draft.tasks.iter().map(|task| (task, catalogue::words(task, &voice))).collect();
    let brief = worded.first().map(|(task, words)| format!("{}: {}", titled(task), words.brief));
    let subject = for_header(&match (&draft.morning, worded.is_empty()) {
        (Some(note), true) => morning::subject(note),
        _ => catalogue::subject(brief.as_deref(), worded.len().saturating_sub(1)),
    });
    let paper = lay_out(draft, &worded, &voice);
    let id = |number| letter_id(number, &draft.person, garden);
    let answered = draft.answers.iter().chain(&draft.also_answers);
    let mut references: Vec<String> = Vec::new();
    for number in answered {
        if !references.contains(&id(*number)) {
            references.push(id(*number));
        }
    }
    let cover = Posting {
        id: id(draft.number),
        answers: draft.answers.map(id),
        references,
        number: draft.number,
        subject,
    };
    OutboxLetter {
        draft: Some(Box::new(draft.clone())),
        ..finish(cover, &paper, &voice, &draft.person, matters)
    }
}

/// A trial letter to `person`, written at `at_ms`: number 0, about nothing.
pub fn trial(person: &Person, garden: &Garden, at_ms: Millis) -> OutboxLetter {
    let voice = Voice { garden, person: Some(person), now_ms: at_ms, load_l: 0.0 };
    let (subject, paragraphs) = catalogue::trial(&voice);
    let subject = for_header(&subject);
    let paper = Paper { heads: vec![subject.clone()], sections: Vec::new(), foot: paragraphs }.plain();
    let id = format!("<trial-{at_ms}.{}@{}.rindwatch.invalid>", slug(&person.name), slug(&garden.name));
    let cover = Posting { id, answers: None, references: Vec::new(), number: 0, subject };
    finish(cover, &paper, &voice, &person.name, Vec::new())
}

/// The message id of letter `number` to `person`, with its angle brackets. Numbers are never used twice
/// in a garden, so ids differ even where two names give the same letters.
pub fn letter_id(number: u32, person: &str, garden: &Garden) -> String {
    format!("<letter-{number}.{}@{}.rindwatch.invalid>", slug(person), slug(&garden.name))
}

/// What differs between a letter and a trial letter.
struct Posting {
    id: String,
    answers: Option<String>,
    references: Vec<String>,
    number: u32,
    subject: String,
}

fn finish(
    posting: Posting,
    paper: &Paper,
    voice: &Voice,
    person: &str,
    matters: Vec<MatterKey>,
) -> OutboxLetter {
    let garden = slug(&voice.garden.name);
    let address = voice.person.map_or("", |person| person.address.as_str());
    let nobody = format!("rindwatch@{garden}.rindwatch.invalid");
    let from = voice.garden.mail.as_ref().map_or(nobody.as_str(), |server| server.from.as_str());
    let name = for_header(&catalogue::outside(person, NAME_LENGTH));
    let cover = Cover {
        from,
        garden: &garden,
        to: (&name, address),
        subject: &posting.subject,
        at_ms: voice.now_ms,
        id: &posting.id,
        answers: posting.answers,
        references: posting.references,
    };
    let eml = message(&cover, paper.text(), paper.html(&posting.subject));
    OutboxLetter {
        number: posting.number,
        person: person.to_owned(),
        address: address.to_owned(),
        at_ms: voice.now_ms,
        matters,
        subject: posting.subject,
        eml,
        draft: None,
    }
}

fn lay_out(draft: &LetterDraft, worded: &[(&Task, Words)], voice: &Voice) -> Paper {
    let mut said = HashSet::new();
    let mut heads: Vec<String> = worded
        .iter()
        .map(|(task, words)| format!("{}. {}: {}", task.number, titled(task), words.head))
        .collect();
    let mut sections: Vec<Section> =
        worded.iter().map(|(task, words)| section(task, words, &mut said, voice)).collect();
    // Tasks of one bed often rest on the same evidence; it stands once, where it is first needed.
    for at in (1..sections.len()).rev() {
        if sections[..at].iter().any(|earlier| earlier.table == sections[at].table) {
            sections[at].table = None;
        }
    }
    let mut foot: Vec<String> = draft.held.iter().map(|held| catalogue::held(held, voice)).collect();
    if let Some(note) = &draft.morning {
        if worded.is_empty() {
            heads.push(morning::head(note));
        }
        let title = morning::label::NOTE.to_owned();
        sections.push(Section { title, parts: morning::parts(note, voice), table: None });
        foot.push(morning::life_sign(note, voice));
    }
    foot.extend(catalogue::foot(draft.number, voice));
    foot.push(match (&draft.morning, worded.is_empty()) {
        (Some(note), true) => morning::answer(note, voice),
        _ => catalogue::answer(&draft.tasks, voice),
    });
    Paper { heads, sections, foot }.plain()
}

fn section(task: &Task, words: &Words, said: &mut HashSet<catalogue::Care>, voice: &Voice) -> Section {
    let care = catalogue::not_yet_said(&words.care, said);
    let care = care.into_iter().map(|care| catalogue::care_words(care, voice)).collect();
    let parts = [
        (heading::HOW, words.how.clone()),
        (heading::WHY, words.why.clone()),
        (heading::UNLESS, words.unless.clone()),
        (heading::CARE, care),
    ];
    Section {
        title: format!("{}. {}", task.number, title(task)),
        parts: parts.into_iter().filter(|(_, sentences)| !sentences.is_empty()).collect(),
        table: Table::of(&task.evidence, voice),
    }
}

/// The words that start the task, fit for one line.
fn title(task: &Task) -> String {
    catalogue::outside(&catalogue::title(task), NAME_LENGTH)
}

/// The title and how the task is told: "Long bed, still to do".
fn titled(task: &Task) -> String {
    format!("{}{}", title(task), catalogue::tag(task))
}

/// Words that a mail program shows as they are: what looks like an encoded word (RFC 2047) it would decode.
fn for_header(words: &str) -> String {
    catalogue::plain(words).replace("=?", "= ?")
}

fn person_of<'a>(name: &str, garden: &'a Garden) -> Option<&'a Person> {
    garden.people.iter().find(|person| person.name == name)
}

/// Lower-case ASCII letters, digits and dashes of a name, for use in message ids; "x" if none is left.
fn slug(name: &str) -> String {
    let slug: String = name
        .chars()
        .filter_map(|c| match c {
            'a'..='z' | '0'..='9' | '-' => Some(c),
            'A'..='Z' => Some(c.to_ascii_lowercase()),
            ' ' | '_' | '.' => Some('-'),
            _ => None,
        })
        .take(40)
        .collect();
    let slug = slug.trim_matches('-');
    if slug.is_empty() { "x".to_owned() } else { slug.to_owned() }
}
