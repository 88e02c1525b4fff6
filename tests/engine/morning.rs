//! The morning note: the sign of life of each day of the season, and nothing that wakes or asks.

use rindwatch::daybook::{Entry, FruitState};
use rindwatch::engine::{Action, Event};
use rindwatch::record::{LetterDraft, MatterKey, Millis, Waiting, WaitingLetter};

use super::sim::*;

/// The made garden whose grower gets the note; quiet until `quiet_to`.
fn noted(quiet_to: &str) -> Sim {
    let head = HEAD.replace("morning-note = false\n", "")
        + &format!("\n[times]\nquiet = \"21:30-{quiet_to}\"\nwindows = [\"07:00-09:00\", \"17:00-20:00\"]\n");
    Sim::new(garden(&[&head, BED, &full()]), "2027-05-17", "12:00")
}

fn notes(sim: &Sim) -> Vec<&LetterDraft> {
    sim.letters().into_iter().filter(|letter| letter.morning.is_some()).collect()
}

fn times(sim: &Sim) -> Vec<String> {
    notes(sim).iter().map(|letter| sim.shown(letter.at_ms)).collect()
}

/// Planted on 20 May; cut on the 25th: a note each morning from the first to the day of the cutting, and one last
/// that says that silence means nothing from here on.
#[test]
fn it_comes_each_morning_of_the_season_and_says_when_it_is_the_last() {
    let mut sim = noted("06:00");
    sim.run_to("2027-05-25", "12:00");
    sim.enter(Entry::Fruit { fruit: "f1".into(), state: FruitState::Cut, bed: None });
    sim.run_days(5);
    let mornings: Vec<String> = (20..=26).map(|day| format!("05-{day} 06:15")).collect();
    assert_eq!(times(&sim), mornings);
    let notes = notes(&sim);
    for letter in &notes[..6] {
        let note = letter.morning.as_ref().unwrap();
        let next_ms = note.next_ms.unwrap();
        assert_eq!(next_ms, letter.at_ms + DAY);
        assert_eq!(note.overdue_ms, Some(next_ms + 2 * HOUR), "mail has two hours");
        assert_eq!(note.beds.len(), 1);
        assert_eq!(note.probes_good, (7, 7));
        assert!(note.foreseen_max_c.is_some());
    }
    let last = notes[6].morning.as_ref().unwrap();
    assert_eq!((last.next_ms, last.overdue_ms), (None, None));
    assert!(last.beds.is_empty());
}

/// Nobody is written to in the quiet hours for a sign of life.
#[test]
fn it_waits_for_the_end_of_the_quiet_hours() {
    let mut sim = noted("06:50");
    sim.run_to("2027-05-22", "12:00");
    assert_eq!(times(&sim), ["05-20 07:00", "05-21 07:00", "05-22 07:00"]);
}

/// A bed that wants water in the morning: one letter, which carries the note. The next note names the task as open,
/// and when water was given, as ended.
#[test]
fn a_letter_of_its_minute_carries_it_and_it_names_what_is_open_and_what_ended() {
    let mut sim = noted("06:00");
    sim.sky = HOT;
    while sim.told(MatterKey::Water).is_empty() {
        sim.run_until(sim.now_ms + 10 * MINUTE);
    }
    let (told_ms, _, task) = sim.told(MatterKey::Water)[0];
    let number = task.number;
    let water_letters = |sim: &Sim| sim.letters().iter().filter(|letter| !letter.tasks.is_empty()).count();
    let before = water_letters(&sim);
    let next = |sim: &mut Sim| {
        let count = notes(sim).len();
        while notes(sim).len() == count {
            sim.run_until(sim.now_ms + 10 * MINUTE);
        }
        notes(sim).last().copied().unwrap().clone()
    };
    sim.run_until(told_ms + 4 * HOUR);
    let letter = next(&mut sim);
    let open: Vec<u32> = letter.morning.as_ref().unwrap().open.iter().map(|task| task.number).collect();
    assert!(open.contains(&number), "task {number} is open, the note names {open:?}");
    let missing_l = sim.depletion_mm[0] * 7.0;
    sim.water("long", missing_l);
    let letter = next(&mut sim);
    let note = letter.morning.as_ref().unwrap();
    assert!(note.open.iter().all(|task| task.number != number), "{:?}", note.open);
    assert!(note.handled.iter().any(|task| task.number == number), "{:?}", note.handled);
    assert!((note.beds[0].given_litres - missing_l).abs() < 1.0, "{:?}", note.beds);
    assert!(note.beds[0].share_used.unwrap().0 < 0.4);
    assert!(water_letters(&sim) >= before);
    // Never two letters to one person in a minute.
    let mut minutes: Vec<Millis> = sim.letters().iter().map(|letter| letter.at_ms).collect();
    let all = minutes.len();
    minutes.dedup();
    assert_eq!(minutes.len(), all);
}

/// The sign of life of a box that was without power overnight comes when it is back, until noon; later the next one
/// says it.
#[test]
fn a_box_that_was_off_makes_up_for_it_until_noon() {
    for (back, expected) in [("09:00", vec!["05-20 06:15", "05-21 09:00"]), ("14:00", vec!["05-20 06:15"])] {
        let mut sim = noted("06:00");
        sim.run_to("2027-05-20", "22:00");
        sim.handle_at(Event::Turn, sim.at("2027-05-21", back));
        sim.run_to("2027-05-21", "20:00");
        assert_eq!(times(&sim), expected, "back at {back}");
    }
}

/// It says what it does not know: a silent probe is named, and rain that nobody measures is not "no rain".
#[test]
fn it_names_probes_that_are_amiss_and_calls_unknown_unknown() {
    let mut sim = noted("06:00");
    sim.run_to("2027-05-23", "00:00");
    sim.silent.push("gauge".into());
    sim.run_to("2027-05-24", "12:00");
    let note = notes(&sim).last().unwrap().morning.clone().unwrap();
    assert_eq!(note.probes_good, (6, 7));
    assert_eq!(note.probes_amiss[0].0, "gauge");
    assert_eq!(note.yesterday.unwrap().rain_mm, None, "{:?}", note.yesterday);
}

/// Letters that had to wait: yesterday's note is not worth sending, that of this morning is.
#[test]
fn a_note_that_had_to_wait_goes_on_its_morning_only() {
    for (hours, dropped) in [(3, false), (30, true)] {
        let mut sim = noted("06:00");
        sim.run_to("2027-05-20", "06:20");
        let letters: Vec<LetterDraft> = notes(&sim).into_iter().cloned().collect();
        let waiting = letters.into_iter().map(|draft| WaitingLetter { draft, maybe_there: false }).collect();
        sim.now_ms += hours * HOUR;
        let actions = sim.handle(Event::Waiting(Waiting { letters: waiting, ..Waiting::default() }));
        let gone = actions.iter().any(|action| matches!(action, Action::Overtaken { .. }));
        assert_eq!(gone, dropped, "after {hours} h");
    }
}
