//! Rain: what a gauge missed, what was read by eye, whether the gauge can be believed.

use rindwatch::daybook::{Entry, ProbeChange};
use rindwatch::engine::Engine;
use rindwatch::record::{Content, DayRecord, Fault, Guess, MatterKey, Stand};

use super::sim::*;

/// The card's three sensors, with a gauge that counts in the form of `more`.
fn with_gauge(more: &str) -> String {
    probe("wet", "soil-moisture", "m3/m3", "depth = \"15 cm\"")
        + &probe("warm", "soil-temperature", "C", "depth = \"5 cm\"")
        + &probe("gauge", "rain", "mm", more)
}

/// The last word on a date.
fn day(sim: &Sim, on: &str) -> DayRecord {
    sim.days().into_iter().rfind(|day| day.date == date(on)).unwrap().clone()
}

fn close(one: Option<f64>, other_mm: f64, within_mm: f64) -> bool {
    one.is_some_and(|mm| (mm - other_mm).abs() <= within_mm)
}

/// A node that was out of reach from 20:00 to 06:00 put the whole night's 20 mm into the hour of its return, so
/// that the day of the storm was dry and the day after it was wet.
#[test]
fn a_total_after_a_gap_is_spread_over_it_and_each_day_gets_its_part() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &with_gauge("form = \"counter\"")]), "2027-07-01", "00:00");
    sim.rain = vec![(sim.at("2027-07-02", "21:00"), sim.at("2027-07-02", "23:00"), 20.0)];
    sim.run_to("2027-07-02", "20:00");
    sim.silent = vec!["gauge".into()];
    sim.run_to("2027-07-03", "05:50");
    assert_eq!(day(&sim, "2027-07-02").rain_mm, None, "nobody knows yet");
    sim.silent.clear();
    sim.run_to("2027-07-03", "06:30");
    // What was spread is kept over a restart.
    let saved = sim.engine.save();
    sim.engine = Engine::load(sim.garden.clone(), &saved).unwrap();
    sim.run_to("2027-07-04", "01:00");
    let [stormy, after] = ["2027-07-02", "2027-07-03"].map(|on| day(&sim, on));
    // Four of ten hours lay before midnight.
    assert!(close(stormy.rain_mm, 8.0, 0.1), "{:?}", stormy.rain_mm);
    assert!(close(after.rain_mm, 12.0, 0.1), "{:?}", after.rain_mm);
    assert!(
        stormy.corrected && stormy.guessed.contains(&Guess::Rain) && after.guessed.contains(&Guess::Rain)
    );
    let calm = day(&sim, "2027-07-01");
    assert!(!calm.guessed.contains(&Guess::Rain));
    // Hours in which the gauge said nothing are still hours in which it said nothing.
    assert!(stormy.data_share.unwrap() < calm.data_share.unwrap());
}

#[test]
fn a_long_gap_is_spread_over_its_last_day_and_a_short_one_not_at_all() {
    for (from, silent_h, guessed) in [("2027-07-02", 60, true), ("2027-07-04", 1, false)] {
        let mut sim =
            Sim::new(garden(&[HEAD, BED, &with_gauge("form = \"counter\"")]), "2027-07-01", "00:00");
        sim.run_to(from, "10:00");
        sim.rain = vec![(sim.now_ms, sim.now_ms + 30 * MINUTE, 6.0)];
        sim.silent = vec!["gauge".into()];
        sim.run_until(sim.now_ms + silent_h * HOUR);
        sim.silent.clear();
        sim.run_to("2027-07-07", "01:00");
        let days = ["2027-07-02", "2027-07-03", "2027-07-04", "2027-07-05"].map(|on| day(&sim, on));
        let sum_mm: f64 = days.iter().filter_map(|day| day.rain_mm).sum();
        assert!((sum_mm - 6.0).abs() < 0.1, "{sum_mm}");
        assert!(days[0].rain_mm.unwrap_or(0.0) < 0.01);
        let marked = days.iter().any(|day| day.guessed.contains(&Guess::Rain));
        assert_eq!(marked, guessed, "{silent_h} h");
    }
}

/// A blocked funnel said 0 and outvoted the grower, who had read 12 mm.
#[test]
fn rain_by_eye_counts_where_the_gauge_has_shown_less_than_half_of_it() {
    for (gauge_mm, eye_mm, counts_mm) in
        [(0.0, 12.0, 12.0), (5.0, 12.0, 12.0), (11.0, 12.0, 11.0), (14.0, 12.0, 14.0)]
    {
        let mut sim =
            Sim::new(garden(&[HEAD, BED, &with_gauge("form = \"counter\"")]), "2027-07-01", "00:00");
        // The rain of the evening is read the next morning.
        sim.rain = vec![(sim.at("2027-07-02", "20:00"), sim.at("2027-07-02", "22:00"), gauge_mm)];
        sim.run_to("2027-07-03", "07:05");
        sim.enter(Entry::Rain { depth_mm: eye_mm });
        sim.run_to("2027-07-04", "01:00");
        let sum_mm: f64 = ["2027-07-02", "2027-07-03"].iter().filter_map(|on| day(&sim, on).rain_mm).sum();
        assert!((sum_mm - counts_mm).abs() < 0.1, "gauge {gauge_mm}, eye {eye_mm}: {sum_mm}");
    }
}

#[test]
fn two_looks_a_day_are_two_rains_and_without_a_gauge_the_eye_alone_counts() {
    let soil = probe("wet", "soil-moisture", "m3/m3", "depth = \"15 cm\"")
        + &probe("warm", "soil-temperature", "C", "depth = \"5 cm\"");
    for (gear, expected_mm) in [(soil, 9.0), (with_gauge("form = \"increment\""), 9.0)] {
        let mut sim = Sim::new(garden(&[HEAD, BED, &gear]), "2027-07-01", "00:00");
        sim.run_to("2027-07-02", "08:00");
        sim.enter(Entry::Rain { depth_mm: 4.0 });
        sim.run_to("2027-07-02", "18:00");
        sim.enter(Entry::Rain { depth_mm: 5.0 });
        sim.run_to("2027-07-03", "01:00");
        assert!(close(day(&sim, "2027-07-02").rain_mm, expected_mm, 1e-9));
        assert_eq!(day(&sim, "2027-07-01").rain_mm.unwrap_or(0.0), 0.0);
    }
}

#[test]
fn a_gauge_whose_tip_is_known_gets_back_what_a_downpour_took() {
    let caught = |more: &str| {
        let mut sim = Sim::new(garden(&[HEAD, BED, &with_gauge(more)]), "2027-07-01", "00:00");
        sim.rain = vec![(sim.at("2027-07-01", "14:00"), sim.at("2027-07-01", "14:30"), 40.0)];
        sim.run_to("2027-07-02", "01:00");
        day(&sim, "2027-07-01").rain_mm.unwrap()
    };
    assert!((caught("form = \"counter\"") - 40.0).abs() < 1e-9);
    // 80 mm/h measured: 0.45 s × 80 / (3600 × 0.254 mm) = 3.94 % of the true rain was lost.
    let whole_mm = caught("form = \"counter\"\ntip = \"0.254 mm\"");
    assert!((whole_mm - 40.0 / (1.0 - 0.0394)).abs() < 0.05, "{whole_mm}");
}

const ROUND: &str = r#"
[bed.round]
rooted = "5 m2"
leafed = "5 m2"
depth = "40 cm"
full = "31 %"
wilt = "14 %"
saturation = "50 %"
intake = "20 mm/h"
crop = "giant-pumpkin"
planted = 2027-05-20
"#;

/// Two beds with a moisture probe each, and the gauge.
pub fn two_beds() -> Sim {
    let gear = probe("wet", "soil-moisture", "m3/m3", "bed = \"long\"\ndepth = \"15 cm\"")
        + &probe("damp-soil", "soil-moisture", "m3/m3", "bed = \"round\"\ndepth = \"15 cm\"")
        + &probe("warm", "soil-temperature", "C", "bed = \"long\"\ndepth = \"5 cm\"")
        + &probe("gauge", "rain", "mm", "form = \"increment\"");
    Sim::new(garden(&[HEAD, BED, ROUND, &gear]), "2027-07-01", "00:00")
}

/// Four dry days, then 18 mm from 14:00 to 15:00.
fn dry_then_wet(sim: &mut Sim, rains: bool) {
    sim.run_until(sim.now_ms + 4 * DAY + 14 * HOUR);
    if rains {
        sim.rain.push((sim.now_ms, sim.now_ms + HOUR, 18.0));
    } else {
        sim.pour("long", 18.0 * 7.0);
    }
    sim.run_until(sim.now_ms + 10 * HOUR);
}

/// What was told of the gauge, and what stands.
fn of_gauge(sim: &Sim) -> (Vec<Fault>, Option<Stand>) {
    let tasks = sim.told(MatterKey::Gear).into_iter().filter(|(_, _, task)| task.subject == "gauge");
    let told = tasks.filter_map(|(_, _, task)| match &task.content {
        Content::Gear { fault } => Some(fault.clone()),
        _ => None,
    });
    let changes = sim.changes(MatterKey::Gear);
    (told.collect(), changes.into_iter().rfind(|change| change.subject == "gauge").map(|change| change.to))
}

/// A nest in the funnel: both beds were soaked twice, the gauge said 0, and every letter said how dry it was.
#[test]
fn a_gauge_that_shows_none_while_every_bed_is_wetted_is_clogged() {
    let mut sim = two_beds();
    sim.lies.insert("gauge".into(), 0.0);
    dry_then_wet(&mut sim, true);
    assert_eq!(of_gauge(&sim), (vec![], None), "once may be chance");
    dry_then_wet(&mut sim, true);
    sim.run_until(sim.now_ms + DAY);
    let (told, stand) = of_gauge(&sim);
    assert_eq!(told, [Fault::Clogged { times: 2, or_watered: false }]);
    assert_eq!(stand, Some(Stand::Standing));
    // From the first rain it missed on, rain is not known; before, it was dry.
    assert_eq!(day(&sim, "2027-07-04").rain_mm, Some(0.0));
    for on in ["2027-07-05", "2027-07-06", "2027-07-09"] {
        assert_eq!(day(&sim, on).rain_mm, None, "{on}");
    }
    let ix = sim.ix("gauge");
    let view = &sim.engine.survey(sim.now_ms).probes[ix];
    assert!(view.why.contains("2 times"), "{view:?}");
    // Remembered over a restart, and over the fifteen dry days in which hours are forgotten.
    let saved = sim.engine.save();
    sim.engine = Engine::load(sim.garden.clone(), &saved).unwrap();
    sim.sky.use_mm = 2.0;
    sim.run_days(16);
    assert_eq!(of_gauge(&sim).1, Some(Stand::Standing));
    sim.lies.clear();
    dry_then_wet(&mut sim, true);
    assert_eq!(of_gauge(&sim).1, Some(Stand::Over));
    sim.run_days(3);
    let dry = sim.local(sim.now_ms - 2 * DAY).date_naive();
    assert_eq!(day(&sim, &dry.to_string()).rain_mm, Some(0.0), "it counts again");
}

/// A clogged gauge was named after 700 h, since two rains lay more than a fortnight apart and the first was forgotten.
#[test]
fn rains_weeks_apart_and_rains_on_wet_soil_are_remembered_together() {
    let mut sim = two_beds();
    sim.lies.insert("gauge".into(), 0.0);
    sim.sky.use_mm = 2.0;
    dry_then_wet(&mut sim, true);
    sim.run_days(18);
    assert_eq!(of_gauge(&sim), (vec![], None));
    dry_then_wet(&mut sim, true);
    sim.run_until(sim.now_ms + DAY);
    assert_eq!(of_gauge(&sim).0, [Fault::Clogged { times: 2, or_watered: false }]);
    // A wet afternoon, and another the day after.
    let mut sim = two_beds();
    sim.lies.insert("gauge".into(), 0.0);
    dry_then_wet(&mut sim, true);
    sim.run_until(sim.now_ms + 14 * HOUR);
    sim.rain.push((sim.now_ms, sim.now_ms + 2 * HOUR, 34.0));
    sim.run_until(sim.now_ms + 20 * HOUR);
    assert_eq!(of_gauge(&sim).0, [Fault::Clogged { times: 2, or_watered: false }]);
}

/// Rain fell past a gauge whose node was silent, and the day's record said 0.
#[test]
fn rain_of_a_day_that_the_gauge_was_silent_in_is_not_known() {
    for (form, mm, after) in
        [("increment", 5.0, None), ("counter", 5.0, Some(5.0)), ("counter", 0.0, Some(0.0))]
    {
        let gear = with_gauge(&format!("form = \"{form}\""));
        let mut sim = Sim::new(garden(&[HEAD, BED, &gear]), "2027-07-01", "00:00");
        sim.run_to("2027-07-03", "08:00");
        sim.silent = vec!["gauge".into()];
        sim.rain = vec![(sim.now_ms + HOUR, sim.now_ms + 2 * HOUR, mm)];
        sim.run_to("2027-07-03", "16:00");
        sim.silent.clear();
        sim.run_to("2027-07-05", "01:00");
        let known = day(&sim, "2027-07-03").rain_mm;
        assert!(after.map_or(known.is_none(), |mm| close(known, mm, 0.01)), "{form} {mm}: {known:?}");
        assert_eq!(day(&sim, "2027-07-03").guessed.contains(&Guess::Rain), after == Some(5.0));
        for on in ["2027-07-02", "2027-07-04"] {
            assert_eq!(day(&sim, on).rain_mm, Some(0.0), "{form}, {on}");
        }
    }
    // Who looks knows.
    let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-07-01", "00:00");
    sim.run_to("2027-07-03", "08:00");
    sim.silent = vec!["gauge".into()];
    sim.run_to("2027-07-03", "18:00");
    sim.enter(Entry::Rain { depth_mm: 7.0 });
    sim.run_to("2027-07-05", "01:00");
    assert_eq!(day(&sim, "2027-07-03").rain_mm, Some(7.0));
    assert_eq!(day(&sim, "2027-07-04").rain_mm, None);
}

#[test]
fn a_rise_in_one_bed_or_after_water_is_no_rain() {
    let mut sim = two_beds();
    for _ in 0..4 {
        dry_then_wet(&mut sim, false);
    }
    assert_eq!(of_gauge(&sim), (vec![], None), "one bed was watered, and nobody wrote it down");
    let mut sim = two_beds();
    for _ in 0..3 {
        sim.run_until(sim.now_ms + 4 * DAY + 14 * HOUR);
        sim.water("long", 126.0);
        sim.water("round", 90.0);
        sim.run_until(sim.now_ms + 10 * HOUR);
    }
    assert_eq!(of_gauge(&sim), (vec![], None), "both were watered, and it was written down");
}

/// With one bed and no humidity nothing parts a shower from the hose.
#[test]
fn one_bed_and_no_humidity_need_three_occasions_and_say_what_else_it_may_be() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-07-01", "00:00");
    sim.lies.insert("gauge".into(), 0.0);
    dry_then_wet(&mut sim, true);
    dry_then_wet(&mut sim, true);
    assert_eq!(of_gauge(&sim), (vec![], None));
    dry_then_wet(&mut sim, true);
    sim.run_until(sim.now_ms + DAY);
    assert_eq!(of_gauge(&sim).0, [Fault::Clogged { times: 3, or_watered: true }]);
}

#[test]
fn humidity_parts_a_night_of_rain_from_the_hose() {
    for (rh_pct, hour, clogged) in [(97.0, 23, true), (97.0, 14, false), (50.0, 23, false)] {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
        sim.lies.insert("gauge".into(), 0.0);
        for _ in 0..2 {
            sim.run_until(sim.now_ms + 4 * DAY + (hour - 3) * HOUR);
            sim.lies.insert("damp".into(), rh_pct);
            sim.run_until(sim.now_ms + 3 * HOUR);
            sim.rain.push((sim.now_ms, sim.now_ms + HOUR, 18.0));
            sim.run_until(sim.now_ms + (24 - hour) * HOUR);
            sim.lies.remove("damp");
        }
        sim.run_until(sim.now_ms + DAY);
        let told = of_gauge(&sim).0;
        assert_eq!(
            told.contains(&Fault::Clogged { times: 2, or_watered: false }),
            clogged,
            "{rh_pct} % at {hour} h"
        );
    }
}

#[test]
fn a_gauge_that_reads_short_of_the_eye_is_named_until_they_agree() {
    let mut sim = Sim::new(garden(&[HEAD, BED, &three()]), "2027-07-01", "00:00");
    let rain_and_look = |sim: &mut Sim, gauge_mm: f64, eye_mm: f64| {
        sim.rain = vec![(sim.now_ms + HOUR, sim.now_ms + 3 * HOUR, gauge_mm)];
        sim.run_until(sim.now_ms + 8 * HOUR);
        sim.enter(Entry::Rain { depth_mm: eye_mm });
        sim.run_until(sim.now_ms + 40 * HOUR);
    };
    rain_and_look(&mut sim, 3.0, 6.0);
    assert_eq!(of_gauge(&sim), (vec![], None), "6 mm are too few to judge by");
    rain_and_look(&mut sim, 2.0, 8.0);
    let (told, stand) = of_gauge(&sim);
    assert!(
        matches!(told.as_slice(), [Fault::ReadsShort { gauge_mm, eye_mm }]
            if (gauge_mm - 5.0).abs() < 0.1 && (eye_mm - 14.0).abs() < 1e-9),
        "{told:?}"
    );
    assert_eq!(stand, Some(Stand::Standing));
    rain_and_look(&mut sim, 30.0, 31.0);
    assert_eq!(of_gauge(&sim).1, Some(Stand::Over));
}

#[test]
fn showers_that_wet_nothing_are_a_note() {
    for (rh_pct, note) in [(45.0, true), (80.0, false)] {
        let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
        sim.lies.insert("damp".into(), rh_pct);
        for _ in 0..3 {
            sim.run_until(sim.now_ms + 2 * DAY + 13 * HOUR);
            // Children play with the bucket.
            sim.lies.insert("gauge".into(), 2.0);
            sim.run_until(sim.now_ms + 100 * MINUTE);
            sim.lies.remove("gauge");
            sim.run_until(sim.now_ms + 9 * HOUR + 20 * MINUTE);
        }
        sim.run_until(sim.now_ms + DAY);
        assert!(of_gauge(&sim).0.is_empty(), "no letter");
        assert_eq!(of_gauge(&sim).1, note.then_some(Stand::Standing), "{rh_pct} %");
        if note {
            sim.enter(Entry::Probe { probe: "gauge".into(), change: ProbeChange::Moved });
            sim.run_until(sim.now_ms + DAY);
            assert_eq!(of_gauge(&sim).1, Some(Stand::Over), "seen to");
        }
    }
}
