//! From matters that want telling to letters: one to a person at a time, tasks in the order of their
//! deadlines, what is due soon rides along.

use std::collections::BTreeMap;

use crate::record::{LetterDraft, MatterKey, Millis, Task, Telling};

use super::calendar::HOUR_MS;
use super::life::Matter;

/// A matter that is ripe but not yet due rides along with a letter that goes out so long before.
pub const RIDE_ALONG_MS: Millis = 3 * HOUR_MS;

/// A matter's place: its kind, and its bed or probe.
pub type MatterId = (MatterKey, String);

/// One thing to be told.
#[derive(Debug, Clone, PartialEq)]
pub struct ToTell {
    /// The matter.
    pub id: MatterId,
    /// First, again, worse or withdrawn.
    pub telling: Telling,
}

/// Counters of a garden that never run backwards.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Counters {
    /// Number of the last letter.
    pub letters: u32,
    /// Number of the last task.
    pub tasks: u32,
}

/// Groups what is to be told by person and makes one draft each. `task` words one matter as a task, with
/// its number already given.
pub fn drafts(
    to_tell: &[ToTell],
    matters: &mut BTreeMap<MatterId, Matter>,
    counters: &mut Counters,
    now_ms: Millis,
    mut task: impl FnMut(&MatterId, &Matter, Telling) -> Option<Task>,
) -> Vec<LetterDraft> {
    let mut by_person: BTreeMap<String, Vec<&ToTell>> = BTreeMap::new();
    for one in to_tell {
        let Some(matter) = matters.get(&one.id) else { continue };
        // A repeat or a withdrawal goes to whoever was told.
        let person = match (&matter.first_letter, &matter.claim) {
            (Some((person, _)), _) if one.telling == Telling::Withdrawn => person.clone(),
            (_, Some(claim)) => claim.person.clone(),
            _ => continue,
        };
        by_person.entry(person).or_default().push(one);
    }
    let mut letters = Vec::new();
    for (person, list) in by_person {
        let mut tasks = Vec::new();
        let mut threads = Vec::new();
        for one in &list {
            let Some(matter) = matters.get_mut(&one.id) else { continue };
            if matter.number.is_none() {
                counters.tasks += 1;
                matter.number = Some(counters.tasks);
            }
            let earlier = matter.first_letter.as_ref().filter(|(to, _)| *to == person).map(|(_, n)| *n);
            if let Some(task) = task(&one.id, matter, one.telling) {
                tasks.push((task, earlier));
            }
        }
        if tasks.is_empty() {
            continue;
        }
        tasks.sort_by_key(|(task, _)| (task.by_ms.unwrap_or(Millis::MAX), task.number));
        for (at, (_, earlier)) in tasks.iter().enumerate() {
            threads.push((at, *earlier));
        }
        counters.letters += 1;
        let number = counters.letters;
        let answers = threads.first().and_then(|(_, earlier)| *earlier);
        let mut also_answers: Vec<u32> = threads.iter().skip(1).filter_map(|(_, earlier)| *earlier).collect();
        also_answers.sort_unstable();
        also_answers.dedup();
        also_answers.retain(|letter| Some(*letter) != answers);
        for one in &list {
            if let Some(matter) = matters.get_mut(&one.id)
                && matter.first_letter.as_ref().is_none_or(|(to, _)| *to != person)
            {
                matter.first_letter = Some((person.clone(), number));
            }
        }
        letters.push(LetterDraft {
            number,
            person,
            at_ms: now_ms,
            tasks: tasks.into_iter().map(|(task, _)| task).collect(),
            answers,
            also_answers,
            ..LetterDraft::default()
        });
    }
    letters
}
