//! The one place of the words in letters: for every matter and every fault its phrases, filled with the
//! values the engine gives.
//!
//! To add a matter: one arm of [`words`] and its phrases in the file of its subject. A grower gets the
//! figures; a stand-in or backup person gets the same in words that need no knowledge of the crop.

mod blind;
mod board;
mod care;
mod gear;
pub mod morning;
mod water;
mod weather;

use crate::mail::amounts;
use crate::record::{Content, Fault, Held, MatterKey, Millis, Task, Telling, Urgency};
use crate::settings::garden::{Garden, Person, Role, Units};

pub use care::{Care, not_yet_said, words as care_words};

/// To whom and when the words are said.
#[derive(Debug, Clone, Copy)]
pub struct Voice<'a> {
    /// The garden.
    pub garden: &'a Garden,
    /// The reader; `None` where the settings no longer name them.
    pub person: Option<&'a Person>,
    /// When the letter is written.
    pub now_ms: Millis,
    /// Litres the letter asks this person to bring today, over all its tasks.
    pub load_l: f64,
}

impl Voice<'_> {
    /// Units the reader reads.
    pub fn units(&self) -> Units {
        self.person.map_or(Units::Metric, |person| person.units)
    }

    /// The reader keeps the garden and reads figures.
    pub fn is_grower(&self) -> bool {
        self.person.is_some_and(|person| person.role == Role::Grower)
    }

    /// A moment in the garden's time, with the day's name if it is not today.
    fn moment(&self, at_ms: Millis) -> String {
        amounts::moment(at_ms, self.now_ms, self.garden.zone)
    }

    /// "before 20:00"; "now" once the deadline is past.
    fn before(&self, task: &Task) -> String {
        match (task.by_ms, task.urgency) {
            (Some(by_ms), _) if by_ms > self.now_ms => format!("before {}", self.moment(by_ms)),
            (Some(_), _) | (None, Urgency::Now) => "now".to_owned(),
            (None, Urgency::Today) => "today".to_owned(),
            (None, Urgency::Note | Urgency::Gear) => "when you are next there".to_owned(),
        }
    }

    /// The figures for a grower, the plain words for anyone else.
    fn pick(&self, grower: impl Into<String>, plain: impl Into<String>) -> String {
        if self.is_grower() { grower.into() } else { plain.into() }
    }
}

/// The words of one task.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Words {
    /// What, how much, by when: the rest of the first line after the title.
    pub head: String,
    /// The same in fewer words, for the subject.
    pub brief: String,
    /// How to do it.
    pub how: Vec<String>,
    /// Why.
    pub why: Vec<String>,
    /// What would change it.
    pub unless: Vec<String>,
    /// What to take care of.
    pub care: Vec<Care>,
}

/// The words of a task.
pub fn words(task: &Task, voice: &Voice) -> Words {
    if task.telling == Telling::Withdrawn {
        return withdrawn(task, voice);
    }
    let mut words = match &task.content {
        Content::Water(_) => water::water(task, voice),
        Content::HoldWater { .. } => water::hold_water(task, voice),
        Content::Shade { .. } => weather::shade(task, voice),
        Content::Cover { .. } => weather::cover(task, voice),
        Content::Gear { fault } => gear::gear(task, fault, voice),
        Content::Blind { .. } => blind::blind(task, voice),
    };
    if let Some(sentence) = told_before(task) {
        words.why.insert(0, sentence.to_owned());
    }
    words
}

/// The words that start a task: the title the draft gives; for gear without one, what is at fault.
pub fn title(task: &Task) -> String {
    match &task.content {
        _ if !task.title.trim().is_empty() => task.title.clone(),
        Content::Gear { fault: Fault::BrokerAway { .. } } => "Broker".to_owned(),
        Content::Gear { fault: Fault::MailRefused { .. } } => "Mail".to_owned(),
        Content::Gear { fault: Fault::StoreFails { .. } } => "Store".to_owned(),
        Content::Gear { fault: Fault::Board { fault } } => board::title(fault).to_owned(),
        Content::Gear { .. } => format!("Probe {}", task.subject),
        _ => task.subject.clone(),
    }
}

/// What stands behind the title when a task is told again: "Long bed, still to do".
pub fn tag(task: &Task) -> &'static str {
    match (task.telling, task.matter) {
        (Telling::First | Telling::Withdrawn, _) => "",
        (Telling::Again, MatterKey::HoldWater) => ", still",
        (Telling::Again, _) => ", still to do",
        (Telling::Worse, MatterKey::Water) => ", drier now",
        (Telling::Worse, MatterKey::HoldWater) => ", wetter now",
        (Telling::Worse, MatterKey::Shade) => ", hotter now",
        (Telling::Worse, MatterKey::Cover) => ", colder now",
        (Telling::Worse, _) => ", worse now",
    }
}

fn told_before(task: &Task) -> Option<&'static str> {
    match (task.telling, task.matter) {
        (Telling::Again, MatterKey::Water) => {
            Some("Told before; neither an answer nor the soil says that it is done.")
        }
        (Telling::Again, _) => Some("Told before; no answer has come."),
        (Telling::Worse, _) => Some("Told before; it has become worse since, so this takes its place."),
        (Telling::First | Telling::Withdrawn, _) => None,
    }
}

fn withdrawn(task: &Task, voice: &Voice) -> Words {
    let (head, why) = match &task.content {
        Content::Water(_) => ("no water needed any more", water::now_stands(task, voice)),
        Content::HoldWater { .. } => {
            ("water as usual again", vec!["What spoke against water is over.".to_owned()])
        }
        Content::Shade { .. } => ("no shade needed after all", weather::shade_stands(task, voice)),
        Content::Cover { .. } => ("no cover needed after all", weather::cover_stands(task, voice)),
        Content::Gear { fault } => ("in order again", vec![gear::mended(fault).to_owned()]),
        Content::Blind { .. } => ("seen again", vec![blind::seen_again(task)]),
    };
    Words { head: head.to_owned(), brief: head.to_owned(), why, ..Words::default() }
}

/// The litres a task asks for today; 0 where it asks for none.
pub fn litres_today(task: &Task) -> f64 {
    match task.content {
        Content::Water(ref dose) if task.telling != Telling::Withdrawn => water::today_l(dose),
        _ => 0.0,
    }
}

/// The subject line: the first task in few words, and how many more.
pub fn subject(first: Option<&str>, more: usize) -> String {
    match (first, more) {
        (None, _) => "Nothing to do".to_owned(),
        (Some(first), 0) => first.to_owned(),
        (Some(first), more) => format!("{first}, and {more} more"),
    }
}

/// The last line of a letter: what works as an answer. Replies are not read, so it never invites one.
pub fn answer(tasks: &[Task], voice: &Voice) -> String {
    let open: Vec<&Task> = tasks.iter().filter(|task| task.telling != Telling::Withdrawn).collect();
    let numbers: Vec<u32> = open.iter().map(|task| task.number).collect();
    let otherwise = if open.iter().any(|task| matches!(task.matter, MatterKey::Water | MatterKey::HoldWater))
    {
        "the soil will tell us"
    } else if open.iter().all(|task| matches!(task.matter, MatterKey::Gear | MatterKey::Blind))
        && !open.is_empty()
    {
        "its next readings will tell us"
    } else {
        ""
    };
    match (voice.is_grower(), numbers.as_slice(), otherwise) {
        (_, [], _) => "Nothing to do and nothing to answer.".to_owned(),
        (false, _, "") => "Nothing to answer.".to_owned(),
        (false, _, otherwise) => format!("Nothing to answer: {otherwise}."),
        (true, [first, rest @ ..], otherwise) => {
            let rest: Vec<String> = rest.iter().map(|number| format!("or {number}")).collect();
            let rest = if rest.is_empty() { String::new() } else { format!(" ({})", rest.join(", ")) };
            let otherwise =
                if otherwise.is_empty() { String::new() } else { format!(". Or nothing: {otherwise}.") };
            format!("To answer, on the board: rindwatch jot done {first}{rest}{otherwise}")
        }
    }
}

/// That letters could not go out before this one, for how long, and what became of them.
pub fn held(held: &Held, voice: &Voice) -> String {
    let at = |ms| amounts::local(ms, voice.garden.zone).format("%A %-d %B, %H:%M").to_string();
    let mut words =
        format!("Letters to you could not go out from {} to {}.", at(held.since_ms), at(held.until_ms));
    if let Some(written_ms) = held.written_ms {
        words += &format!(
            " What still stands is in this letter: written on {}, sent on {}.",
            at(written_ms),
            at(held.until_ms)
        );
    }
    match held.not_needed {
        0 => {}
        1 => words += " One earlier letter was not needed any more.",
        n => words += &format!(" {n} earlier letters were not needed any more."),
    }
    words
}

/// The lines before the last one: what wrote this, and its limits.
pub fn foot(number: u32, voice: &Voice) -> Vec<String> {
    let person = voice.person.map_or("", |person| person.name.as_str());
    let at = amounts::local(voice.now_ms, voice.garden.zone);
    vec![
        format!(
            "Letter {number} for {person}, garden {}, {}.",
            voice.garden.name,
            at.format("%A %-d %B %Y, %H:%M %Z")
        ),
        "Written by a program; replies to it are not read. Its figures are a guide: look at the plant, \
         and let local rules and licensed trades decide where they have a say."
            .to_owned(),
    ]
}

/// Headings of the parts of a letter.
pub mod heading {
    #![allow(missing_docs)] // they are the headings themselves
    pub const HOW: &str = "How";
    pub const WHY: &str = "Why";
    pub const UNLESS: &str = "Unless";
    pub const CARE: &str = "Care";
    pub const LAST_DAY: &str = "Last 24 hours";
    pub const MARK: &str = "mark";
    pub const GUESS: &str = "~ = a guess, not a reading";
    pub const GUESSED: &str = "Guessed, not measured";
}

/// A row of the evidence as the reader calls it: plain readers meet no terms of the trade.
pub fn row_name(what: &str, voice: &Voice) -> String {
    let plain = match what {
        "share used" | "share-used" => "water gone",
        "depletion" | "depletion_mm" => "water gone",
        other => other,
    };
    voice.pick(what, plain)
}

/// The trial letter of `try-mail`: subject and paragraphs.
pub fn trial(voice: &Voice) -> (String, Vec<String>) {
    let person = voice.person.map_or("", |person| person.name.as_str());
    (
        "Trial letter: nothing to do".to_owned(),
        vec![
            format!("This is a trial letter for {person}, garden {}.", voice.garden.name),
            "It was sent by hand to see whether letters arrive. If it lies in the spam folder, mark its \
             sender as known, or letters that matter will lie there too."
                .to_owned(),
        ],
    )
}

/// Words that came from outside (a server, a payload), made fit for one line: no line ends, no other
/// control characters, at most `most` characters.
pub fn outside(words: &str, most: usize) -> String {
    let line = plain(words).split_whitespace().collect::<Vec<_>>().join(" ");
    match line.char_indices().nth(most) {
        Some((end, _)) => format!("{}...", &line[..end]),
        None => line,
    }
}

/// Without what would end a line or make it read otherwise than it is written: control characters, and those that turn
/// the direction of writing or show nothing.
pub fn plain(words: &str) -> String {
    let shown = |c: char| {
        !matches!(c, '\u{61c}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{feff}')
            && !matches!(c, '\u{2060}'..='\u{206f}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
    };
    let spaced = |c: char| if c.is_control() || matches!(c, '\u{2028}' | '\u{2029}') { ' ' } else { c };
    words.chars().filter(|c| shown(*c)).map(spaced).collect()
}
