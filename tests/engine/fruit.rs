//! Fruits by the day book: mass, gain, final mass, and the note that one has checked its growth.

use std::f64::consts::PI;
use std::sync::Arc;

use rindwatch::daybook::{Entry, FlowerState, FruitState};
use rindwatch::engine::{Engine, Event, FruitView, Now};
use rindwatch::record::{MatterKey, Millis, Stand, Urgency};

use super::growth::{Chance, Fruit};
use super::sim::*;

const GROWTH: MatterKey = MatterKey::Growth;
/// A fruit of a usual size: 17 kg a day at its peak, 30 days after pollination.
const MADE: Fruit = Fruit { gompertz: true, final_kg: 650.0, rate: 0.07, peak_day: 30.0 };

/// Half the way around an ellipse, by chords.
fn half_around(a: f64, b: f64) -> f64 {
    let at = |step: u32| (f64::from(step) / 2000.0 * PI).sin_cos();
    let chord = |step| {
        let ((s1, c1), (s2, c2)) = (at(step), at(step + 1));
        (a * (c1 - c2)).hypot(b * (s1 - s2))
    };
    (0..2000).map(chord).sum()
}

/// What a tape reads on a fruit of this mass: half an ellipsoid of 0.85 kg/L, a little longer than wide, 0.7
/// times as high as wide.
fn tape(name: &str, kg: f64) -> Entry {
    let across = (kg / 0.85 * 1000.0 / (2.0 / 3.0 * PI * 1.1 * 1.47)).cbrt();
    let (along, height) = (1.1 * across, 1.47 * across);
    Entry::Tape {
        fruit: name.into(),
        around_cm: Some(2.0 * half_around(along, across)),
        stem_cm: Some(half_around(along, height)),
        side_cm: Some(half_around(across, height)),
        length_cm: None,
    }
}

fn fruit(name: &str, state: FruitState) -> Entry {
    Entry::Fruit { fruit: name.into(), state, bed: None }
}

fn pollinated(name: &str) -> Entry {
    Entry::Flower { flower: name.into(), state: FlowerState::Pollinated { by_hand: true }, bed: None }
}

fn view(sim: &Sim, name: &str) -> FruitView {
    let fruits = sim.engine.survey(sim.now_ms).fruits;
    fruits.into_iter().find(|fruit| fruit.name == name).unwrap_or_else(|| panic!("no {name}"))
}

/// A garden without probes that speak, and an engine at noon of the day that a fruit was pollinated.
fn quiet_garden() -> Sim {
    let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-07-01", "12:00");
    sim.enter(pollinated("f1"));
    sim.enter(fruit("f1", FruitState::Keeper));
    sim
}

/// Enters a line `day` days after pollination.
fn on_day(sim: &mut Sim, day: f64, line: Entry) {
    let at_ms = sim.at("2027-07-01", "12:00") + (day * DAY as f64) as Millis;
    sim.handle_at(Event::Entry { entry: line, happened_ms: at_ms }, at_ms);
}

/// Tapes of a Gompertz fruit, 3 % off in mass: the page tells mass and gain from the second on, and from the
/// curve on a final mass whose interval holds the true one, as often as it says.
#[test]
fn a_season_of_tapes_tells_the_final_mass() {
    let mut held = 0;
    for seed in 1..=20 {
        let mut chance = Chance::new(seed);
        let mut sim = quiet_garden();
        for week in 2..=12 {
            let day = f64::from(week) * 7.0;
            on_day(&mut sim, day, tape("f1", MADE.kg(day) * (1.0 + 0.03 * chance.normal())));
            let now = view(&sim, "f1");
            let (kg, sd_kg) = now.mass_kg.unwrap();
            assert!((kg / MADE.kg(day) - 1.0).abs() < 0.12, "day {day}: {kg} of {}", MADE.kg(day));
            assert!((sd_kg / kg - 0.128).abs() < 0.001, "unweighed: 13 %");
            assert_eq!((now.age_days, now.state), (Some(i64::from(week) * 7), Some(FruitState::Keeper)));
            assert_eq!(now.gain_kg_day.is_some(), week > 2);
            if week < 7 {
                assert!(now.final_kg.is_none() && now.curve.contains("measures, a curve wants 6"), "{now:?}");
            }
        }
        let now = view(&sim, "f1");
        let (low, kg, high) = now.final_kg.unwrap();
        assert!((kg / MADE.final_kg - 1.0).abs() < 0.12, "seed {seed}: {kg}");
        assert!(low < 0.87 * kg && high > 1.15 * kg, "the density is not known yet: {low} to {high}");
        // Once weighed, the density's own ± is smaller, and so is the interval.
        on_day(&mut sim, 85.0, Entry::Weighed { fruit: "f1".into(), mass_kg: MADE.kg(84.0) });
        let weighed = view(&sim, "f1");
        let (low, kg, high) = weighed.final_kg.unwrap();
        assert!(low > 0.85 * kg && high < 1.17 * kg, "{low} to {high}");
        held += i32::from((low..=high).contains(&MADE.final_kg));
        assert!(weighed.curve.contains("Gompertz") || weighed.curve.contains("logistic"));
    }
    assert!(held >= 16, "{held} of 20 hold the truth");
}

/// A garden that grows well until 40 days after pollination. Then nobody waters for eleven days that are hot.
fn dried() -> Sim {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "12:00");
    sim.enter(pollinated("f1"));
    sim.enter(fruit("f1", FruitState::Keeper));
    for day in 1..=40 {
        sim.run_days(1);
        sim.water("long", 7.0 * MILD.use_mm);
        if day >= 12 && day % 4 == 0 {
            sim.enter(tape("f1", MADE.kg(f64::from(day))));
        }
    }
    sim.sky = HOT;
    sim.run_days(4);
    sim.enter(tape("f1", MADE.kg(40.0) + 12.0)); // 3 kg a day where 13 were promised
    sim.run_days(4);
    sim
}

#[test]
fn a_check_of_growth_stands_as_a_note_is_told_in_no_letter_and_ends() {
    let mut sim = dried();
    assert_eq!(sim.stand(GROWTH), None, "one gain may be the tape's");
    sim.enter(tape("f1", MADE.kg(40.0) + 22.0));
    sim.run_until(sim.now_ms + HOUR);
    assert_eq!(sim.stand(GROWTH), Some(Stand::Standing));
    let change = sim.changes(GROWTH).pop().unwrap().clone();
    assert_eq!(
        (change.subject.as_str(), change.urgency, change.person.as_deref()),
        ("f1", Urgency::Note, None)
    );
    for words in [
        "gained 3.0 and 2.5 kg a day",
        "its own curve promised 1",
        "past the stress mark",
        "°C h above 32 °C",
    ] {
        assert!(change.why.contains(words), "{words} in: {}", change.why);
    }
    assert!(!change.why.contains("night") && !change.why.contains("full mark"), "{}", change.why);
    let shown = sim.engine.survey(sim.now_ms).matters;
    assert!(shown.iter().any(|one| one.matter == GROWTH && one.why == change.why && one.number.is_none()));
    assert!(sim.told(GROWTH).is_empty());
    // It stands, also where the state was saved and loaded, until a tape that gains again.
    let saved = sim.engine.save();
    sim.engine = Engine::load(Arc::clone(&sim.garden), &saved).unwrap();
    sim.sky = MILD;
    sim.water("long", 300.0);
    sim.run_days(4);
    assert_eq!(sim.stand(GROWTH), Some(Stand::Standing));
    sim.enter(tape("f1", MADE.kg(40.0) + 80.0));
    sim.run_until(sim.now_ms + HOUR);
    assert_eq!(sim.stand(GROWTH), Some(Stand::Over));
    assert!(sim.told(GROWTH).is_empty());
}

#[test]
fn a_note_of_growth_ends_with_the_fruit_and_with_the_taping() {
    for end in ["culled", "cut", "untaped"] {
        let mut sim = dried();
        sim.enter(tape("f1", MADE.kg(40.0) + 22.0));
        sim.run_until(sim.now_ms + HOUR);
        assert_eq!(sim.stand(GROWTH), Some(Stand::Standing));
        match end {
            "culled" => drop(sim.enter(fruit("f1", FruitState::Culled))),
            "cut" => drop(sim.enter(fruit("f1", FruitState::Cut))),
            _ => {
                sim.run_days(13);
                assert_eq!(sim.stand(GROWTH), Some(Stand::Standing));
                sim.run_days(2);
            }
        }
        sim.run_until(sim.now_ms + HOUR);
        assert_eq!(sim.stand(GROWTH), Some(Stand::Over), "{end}");
    }
}

/// Cold and wet are named where they were about; before there is a curve the fruit's own gain is the promise.
#[test]
fn without_a_curve_the_gain_before_is_the_promise_and_cold_and_wet_are_named() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-08-01", "12:00");
    sim.run_days(1);
    sim.enter(tape("f1", 60.0));
    sim.run_days(4);
    sim.enter(tape("f1", 100.0)); // 10 kg a day
    sim.sky = Sky { low_c: 6.0, high_c: 16.0, use_mm: 1.0 };
    sim.water("long", 400.0);
    let rain_ms = sim.now_ms + DAY;
    sim.rain.push((rain_ms, rain_ms + 4 * HOUR, 30.0));
    sim.run_days(4);
    sim.enter(tape("f1", 110.0));
    sim.run_days(4);
    sim.enter(tape("f1", 117.0));
    sim.run_until(sim.now_ms + HOUR);
    let why = sim.changes(GROWTH).pop().unwrap().why.clone();
    assert_eq!(sim.stand(GROWTH), Some(Stand::Standing), "{why}");
    for words in [
        "its gain before them was 10.0 (it has no curve yet)",
        "nights under 10 °C, down to 6.0",
        "1 day with 20 mm",
    ] {
        assert!(why.contains(words), "{words} in: {why}");
    }
    assert!(!why.contains("stress mark") && !why.contains("°C h"), "{why}");
}

/// Seasons of forty that show a note: fruits taped every three to seven days and `sd` off, that from 35 to 45
/// days after pollination on gain `share` of what they should.
fn seasons_with_a_note(sd: f64, share: f64) -> usize {
    let mut seasons = 0;
    for seed in 1..=40 {
        let mut chance = Chance::new(seed);
        let made = Fruit::any(&mut chance, seed % 2 == 0);
        let stalls = chance.between(35.0, 45.0);
        let mut sim = quiet_garden();
        for one in made.taped(if share < 1.0 { stalls + 17.0 } else { 95.0 }, sd, &mut chance) {
            let (grown, then) = (made.kg(one.day), made.kg(stalls));
            let lost = if one.day > stalls { (1.0 - share) * (grown - then) / grown } else { 0.0 };
            on_day(&mut sim, one.day, tape("f1", one.kg * (1.0 - lost)));
            sim.handle_at(Event::Turn, sim.now_ms + 30 * MINUTE);
        }
        seasons += usize::from(sim.changes(GROWTH).iter().any(|change| change.to == Stand::Standing));
    }
    seasons
}

/// A note that nothing stands behind is rare: of forty seasons at most four, with tapes 2 or 3 % off in mass. A
/// fruit that all but stops is noted within 17 days in most.
#[test]
fn healthy_fruits_show_few_notes_and_stalled_ones_many() {
    let healthy = [0.02, 0.03].map(|sd| seasons_with_a_note(sd, 1.0));
    let stalled = [0.01, 0.02].map(|sd| seasons_with_a_note(sd, 0.1));
    println!("of 40 seasons show a note: healthy {healthy:?}, stalled {stalled:?}");
    assert!(healthy.iter().all(|seasons| *seasons <= 4), "{healthy:?} of 40");
    assert!(stalled.iter().all(|seasons| *seasons >= 20), "{stalled:?} of 40");
}

/// A tape that shrinks is kept and said, and used for nothing; two of them say that the one before was wrong.
#[test]
fn a_tape_that_shrinks_is_noted_and_not_used() {
    let mut sim = quiet_garden();
    for (day, kg) in [(14.0, 20.0), (21.0, 50.0), (28.0, 110.0)] {
        on_day(&mut sim, day, tape("f1", kg));
    }
    let before = view(&sim, "f1");
    assert!(before.note.is_empty());
    on_day(&mut sim, 35.0, tape("f1", 80.0));
    let shrunk = view(&sim, "f1");
    assert!(shrunk.note.contains("27 % below the one before"), "{}", shrunk.note);
    assert_eq!(shrunk.gain_kg_day, before.gain_kg_day);
    on_day(&mut sim, 36.0, tape("f1", 83.0));
    let sure = view(&sim, "f1");
    assert!(sure.note.is_empty(), "the tape of day 28 was too large: {}", sure.note);
    assert!((sure.gain_kg_day.unwrap() - 3.0).abs() < 0.1, "{:?}", sure.gain_kg_day);
    // Typed again for the same day, it is the last that counts.
    on_day(&mut sim, 36.1, tape("f1", 90.0));
    assert!((view(&sim, "f1").mass_kg.unwrap().0 - 90.0).abs() < 0.5);
}

/// What no fruit can have is refused with its reason before it is written down, and changes nothing if it was
/// written down all the same.
#[test]
fn bad_lines_are_refused_and_change_nothing() {
    let mut sim = quiet_garden();
    on_day(&mut sim, 20.0, tape("f1", 60.0));
    on_day(&mut sim, 20.5, fruit("f2", FruitState::Culled));
    let bare = |around_cm: f64| Entry::Tape {
        fruit: "f1".into(),
        around_cm: Some(around_cm),
        stem_cm: None,
        side_cm: None,
        length_cm: None,
    };
    let Entry::Tape { stem_cm, side_cm, .. } = tape("f1", 60.0) else { panic!() };
    let no_girth = Entry::Tape { fruit: "f1".into(), around_cm: None, stem_cm, side_cm, length_cm: None };
    let low_arc = Entry::Tape {
        fruit: "f1".into(),
        around_cm: Some(200.0),
        stem_cm: Some(60.0), // straight through it is 63.7
        side_cm: None,
        length_cm: None,
    };
    let before = view(&sim, "f1");
    for (line, words) in [
        (bare(0.0), "a girth from 3 to 800 cm"),
        (bare(1000.0), "a girth from 3 to 800 cm"),
        (bare(f64::NAN), "a girth from 3 to 800 cm"),
        (no_girth, "the girth is needed"),
        (low_arc, "over the top is longer than straight through"),
        (tape("f1", 900.0), "no fruit gains so much"),
        (tape("f3", 90.0), "no fruit f3 is known (known: f1, f2)"),
        (tape("f2", 90.0), "f2 was culled on 2027-07-22"),
        (Entry::Weighed { fruit: "f1".into(), mass_kg: 6.0 }, "kg a litre"),
        (Entry::Weighed { fruit: "f9".into(), mass_kg: 60.0 }, "no fruit f9 is known"),
    ] {
        let now_ms = sim.now_ms + DAY;
        let refused = sim.engine.refuses(&line, now_ms).unwrap_or_else(|| panic!("{line:?} was taken"));
        assert!(refused.contains(words), "{words} in: {refused}");
        sim.engine
            .handle(Event::Entry { entry: line, happened_ms: now_ms }, Now { ms: now_ms, trusted: true });
        assert_eq!(view(&sim, "f1"), before);
        assert_eq!(sim.engine.survey(sim.now_ms).fruits.len(), 1);
    }
    assert_eq!(sim.engine.refuses(&tape("f1", 75.0), sim.now_ms + DAY), None);
    // A time that has not come is no day of this fruit.
    let (now, later) = (sim.now_ms, sim.now_ms + 3 * DAY);
    sim.engine
        .handle(Event::Entry { entry: tape("f1", 75.0), happened_ms: later }, Now { ms: now, trusted: true });
    assert_eq!(view(&sim, "f1"), before);
}

#[test]
fn of_a_fruit_weighed_twice_the_last_counts() {
    let mut sim = quiet_garden();
    on_day(&mut sim, 60.0, tape("f1", 400.0));
    for (day, kg) in [(61.0, 380.0), (62.0, 360.0)] {
        on_day(&mut sim, day, Entry::Weighed { fruit: "f1".into(), mass_kg: kg });
    }
    let weighed = view(&sim, "f1");
    assert_eq!(weighed.weighed_kg, Some(360.0));
    // Its tape said 400 at 0.85 kg/L: the density is now 0.765, by one fruit and not by two.
    let (kg, sd_kg) = weighed.mass_kg.unwrap();
    assert!((kg - 360.0).abs() < 1.0 && (sd_kg / kg - 0.0707).abs() < 0.001, "{kg} ± {sd_kg}");
    // A younger fruit is weighed by the same density.
    on_day(&mut sim, 62.5, fruit("f2", FruitState::Spare));
    on_day(&mut sim, 63.0, tape("f2", 100.0));
    assert!((view(&sim, "f2").mass_kg.unwrap().0 - 90.0).abs() < 0.5);
}

/// Tapes, weights and what follows from them are the same after saving and loading, and a name used again next
/// year begins anew with the density kept.
#[test]
fn fruits_come_back_and_names_are_used_again() {
    let mut sim = quiet_garden();
    for week in 2..=11 {
        let day = f64::from(week) * 7.0;
        on_day(&mut sim, day, tape("f1", MADE.kg(day)));
    }
    on_day(&mut sim, 78.0, Entry::Weighed { fruit: "f1".into(), mass_kg: 0.9 * MADE.kg(77.0) });
    let before = view(&sim, "f1");
    assert!(before.final_kg.is_some());
    let saved = sim.engine.save();
    sim.engine = Engine::load(Arc::clone(&sim.garden), &saved).unwrap();
    assert_eq!(view(&sim, "f1"), before);
    on_day(&mut sim, 370.0, pollinated("f1"));
    assert!(sim.engine.survey(sim.now_ms).fruits.is_empty(), "last year's fruit is gone");
    on_day(&mut sim, 385.0, tape("f1", 30.0));
    let anew = view(&sim, "f1");
    assert_eq!((anew.weighed_kg, anew.gain_kg_day, anew.final_kg), (None, None, None));
    assert!((anew.mass_kg.unwrap().0 - 27.0).abs() < 0.2, "0.9 of it: {:?}", anew.mass_kg);
}
