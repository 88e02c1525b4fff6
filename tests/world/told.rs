//! What must hold of the letters of a story.

use std::collections::{BTreeSet, HashMap};

use chrono::{DateTime, NaiveDate, NaiveTime};
use rindwatch::mail::letters::text_of;
use rindwatch::record::{MatterKey, Millis};
use rindwatch::settings::garden::Garden;
use rindwatch::store::{Fate, KeptLetter, Reader};

use super::mail::Mail;

/// More letters than this on one day to one person are a flood (our rules of advice, settled below that).
const LETTERS_A_DAY: usize = 8;
/// From here on the second working window of a day is told of.
const SECOND_WINDOW: NaiveTime = NaiveTime::from_hms_opt(12, 0, 0).unwrap();

/// A letter as it was told.
struct Told {
    number: u32,
    at_ms: Millis,
    person: String,
    date: NaiveDate,
    time: NaiveTime,
    subject: String,
    matters: Vec<MatterKey>,
    /// Its tasks, a line each.
    tasks: Vec<String>,
    /// It stands in for letters that had to wait, and leaves when the server is back, at any hour.
    stands_in: bool,
}

/// Each letter once in the outbox, marked as the server has it, told as its rules say.
pub fn letters_are_right(reader: &Reader, mail: &Mail, garden: &Garden) -> Result<(), String> {
    let mut letters = reader.recent_letters(u32::MAX).map_err(|error| error.to_string())?;
    letters.reverse();
    let numbers: Vec<u32> = letters.iter().map(|letter| letter.number).collect();
    if !numbers.iter().copied().eq(1..=letters.len() as u32) {
        return Err(format!("letters are numbered {numbers:?}"));
    }
    for letter in &letters {
        let number = letter.number;
        match &letter.fate {
            Fate::Accepted(_) if mail.has.contains_key(&number) => {}
            Fate::Refused(..) if mail.refused.contains_key(&number) => {}
            Fate::Overtaken(..) => {}
            fate => return Err(format!("letter {number} is marked {fate:?}, the server says otherwise")),
        }
    }
    sent_as_often_as_may_be(&numbers.into_iter().collect(), mail)?;
    // What was overtaken was told to nobody.
    let told = letters.iter().filter(|letter| !matches!(letter.fate, Fate::Overtaken(..)));
    let told: Result<Vec<Told>, String> = told.map(|letter| read(reader, garden, letter, &letters)).collect();
    told_as_settled(&told?, garden)
}

fn sent_as_often_as_may_be(kept: &BTreeSet<u32>, mail: &Mail) -> Result<(), String> {
    for (number, (_, times)) in &mail.has {
        if !kept.contains(number) {
            return Err(format!("letter {number} was sent and is not in the outbox"));
        }
        let excused = 1 + mail.again_excused.get(number).copied().unwrap_or(0);
        if *times > excused {
            return Err(format!("letter {number} was sent {times} times, {excused} may be"));
        }
    }
    Ok(())
}

fn read(reader: &Reader, garden: &Garden, letter: &KeptLetter, all: &[KeptLetter]) -> Result<Told, String> {
    let number = letter.number;
    let at = DateTime::from_timestamp_millis(letter.at_ms).ok_or("a time beyond the calendar")?;
    let at = at.with_timezone(&garden.zone);
    let whole = reader.letter(number).map_err(|error| error.to_string())?.ok_or("a letter is missing")?;
    let text = text_of(&whole.eml).ok_or_else(|| format!("letter {number} cannot be read"))?;
    let list = text.lines().take_while(|line| !line.trim().is_empty());
    let tasks = list.filter(|line| line.starts_with(|first: char| first.is_ascii_digit()));
    let takes_over = format!("letter {number}");
    Ok(Told {
        number,
        at_ms: letter.at_ms,
        person: letter.person.clone(),
        date: at.date_naive(),
        time: at.time(),
        subject: letter.subject.clone(),
        matters: letter.matters.clone(),
        tasks: tasks.map(str::to_owned).collect(),
        stands_in: all
            .iter()
            .any(|other| matches!(&other.fate, Fate::Overtaken(_, words) if words.ends_with(&takes_over))),
    })
}

/// No flood, quiet at night, and nothing twice within a working window.
fn told_as_settled(letters: &[Told], garden: &Garden) -> Result<(), String> {
    let mut a_day: HashMap<(&str, NaiveDate), usize> = HashMap::new();
    let mut window: HashMap<(&str, NaiveDate, bool, &str), u32> = HashMap::new();
    for letter in letters {
        let (number, subject) = (letter.number, &letter.subject);
        if letter.stands_in {
            continue;
        }
        let of_day = a_day.entry((&letter.person, letter.date)).or_default();
        *of_day += 1;
        if *of_day > LETTERS_A_DAY {
            return Err(format!("letter {number} is the ninth of its day: {subject}"));
        }
        let breaks_quiet = [MatterKey::Cover, MatterKey::Blind];
        let quiet = letter.time >= garden.quiet.from || letter.time < garden.quiet.to;
        if quiet && !letter.matters.iter().any(|matter| breaks_quiet.contains(matter)) {
            return Err(format!(
                "letter {number} goes out at {}, in the quiet hours: {subject}",
                letter.time
            ));
        }
        for task in &letter.tasks {
            let second = letter.time >= SECOND_WINDOW;
            if let Some(before) = window.insert((&letter.person, letter.date, second, task), number) {
                return Err(format!("letters {before} and {number} tell {task:?} in one window"));
            }
        }
    }
    let apart = letters.windows(2).all(|two| two[0].at_ms <= two[1].at_ms);
    if apart { Ok(()) } else { Err("letters are not numbered in the order of their times".to_owned()) }
}

/// The rule sees a letter that tells in the same window what another one has told.
#[test]
fn the_same_told_twice_within_a_window_is_seen() {
    let letter = |number: u32, hour: u32| Told {
        number,
        at_ms: i64::from(number),
        person: "grower".to_owned(),
        date: NaiveDate::from_ymd_opt(2027, 7, 1).unwrap(),
        time: NaiveTime::from_hms_opt(hour, 0, 0).unwrap(),
        subject: "Long bed: 170 L".to_owned(),
        matters: vec![MatterKey::Water],
        tasks: vec!["1. Long bed: 170 L".to_owned()],
        stands_in: false,
    };
    let garden = super::garden::garden();
    assert!(told_as_settled(&[letter(1, 6), letter(2, 17)], &garden).is_ok());
    assert!(told_as_settled(&[letter(1, 6), letter(2, 8)], &garden).unwrap_err().contains("in one window"));
    assert!(told_as_settled(&[letter(1, 23)], &garden).unwrap_err().contains("quiet"));
}
