//! Letters that had to wait: which are still worth sending when mail works again.
//!
//! A task is overtaken when its matter is over or answered, when its time is past (shade and cover go by the
//! hour; a bed that is still dry is still dry), when a later letter tells it, or when it takes back what
//! nobody was told. A letter of which nothing stands is dropped. One that still says the truth goes as it is. What
//! stands of all the others goes into one new letter, worded from the state of now.
//!
//! A letter that the server may have all the same (its acceptance got lost) is never put into another one within its
//! time: it would reach the person twice, and no mail program could tell. It goes again as it is, under its own id;
//! past its time, what stands of it is told as a reminder that answers it.

use std::collections::BTreeSet;

use crate::record::{
    Held, LetterDraft, MatterKey, Millis, Stand, Task, Telling, Urgency, Waiting, WaitingLetter,
};

use super::Action;
use super::calendar::{HOUR_MS, MINUTE_MS};
use super::core::Engine;
use super::judge::task;
use super::telling::MatterId;

/// A letter that waited less goes out as it is, if any of it stands (judgement: a restart, a busy server).
const FRESH_MS: Millis = 30 * MINUTE_MS;
/// Tasks are worded anew after so long (judgement: the figures are of another part of the day); a fault of the
/// gear is not: it says since when.
const STALE_MS: Millis = 6 * HOUR_MS;
/// What is known of no matter here counts as over after so long.
const UNKNOWN_MS: Millis = 48 * HOUR_MS;

/// A morning note is worth sending for so long (judgement: it speaks of yesterday and of the day that begins).
const NOTE_MS: Millis = 12 * HOUR_MS;

/// What becomes of a waiting letter.
enum Lot {
    /// Nothing of it stands, for this reason.
    Dropped(String),
    /// It goes as it is.
    Kept,
    /// The tasks at these places go into the new letter.
    Anew(Vec<usize>),
}

/// What has reached a person, or may have.
struct Known {
    letters: BTreeSet<u32>,
    tasks: BTreeSet<u32>,
}

impl Engine {
    /// Looks through the letters to one address that had to wait.
    pub(super) fn sift(&mut self, waiting: &Waiting, now_ms: Millis, actions: &mut Vec<Action>) {
        // Two people may share an address.
        let people: BTreeSet<&String> = waiting.letters.iter().map(|one| &one.draft.person).collect();
        for person in people {
            let letters: Vec<&WaitingLetter> =
                waiting.letters.iter().filter(|one| one.draft.person == *person).collect();
            self.sift_letters(&letters, waiting, now_ms, actions);
        }
    }

    fn sift_letters(
        &mut self,
        letters: &[&WaitingLetter],
        waiting: &Waiting,
        now_ms: Millis,
        actions: &mut Vec<Action>,
    ) {
        let (Some(oldest), Some(last)) = (letters.first(), letters.last()) else { return };
        let person = last.draft.person.clone();
        let maybe = || letters.iter().filter(|one| one.maybe_there).map(|one| &one.draft);
        let known = Known {
            letters: waiting.accepted.iter().copied().chain(maybe().map(|draft| draft.number)).collect(),
            tasks: waiting
                .told_tasks
                .iter()
                .copied()
                .chain(maybe().flat_map(|draft| &draft.tasks).map(|task| task.number))
                .collect(),
        };
        let lots = self.lots(letters, &known, now_ms);
        let mut held = self.memory.held.remove(&person).unwrap_or(Held {
            since_ms: oldest.draft.at_ms,
            until_ms: now_ms,
            written_ms: None,
            not_needed: 0,
        });
        held.until_ms = now_ms;
        let mut standing = Vec::new();
        for (one, lot) in letters.iter().zip(lots) {
            match lot {
                Lot::Kept => {}
                Lot::Dropped(words) => {
                    let there = if one.maybe_there { "; it may have arrived" } else { "" };
                    let words = format!("{words}{there}");
                    actions.push(Action::Overtaken { number: one.draft.number, words });
                    held.not_needed += 1;
                }
                Lot::Anew(tasks) => {
                    held.written_ms.get_or_insert(one.draft.at_ms);
                    standing.push((&one.draft, tasks));
                }
            }
        }
        if !standing.is_empty() {
            self.write_anew(&standing, &known, held, now_ms, actions);
        } else if held.not_needed > 0 {
            self.memory.held.insert(person, held);
        }
    }

    fn lots(&self, letters: &[&WaitingLetter], known: &Known, now_ms: Millis) -> Vec<Lot> {
        // An answer comes after what it answers, so that is judged by then.
        let mut kept = known.letters.clone();
        let mut lots = Vec::new();
        for (at, one) in letters.iter().enumerate() {
            let later = letters.get(at + 1..).unwrap_or_default();
            let draft = &one.draft;
            let reasons: Vec<Option<String>> = draft
                .tasks
                .iter()
                .map(|task| {
                    let over = self.overtaken(task, draft, known, now_ms).map(str::to_owned);
                    over.or_else(|| told_later(task, later))
                })
                .collect();
            if draft.tasks.is_empty() {
                lots.push(note_lot(draft, now_ms));
                continue;
            }
            let stands: Vec<usize> = (0..reasons.len()).filter(|at| reasons[*at].is_none()).collect();
            let lot = if stands.is_empty() {
                Lot::Dropped(reasons.into_iter().flatten().next().unwrap_or_default())
            } else if good_as_it_is(one, &stands, &kept, now_ms) {
                kept.insert(draft.number);
                Lot::Kept
            } else {
                Lot::Anew(stands)
            };
            lots.push(lot);
        }
        lots
    }

    /// Why a task is not worth a letter any more.
    fn overtaken(
        &self,
        task: &Task,
        letter: &LetterDraft,
        known: &Known,
        now_ms: Millis,
    ) -> Option<&'static str> {
        let past = |by_ms: Option<Millis>| by_ms.is_some_and(|by_ms| by_ms <= now_ms);
        let matter = self.memory.matters.get(&(task.matter, task.subject.clone()));
        let same = matter.filter(|matter| matter.number == Some(task.number));
        if task.telling == Telling::Withdrawn {
            let first = same.and_then(|matter| matter.first_letter.as_ref()).map(|(_, number)| *number);
            let told = known.tasks.contains(&task.number)
                || first.is_some_and(|first| known.letters.contains(&first));
            return match (told, past(task.by_ms)) {
                (false, _) => Some("it takes back what was never sent"),
                (true, true) => Some("its time is past"),
                (true, false) => None,
            };
        }
        match (matter, same) {
            (None, _) => {
                let old = past(task.by_ms) || now_ms - letter.at_ms >= UNKNOWN_MS;
                old.then_some("its time is past")
            }
            (Some(_), None) => Some("no longer needed"),
            (Some(_), Some(matter)) => match matter.stand {
                Stand::Standing => {
                    let by_ms = matter.claim.as_ref().and_then(|claim| claim.by_ms).or(task.by_ms);
                    let by_the_hour = matches!(task.matter, MatterKey::Shade | MatterKey::Cover);
                    (by_the_hour && past(by_ms)).then_some("its time is past")
                }
                Stand::Seen | Stand::InHand | Stand::Parked => Some("answered meanwhile"),
                Stand::Settled | Stand::Building | Stand::Over => Some("no longer needed"),
            },
        }
    }

    /// One letter in place of several: what stands, as it stands now.
    fn write_anew(
        &mut self,
        standing: &[(&LetterDraft, Vec<usize>)],
        known: &Known,
        held: Held,
        now_ms: Millis,
        actions: &mut Vec<Action>,
    ) {
        let Some((first, _)) = standing.first() else { return };
        let person = first.person.clone();
        self.memory.counters.letters += 1;
        let number = self.memory.counters.letters;
        let mut tasks = self.tasks_anew(standing, known, now_ms);
        tasks.sort_by_key(|(task, _)| (task.by_ms.unwrap_or(Millis::MAX), task.number));
        for (task, thread) in &tasks {
            if let Some(matter) = self.memory.matters.get_mut(&(task.matter, task.subject.clone()))
                && thread.is_none()
                && matter.number == Some(task.number)
            {
                // A repeat must answer a letter that exists.
                matter.first_letter = Some((person.clone(), number));
            }
        }
        let answers = tasks.first().and_then(|(_, thread)| *thread);
        let mut also_answers: Vec<u32> = tasks.iter().skip(1).filter_map(|(_, thread)| *thread).collect();
        also_answers.sort_unstable();
        also_answers.dedup();
        also_answers.retain(|letter| Some(*letter) != answers);
        for (letter, _) in standing {
            let words = format!("what stands of it is in letter {number}");
            actions.push(Action::Overtaken { number: letter.number, words });
        }
        let tasks = tasks.into_iter().map(|(task, _)| task).collect();
        let draft = LetterDraft {
            number,
            person,
            at_ms: now_ms,
            tasks,
            answers,
            also_answers,
            held: Some(held),
            morning: None,
        };
        actions.push(Action::Letter(Box::new(draft)));
    }

    /// The tasks that stand, worded from the state of now, each with the letter that it answers.
    fn tasks_anew(
        &self,
        standing: &[(&LetterDraft, Vec<usize>)],
        known: &Known,
        now_ms: Millis,
    ) -> Vec<(Task, Option<u32>)> {
        let estimates = self.estimates(now_ms);
        let scene = self.scene(now_ms);
        let written = standing.iter().flat_map(|(letter, places)| {
            places.iter().filter_map(|at| Some((&letter.person, letter.tasks.get(*at)?)))
        });
        let anew = |(person, written): (&String, &Task)| {
            let id: MatterId = (written.matter, written.subject.clone());
            let matter = self.memory.matters.get(&id).filter(|matter| matter.number == Some(written.number));
            let telling = match written.telling {
                Telling::Withdrawn => Telling::Withdrawn,
                // Told before only in letters that never went out.
                _ if !known.tasks.contains(&written.number) => Telling::First,
                Telling::First => Telling::Again,
                telling => telling,
            };
            let task = matter
                .filter(|_| telling != Telling::Withdrawn)
                .and_then(|matter| task(&scene, &estimates, &id, matter, telling))
                .unwrap_or_else(|| Task { telling, ..written.clone() });
            let thread = matter
                .and_then(|matter| matter.first_letter.as_ref())
                .filter(|(to, number)| to == person && known.letters.contains(number))
                .map(|(_, number)| *number);
            (task, thread)
        };
        written.map(anew).collect()
    }
}

/// A morning note goes as it is on its morning; the next one says more.
fn note_lot(note: &LetterDraft, now_ms: Millis) -> Lot {
    match now_ms - note.at_ms < NOTE_MS {
        true => Lot::Kept,
        false => Lot::Dropped("its morning is past".to_owned()),
    }
}

/// A letter may go as it is: what it says is still true, and what it answers has gone out or goes before it.
fn good_as_it_is(one: &WaitingLetter, stands: &[usize], kept: &BTreeSet<u32>, now_ms: Millis) -> bool {
    let draft = &one.draft;
    let age_ms = now_ms - draft.at_ms;
    let due = |task: &Task| task.by_ms.is_some_and(|by_ms| by_ms <= now_ms);
    let mut standing = stands.iter().filter_map(|at| draft.tasks.get(*at));
    if one.maybe_there {
        return !standing.any(due);
    }
    let answers_known = draft.answers.iter().chain(&draft.also_answers).all(|letter| kept.contains(letter));
    let whole = stands.len() == draft.tasks.len();
    let true_still = |task: &Task| {
        !due(task) && (age_ms < STALE_MS || (task.urgency == Urgency::Gear && task.by_ms.is_none()))
    };
    answers_known && (age_ms < FRESH_MS || (whole && standing.all(true_still)))
}

/// A later letter that waits for the same person tells the task too.
fn told_later(task: &Task, later: &[&WaitingLetter]) -> Option<String> {
    let tells = |one: &&&WaitingLetter| one.draft.tasks.iter().any(|other| other.number == task.number);
    later.iter().rev().find(tells).map(|one| format!("told in letter {}", one.draft.number))
}
