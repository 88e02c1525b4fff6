//! Growth: a fruit has gained less than its own curve promised; what weather was about in the days before.
//!
//! Rule: two gains in a row under 60 % of what the curve through the tapes before them promised, or, before
//! there is a curve, of the fruit's own gain before them (the share is judgement of what growers do by eye;
//! common practice, no source). Promise and shortfall of the two must be more than tapes and promise are off by,
//! and where there was no curve before them none may go through all tapes, for then the fruit slows as fruits
//! do (both judgement; `tests/engine/fruit.rs` counts the notes of healthy and of stalled fruits). It stands
//! on the page, in the morning note and in matters.csv, and is told in no letter of its own: there is nothing to be
//! done by an hour. Ends with a gain that keeps the promise, with the cutting, or when nobody has taped for two weeks.
//!
//! Causes are days of the ten before the last tape: past the stress mark; degree-hours above the bed's shade
//! mark (its sources are in `shade.rs`); nights under 10 °C, at which
//! growth stops (Ontario ministry of agriculture, Pumpkin and squash production); days that ended at the full
//! mark or brought 20 mm of rain. They were about; that they did it is not said.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};

use crate::record::{DayRecord, MatterKey, Millis};
use crate::settings::garden::Bed;

use super::super::calendar::HOUR_MS;
use super::super::fruits::{CHECKED_SHARE, Check, Fruit};
use super::super::life::{Claim, Verdict};
use super::super::scene::Scene;

/// The matter this file judges; its subject is the fruit.
pub const KEY: MatterKey = MatterKey::Growth;

/// Days before the last tape whose weather is looked at: what a plant suffers shows within days
/// (judgement).
const LOOK_BACK_DAYS: u64 = 10;
/// Its days are held so long after the tape: then what was said of them stays.
const FRESH_MS: Millis = 4 * 24 * HOUR_MS;
/// Nobody tapes any more.
const STALE_MS: Millis = 14 * 24 * HOUR_MS;
/// Growth stops below, °C (Ontario ministry of agriculture).
const COLD_C: f64 = 10.0;
/// So much heat in ten days is worth a word, °C h (judgement: three hours three degrees over the mark).
const HEAT_DH: f64 = 9.0;
const MUCH_RAIN_MM: f64 = 20.0;
/// One evening at the full mark is a watering; so many are too many.
const SOAKED_DAYS: usize = 3;

/// The verdict on one fruit.
pub fn judge(
    scene: &Scene<'_>,
    fruit: &Fruit,
    bed: Option<&Bed>,
    records: &BTreeMap<NaiveDate, Vec<DayRecord>>,
) -> Verdict {
    if !fruit.grows() || bed.is_some_and(|bed| scene.facts.is_cut(bed, scene.date())) {
        return quiet("it grows no more");
    }
    let Some(check) = fruit.standing.check else { return quiet("too few tapes to tell") };
    let since_ms = scene.now_ms - check.at_ms;
    if since_ms > STALE_MS {
        return quiet("no usable tape for two weeks");
    }
    let by = if check.by_curve { "its own curve" } else { "its gain before them" };
    if !check.checked {
        let [gained, promised] = [check.gained_kg_day[1], check.promised_kg_day[1]];
        return quiet(&format!("its last gain was {gained:.1} kg a day, where {by} promised {promised:.1}"));
    }
    if since_ms > FRESH_MS {
        return Verdict::Unknown;
    }
    Verdict::Claim(Box::new(Claim::note(
        format!("{}. {}", shortfall(&check, by), weather(scene, &check, bed, records)),
        String::new(),
        scene.now_ms,
    )))
}

fn shortfall(check: &Check, by: &str) -> String {
    let [first, second] = check.gained_kg_day;
    let promise = match (check.by_curve, check.promised_kg_day) {
        (true, [one, other]) => format!("{by} promised {one:.1} and {other:.1}"),
        (false, [one, _]) => format!("{by} was {one:.1} (it has no curve yet)"),
    };
    let percent = 100.0 * CHECKED_SHARE;
    format!(
        "gained {first:.1} and {second:.1} kg a day in its last two measures, where {promise}: under {percent:.0} % twice"
    )
}

/// What of the ten days before the last tape may have to do with it, in words.
fn weather(
    scene: &Scene<'_>,
    check: &Check,
    bed: Option<&Bed>,
    records: &BTreeMap<NaiveDate, Vec<DayRecord>>,
) -> String {
    let to = scene.calendar.date(check.at_ms);
    let from = to.checked_sub_days(Days::new(LOOK_BACK_DAYS)).unwrap_or(to);
    let Some(of) = bed.or(scene.garden.beds.first()) else { return String::new() };
    let days: Vec<&DayRecord> =
        records.range(from..=to).flat_map(|(_, day)| day).filter(|day| day.bed == of.name).collect();
    if days.is_empty() {
        return "Nothing is known of the ten days before".to_owned();
    }
    let soil = bed.is_some();
    let count = |holds: &dyn Fn(&DayRecord) -> bool| days.iter().filter(|day| holds(day)).count();
    let over = |one: Option<f64>, other: Option<f64>| one.zip(other).is_some_and(|(one, other)| one > other);
    let dry = count(&|day| soil && over(day.depletion_mm, day.raw_mm));
    let heat_dh: f64 = days.iter().filter_map(|day| day.heat_dh_c).sum();
    let hot = count(&|day| day.heat_dh_c.is_none() && over(day.air_max_c, Some(of.shade_c)));
    let nights: Vec<f64> = days.iter().filter_map(|day| day.coldest_c).filter(|c| *c < COLD_C).collect();
    let coldest_c = nights.iter().copied().fold(COLD_C, f64::min);
    let full = count(&|day| soil && day.depletion_mm.is_some_and(|mm| mm <= 0.0));
    let rain = count(&|day| day.rain_mm.is_some_and(|mm| mm >= MUCH_RAIN_MM));
    let mut about = Vec::new();
    let mut say = |holds: bool, words: String| about.extend(holds.then_some(words));
    say(dry > 0, format!("{} past the stress mark", number_of(dry, "day")));
    say(heat_dh >= HEAT_DH, format!("{heat_dh:.0} °C h above {:.0} °C", of.shade_c));
    say(hot > 0, format!("{} above {:.0} °C by the guess from the soil", number_of(hot, "day"), of.shade_c));
    say(
        !nights.is_empty(),
        format!("{} under {COLD_C:.0} °C, down to {coldest_c:.1}", number_of(nights.len(), "night")),
    );
    say(full >= SOAKED_DAYS, format!("{} that ended at the full mark", number_of(full, "day")));
    say(rain > 0, format!("{} with {MUCH_RAIN_MM:.0} mm of rain or more", number_of(rain, "day")));
    let unnamed = if soil { "" } else { ", and its bed is not named, so nothing is said of its soil" };
    if about.is_empty() {
        return format!(
            "In the ten days before no dryness, heat, cold or wet{unnamed}: look at vine, stem and leaves"
        );
    }
    let about = about.join(", ");
    format!(
        "In the ten days before: {about}{unnamed}; that was about, which is no proof: look at vine, stem and leaves too"
    )
}

fn number_of(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

fn quiet(why: &str) -> Verdict {
    Verdict::Quiet { why: why.to_owned(), withdraw: false }
}
