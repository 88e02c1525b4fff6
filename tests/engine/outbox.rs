//! Letters that had to wait: the overtaken are dropped with a reason, several become one with the latest word, and
//! what may have arrived keeps its id.

use std::collections::BTreeSet;

use rindwatch::daybook::Entry;
use rindwatch::engine::{Action, Event};
use rindwatch::record::{LetterDraft, MatterKey, Millis, Stand, Telling, Waiting, WaitingLetter};

use super::sim::*;

const WATER: MatterKey = MatterKey::Water;

/// What became of the letters that waited.
struct Sifted {
    overtaken: Vec<(u32, String)>,
    letters: Vec<LetterDraft>,
}

impl Sim {
    /// Mail works again now: of all letters from number `from` on none was accepted, and those of `maybe` may have
    /// arrived all the same.
    fn mail_is_back(&mut self, from: u32, maybe: &[u32]) -> Sifted {
        let all: Vec<LetterDraft> = self.letters().into_iter().cloned().collect();
        let (accepted, waits): (Vec<_>, Vec<_>) = all.into_iter().partition(|draft| draft.number < from);
        let waiting = Waiting {
            accepted: accepted.iter().map(|draft| draft.number).collect(),
            told_tasks: accepted.iter().flat_map(|draft| &draft.tasks).map(|task| task.number).collect(),
            letters: waits
                .into_iter()
                .map(|draft| WaitingLetter { maybe_there: maybe.contains(&draft.number), draft })
                .collect(),
        };
        let mut sifted = Sifted { overtaken: Vec::new(), letters: Vec::new() };
        for action in self.handle(Event::Waiting(waiting)) {
            match action {
                Action::Overtaken { number, words } => sifted.overtaken.push((number, words)),
                Action::Letter(draft) => sifted.letters.push(*draft),
                _ => {}
            }
        }
        sifted
    }

    /// Runs until the first letter about `key`; its number.
    fn until_told(&mut self, key: MatterKey) -> u32 {
        while self.told(key).is_empty() {
            self.run_until(self.now_ms + 10 * MINUTE);
        }
        self.letters().last().unwrap().number
    }
}

fn dry() -> Sim {
    Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00")
}

/// The whole point: after days without a mail server one letter says what is to be done now, and nobody is sent to
/// shade a fruit three days ago.
#[test]
fn four_days_without_mail_end_in_one_letter_with_the_latest_word() {
    for more_hours in (0..48).step_by(5) {
        let mut sim = dry();
        sim.sky = HOT;
        sim.run_until(sim.now_ms + 4 * DAY + more_hours * HOUR);
        let waited: Vec<LetterDraft> = sim.letters().into_iter().cloned().collect();
        assert!(waited.len() >= 4, "{} letters in four hot days", waited.len());
        let Sifted { overtaken, letters } = sim.mail_is_back(1, &[]);
        let now_ms = sim.now_ms;
        let gone: BTreeSet<u32> = overtaken.iter().map(|(number, _)| *number).collect();
        assert_eq!(gone.len(), overtaken.len(), "each is dropped once: {overtaken:?}");
        assert!(overtaken.iter().all(|(_, words)| !words.is_empty()));
        assert!(letters.len() <= 1, "one person, one letter");
        // What goes out: what was kept and what is new.
        let out: Vec<&LetterDraft> =
            waited.iter().filter(|draft| !gone.contains(&draft.number)).chain(&letters).collect();
        let mut told = BTreeSet::new();
        for task in out.iter().flat_map(|draft| &draft.tasks) {
            assert!(told.insert(task.number), "task {} is told twice", task.number);
            let by_the_hour = matches!(task.matter, MatterKey::Shade | MatterKey::Cover);
            assert!(!by_the_hour || task.by_ms.unwrap() > now_ms, "a letter about the past");
            assert_eq!(task.telling, Telling::First, "nothing was told before");
        }
        assert!(out.iter().flat_map(|draft| &draft.tasks).any(|task| task.matter == WATER), "still dry");
        let out_numbers: BTreeSet<u32> = out.iter().map(|draft| draft.number).collect();
        for draft in &out {
            let answered = draft.answers.iter().chain(&draft.also_answers);
            assert!(
                answered.into_iter().all(|number| out_numbers.contains(number)),
                "answers what nobody got"
            );
        }
        let held = letters[0].held.unwrap();
        assert_eq!((held.since_ms, held.until_ms), (waited[0].at_ms, now_ms));
        // And the next one about it answers the letter that exists.
        let (new, task) = (letters[0].number, letters[0].tasks[0].number);
        let before = sim.letters().len();
        sim.run_days(3);
        let again = sim.letters()[before..].iter().find(|draft| draft.tasks[0].number == task).copied();
        assert!(again.is_none_or(|draft| draft.answers == Some(new)), "{again:?}");
    }
}

#[test]
fn what_was_answered_meanwhile_is_dropped_and_the_next_letter_says_so() {
    let mut sim = dry();
    let number = sim.until_told(WATER);
    sim.run_until(sim.now_ms + HOUR);
    sim.water("long", 150.0);
    sim.run_until(sim.now_ms + DAY);
    let Sifted { overtaken, letters } = sim.mail_is_back(number, &[]);
    assert!(letters.is_empty(), "{letters:?}");
    assert_eq!(overtaken, [(number, "no longer needed".to_owned())]);
    let before = sim.letters().len();
    sim.run_days(6);
    let next = sim.letters()[before].clone();
    let held = next.held.expect("the next letter says that one never came");
    assert_eq!((held.not_needed, held.written_ms), (1, None));
    assert!(sim.letters()[before + 1..].iter().all(|draft| draft.held.is_none()), "said once");
}

#[test]
fn a_letter_of_half_an_hour_ago_goes_as_it_is() {
    let mut sim = dry();
    let number = sim.until_told(WATER);
    sim.run_until(sim.now_ms + 20 * MINUTE);
    let Sifted { overtaken, letters } = sim.mail_is_back(number, &[]);
    assert!(overtaken.is_empty() && letters.is_empty(), "{overtaken:?} {letters:?}");
}

/// A letter was accepted, the answer got lost, and hours later it was merged into a new one: the same task came twice
/// under two message ids, and no mail program could tell.
#[test]
fn a_letter_that_may_have_arrived_goes_again_under_its_own_id() {
    // Told at 21:00 for the next morning's window, it waits into the small hours.
    let mut sim = Sim::new(
        garden(&[
            &HEAD.replace("org\"\n\n[mail]", "org\"\nhours = [\"06:00-08:00\"]\n\n[mail]"),
            BED,
            &full(),
        ]),
        "2027-07-01",
        "00:00",
    );
    let number = sim.until_told(WATER);
    sim.run_until(sim.now_ms + 7 * HOUR);
    let by_ms: Millis = sim.told(WATER)[0].2.by_ms.unwrap();
    assert!(by_ms > sim.now_ms, "within its time");
    let untouched = sim.mail_is_back(number, &[]);
    assert_eq!(untouched.overtaken[0].0, number, "never handed over: worded anew");
    assert_eq!(untouched.letters[0].tasks[0].telling, Telling::First);

    let mut sim = dry();
    let number = sim.until_told(WATER);
    sim.run_until(sim.told(WATER)[0].2.by_ms.unwrap() - HOUR);
    let Sifted { overtaken, letters } = sim.mail_is_back(number, &[number]);
    assert!(overtaken.is_empty() && letters.is_empty(), "{overtaken:?} {letters:?}");
}

#[test]
fn past_its_time_it_is_followed_by_a_reminder_that_answers_it() {
    let mut sim = dry();
    let number = sim.until_told(WATER);
    sim.run_until(sim.told(WATER)[0].2.by_ms.unwrap() + HOUR);
    let later = sim.letters().iter().filter(|draft| draft.number >= number).count();
    let Sifted { overtaken, letters } = sim.mail_is_back(number, &[number]);
    assert!(overtaken.iter().any(|(gone, _)| *gone == number), "{overtaken:?}");
    assert_eq!(later, overtaken.len());
    assert_eq!(letters[0].tasks[0].telling, Telling::Again);
    assert_eq!(letters[0].answers, Some(number));
}

#[test]
fn taking_back_what_was_never_sent_is_dropped_with_it() {
    let mut sim = dry();
    let number = sim.until_told(WATER);
    sim.run_until(sim.now_ms + HOUR);
    sim.rain.push((sim.now_ms, sim.now_ms + 3 * HOUR, 40.0));
    while !sim.told(WATER).iter().any(|(_, telling, _)| *telling == Telling::Withdrawn) {
        sim.run_until(sim.now_ms + 10 * MINUTE);
        assert!(sim.now_ms < sim.at("2027-07-20", "00:00"), "no withdrawal: {:?}", sim.told_at(WATER));
    }
    let about_water: Vec<u32> = sim
        .letters()
        .iter()
        .filter(|draft| draft.tasks.iter().all(|task| task.matter == WATER))
        .map(|draft| draft.number)
        .collect();
    let Sifted { overtaken, letters } = sim.mail_is_back(number, &[]);
    let gone: Vec<u32> = overtaken.iter().map(|(number, _)| *number).collect();
    assert!(about_water.iter().all(|number| gone.contains(number)), "{overtaken:?}");
    assert!(letters.iter().flat_map(|draft| &draft.tasks).all(|task| task.matter != WATER));
    assert!(overtaken.iter().any(|(_, words)| words == "it takes back what was never sent"), "{overtaken:?}");
}

/// Whoever was told must hear that it is off, if it still matters.
#[test]
fn taking_back_what_was_told_goes_out() {
    let mut sim = dry();
    let first = sim.until_told(WATER);
    sim.run_until(sim.now_ms + 30 * MINUTE);
    sim.rain.push((sim.now_ms, sim.now_ms + HOUR, 40.0));
    while !sim.told(WATER).iter().any(|(_, telling, _)| *telling == Telling::Withdrawn) {
        sim.run_until(sim.now_ms + 10 * MINUTE);
    }
    let by_ms = sim.told(WATER).last().unwrap().2.by_ms;
    assert!(by_ms.is_none_or(|by_ms| by_ms > sim.now_ms), "the withdrawal came in time");
    let Sifted { overtaken, .. } = sim.mail_is_back(first + 1, &[]);
    assert!(overtaken.iter().all(|(_, words)| !words.contains("takes back")), "{overtaken:?}");
}

/// It says since when the probe is silent, and that is as true after three days.
#[test]
fn a_fault_that_still_stands_goes_as_it_is() {
    let mut sim = dry();
    sim.run_to("2027-07-01", "12:00");
    sim.silent.push("damp".into());
    let number = sim.until_told(MatterKey::Gear);
    sim.run_until(sim.now_ms + 10 * HOUR);
    let Sifted { overtaken, letters } = sim.mail_is_back(number, &[]);
    assert!(overtaken.is_empty() && letters.is_empty(), "{number}: {overtaken:?} {letters:?}");
}

/// One person's address was refused, the next letter to another was taken, and the page said that mail works again.
#[test]
fn a_refused_address_stands_until_a_letter_to_it_is_taken() {
    let mut sim = dry();
    sim.run_until(sim.now_ms + HOUR);
    let tell = |sim: &mut Sim, person: &str, refused: Option<&str>| {
        let refused = refused.map(str::to_owned);
        sim.handle(Event::Letter { number: 7, person: person.into(), refused });
    };
    tell(&mut sim, "grower", Some("550 no such user"));
    tell(&mut sim, "neighbour", None);
    let stands = |sim: &Sim| {
        let changes = sim.changes(MatterKey::Mail);
        changes.last().map(|change| (change.subject.clone(), change.to)).unwrap()
    };
    assert_eq!(stands(&sim), ("grower".to_owned(), Stand::Standing));
    let why = sim
        .engine
        .survey(sim.now_ms)
        .matters
        .into_iter()
        .find(|one| one.matter == MatterKey::Mail)
        .unwrap()
        .why;
    assert_eq!(why, "letter 7: 550 no such user");
    tell(&mut sim, "grower", None);
    assert_eq!(stands(&sim), ("grower".to_owned(), Stand::Over));
}

#[test]
fn a_task_done_by_number_is_answered() {
    let mut sim = dry();
    let number = sim.until_told(WATER);
    let task = sim.told(WATER)[0].2.number;
    sim.run_until(sim.now_ms + 8 * HOUR);
    sim.enter(Entry::Done { task });
    let Sifted { overtaken, letters } = sim.mail_is_back(number, &[]);
    assert!(letters.is_empty());
    assert_eq!(overtaken[0].1, "answered meanwhile");
}
