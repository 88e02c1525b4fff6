//! Water: a bed will pass its refill mark before the next chance to water has gone by.
//!
//! Rule: a letter when, at the hot demand of the coming day ([`Estimate::coming_mm`]), the refill mark will surely be
//! passed before the next working window ends, or the stress mark may be before the one after it ends: a letter that
//! waited for that one would be too late.
//! How sure the depletion is counts against the first, for it can wait, and for the second. There it is no part of
//! the heat to come, so the two are added as independent errors are; and it counts for no more than lies between the
//! two marks: a bed is not thirsty because little is known of it. The dose leads to the full mark and never beyond; in
//! the fruit's splitting time after three dry days it is spread over days. Marks: FAO-56 ch. 8; the refill share and
//! the windows are the project's judgement. A dose is spread in even parts, what the plant drinks meanwhile included;
//! the parts are a day apart, and each is a letter's own task.

use crate::record::{Content, Dose, MatterKey, Millis, Stand, Urgency};
use crate::settings::garden::Bed;

use super::super::calendar::HOUR_MS;
use super::super::life::{Claim, Matter, Verdict};
use super::super::people;
use super::super::scene::{Estimate, Scene};

/// The matter this file judges.
pub const KEY: MatterKey = MatterKey::Water;

/// Water given within this time has not yet arrived everywhere; nothing is said.
const ARRIVING_MS: Millis = 3 * HOUR_MS;
/// A told matter is over when the depletion has come back under this share of the refill mark.
const OVER_SHARE: f64 = 0.6;
/// A bed that is due stays so down to this share of the marks: an estimate sways from hour to hour.
const STAYS_DUE_SHARE: f64 = 0.95;
/// What a bed holds between its probes is known no better than this share of what is missing (judgement: roots
/// are dense near the surface, and between two depths the soil is no straight line).
const BETWEEN_PROBES: f64 = 0.12;
/// The refill mark counts as passed when it is by so many standard deviations: beyond it nothing suffers yet, so
/// it is waited for (judgement).
const REFILL_SURE: f64 = 0.8;
/// The stress mark counts as passed when it may be by so many standard deviations: it is not waited for
/// (judgement).
const STRESS_DOUBT: f64 = 0.8;
/// A told step is left under this share of its mark.
const STEP_LEFT_SHARE: f64 = 0.85;
/// Dry days after which a dose is spread while the fruit may split.
const SPREAD_AFTER_DAYS: u32 = 3;
/// A dose deeper than this is spread over three days, a smaller one over two, mm (judgement).
const THREE_DAYS_MM: f64 = 15.0;
/// Parts of a spread dose stand so far apart.
const NEXT_PART_MS: Millis = 18 * HOUR_MS;
/// Water of a day counts as a part of the spread from this share of what the bed lacks; less than that does not
/// begin to fill it.
const PART_SHARE: f64 = 0.25;
/// Parts of a spread at most.
const MOST_PARTS: u32 = 3;
/// A spread goes on down to this share of the refill mark.
const GOES_ON_SHARE: f64 = 0.5;
/// So much of today's part counts as the part given.
const PART_GIVEN_SHARE: f64 = 0.5;
/// One pass is what the soil takes in half an hour.
const PASS_H: f64 = 0.5;

/// The verdict on one bed. `held`: it must not be watered now, and someone hears so.
pub fn judge(
    scene: &Scene<'_>,
    bed: &Bed,
    estimate: Option<&Estimate>,
    matter: &Matter,
    held: bool,
) -> Verdict {
    let date = scene.date();
    if !scene.facts.is_growing(bed, date) {
        return quiet("nothing grows in the bed", false);
    }
    if scene.frozen(bed, scene.now_ms) {
        return quiet("the ground is frozen or was within a day", false);
    }
    let (Some(estimate), Some(person)) = (estimate, scene.asked()) else { return Verdict::Unknown };
    let given_ms = scene.last_given_ms(bed);
    if given_ms.is_some_and(|at_ms| scene.now_ms - at_ms < ARRIVING_MS) {
        return Verdict::Unknown;
    }
    // Who is there when the window opens is asked, not who is there now.
    let (window, _) = people::next_windows(scene.garden, scene.calendar, person, scene.now_ms);
    let person = scene.asked_on(scene.calendar.date(window.from_ms)).unwrap_or(person);
    let (window, next) = people::next_windows(scene.garden, scene.calendar, person, scene.now_ms);
    let (usual_mm, hot_mm) = estimate.coming_mm;
    let at_use =
        |use_mm, at_ms| scene.carried(estimate, use_mm, at_ms) - routine_mm(scene, bed, estimate, at_ms);
    let hot = |at_ms| at_use(hot_mm, at_ms);
    let marks = &estimate.marks;
    let stays = matter.is_told() || matter.stand == Stand::Building;
    let lean = if stays { STAYS_DUE_SHARE } else { 1.0 };
    let start_mm = scene.carried(estimate, estimate.use_mm, window.from_ms.max(scene.now_ms));
    let (spread_days, begun) = spread(scene, bed, estimate, start_mm);
    // A spread that has begun is brought to its end, though its first parts have lifted the bed off its marks.
    let goes_on = begun && hot(window.to_ms) >= GOES_ON_SHARE * marks.refill_mm;
    let unsure_mm = estimate.sd_mm.hypot(BETWEEN_PROBES * estimate.depletion_mm.max(0.0));
    let refill_mm = (marks.refill_mm + REFILL_SURE * unsure_mm).min(marks.raw_mm);
    let doubt_mm = (STRESS_DOUBT * unsure_mm).min(marks.raw_mm - marks.refill_mm);
    let expected_mm = at_use(usual_mm, next.to_ms);
    let worst_mm = expected_mm + doubt_mm.hypot(hot(next.to_ms) - expected_mm);
    let due = goes_on || hot(window.to_ms) >= lean * refill_mm || worst_mm >= lean * marks.raw_mm;
    let told_for_now = matter.told_by_ms.is_some_and(|by_ms| scene.now_ms < by_ms);
    // Whoever waters in the last minutes of the window is not reminded before the water can show.
    let arriving = matter.told_by_ms.is_some_and(|by_ms| scene.now_ms < by_ms + ARRIVING_MS);
    if held || !due {
        // While the window it was told for is open, it takes more than a little rain to call the work off;
        // after it, a bed that is not due asks for nothing, and asks anew when it is.
        let little = estimate.depletion_mm > OVER_SHARE * marks.refill_mm;
        // Who said that it is not needed is not asked again because an estimate swayed.
        let stands = matter.declined || (matter.is_told() && told_for_now);
        if stands && !held && little {
            return Verdict::Unknown;
        }
        let rain_mm = scene.rain_since(matter.told_ms.unwrap_or(scene.now_ms));
        let rained = rain_mm.is_some_and(|mm| mm >= 2.0) && given_ms < matter.told_ms;
        let why = if rained {
            format!("{:.0} mm of rain fell", rain_mm.unwrap_or(0.0))
        } else {
            format!("{:.1} of {:.1} mm to the refill mark", estimate.depletion_mm, marks.refill_mm)
        };
        // Nobody is woken to hear that a task of the morning is off.
        if rained && matter.is_told() && scene.is_quiet() {
            return Verdict::Unknown;
        }
        return quiet(&why, rained);
    }
    let litres = start_mm * estimate.rooted_m2;
    // Even parts: the plant drinks on while the bed is filled.
    let meanwhile_mm = estimate.use_mm * f64::from(spread_days - 1);
    let today_mm = ((start_mm + meanwhile_mm) / f64::from(spread_days)).min(start_mm);
    let today_litres = today_mm * estimate.rooted_m2;
    let part_ms = window.from_ms.max(scene.now_ms) - NEXT_PART_MS;
    let part_given =
        scene.facts.given_litres(&bed.name, part_ms, scene.now_ms + 1) >= PART_GIVEN_SHARE * today_litres;
    if estimate.spell_days >= SPREAD_AFTER_DAYS
        && scene.split_time(bed)
        && part_given
        && estimate.depletion_mm < marks.raw_mm
    {
        return quiet("a part of the dose was given; the next tomorrow", false);
    }
    let to_stress = scene.passes(estimate, hot_mm, marks.raw_mm);
    Verdict::Claim(Box::new(Claim {
        why: format!(
            "{:.1} mm used, refill mark {:.1}, stress mark {:.1}; at hot demand {:.1} mm by the end of the next window",
            estimate.depletion_mm,
            marks.refill_mm,
            marks.raw_mm,
            hot(window.to_ms)
        ),
        urgency: Urgency::Today,
        by_ms: Some(window.to_ms),
        litres: Some(today_litres),
        content: Some(Content::Water(Dose {
            litres,
            depth_mm: start_mm,
            passes: agronomy::water::passes(start_mm, bed.intake_mm_h, PASS_H).unwrap_or(1).max(1),
            spread_days,
            today_litres: (spread_days > 1).then_some(today_litres),
            share_used: estimate.share_used(),
            depletion_mm: estimate.depletion_mm,
            depletion_sd_mm: estimate.sd_mm,
            refill_mm: marks.refill_mm,
            stress_mm: marks.raw_mm,
            hours_to_stress: to_stress.map(|at_ms| (at_ms - scene.now_ms) as f64 / HOUR_MS as f64),
            routine_litres: bed.routine.map(|routine| routine.litres / f64::from(routine.every_days.max(1))),
            drier_probe: estimate.drier_probe.clone(),
            book_alone: estimate.probes == 0,
        })),
        step: step(estimate, matter.told_step),
        hold_ms: 0,
        tell_ms: people::out_of_quiet(scene.garden, scene.calendar, window.letter_ms.max(scene.now_ms)),
        // While the window it was told for is open, and just after it, nobody is reminded.
        repeat_after_ms: if arriving { Millis::MAX / 4 } else { 0 },
        person: person.name.clone(),
    }))
}

/// Over how many days the dose is spread, those left of a spread that has begun; and whether one has begun and
/// is not at its end.
fn spread(scene: &Scene<'_>, bed: &Bed, estimate: &Estimate, start_mm: f64) -> (u32, bool) {
    if !scene.split_time(bed) || estimate.spell_days < SPREAD_AFTER_DAYS {
        return (1, false);
    }
    let part_litres = PART_SHARE * start_mm * estimate.rooted_m2;
    let given = scene.facts.days_given(&bed.name, scene.date(), 2, part_litres, scene.calendar);
    let all: u32 = if start_mm > THREE_DAYS_MM { 3 } else { 2 };
    (all.saturating_sub(given).max(1), (1..MOST_PARTS).contains(&given))
}

/// Grows past the stress mark, and again halfway from there to the wilt mark. A step that was told is left
/// only well below its mark.
fn step(estimate: &Estimate, told: u8) -> u8 {
    let (raw, taw) = (estimate.marks.raw_mm, estimate.marks.taw_mm);
    let past = |mark_mm: f64, told: bool| {
        estimate.depletion_mm >= if told { STEP_LEFT_SHARE * mark_mm } else { mark_mm }
    };
    if past(f64::midpoint(raw, taw), told >= 2) { 2 } else { u8::from(past(raw, told >= 1)) }
}

/// What the grower's own routine brings until `to_ms`, mm over the rooted area: letters are the exceptions
/// from it. It comes at the end of the day at the latest, so only whole days count.
fn routine_mm(scene: &Scene<'_>, bed: &Bed, estimate: &Estimate, to_ms: Millis) -> f64 {
    let Some(routine) = bed.routine else { return 0.0 };
    let days = (to_ms - scene.now_ms) as f64 / (24 * HOUR_MS) as f64;
    let share = (days / f64::from(routine.every_days.max(1))).min(1.0);
    routine.litres * share / estimate.rooted_m2
}

fn quiet(why: &str, withdraw: bool) -> Verdict {
    Verdict::Quiet { why: why.to_owned(), withdraw }
}
