//! Hold water: a bed must not be watered now, because much rain came after a dry spell, or because it has
//! stood above its full mark for a day.
//!
//! Where the grower waters by a stated routine, rain of a day that has left the bed lacking less than half of it
//! (judgement) is reason to skip it once.
//!
//! Rule: 20 mm of rain or more in 24 h after three days past the refill mark (too much after too little
//! splits the fruit: common practice, no source), or every probe above the full mark for 24 h. Our own
//! watering is no reason. Said only where someone would water otherwise or a fruit may split.

use crate::record::{Content, MatterKey, Millis, Urgency};
use crate::settings::garden::Bed;

use super::super::calendar::{HOUR_MS, MINUTE_MS};
use super::super::life::{Claim, Matter, Verdict};
use super::super::people;
use super::super::scene::{Estimate, Scene};

/// The matter this file judges.
pub const KEY: MatterKey = MatterKey::HoldWater;

const MUCH_RAIN_MM: f64 = 20.0;
const DRY_DAYS: u32 = 3;
/// The rain must stand in the gauge for so long: a knock on the funnel is no storm.
const HOLD_MS: Millis = 10 * MINUTE_MS;
/// A told matter is over when the bed has used this share of the water to its refill mark again.
const OVER_SHARE: f64 = 0.3;
/// Rain of a day that may make a routine too much, mm.
const ROUTINE_RAIN_MM: f64 = 3.0;
/// A routine is skipped when the bed lacks less than this share of it.
const ROUTINE_SHARE: f64 = 0.5;
/// Water given so recently explains a bed above full.
const OWN_WATER_MS: Millis = 36 * HOUR_MS;

/// The verdict on one bed. `water_told`: someone was told to water it and it is not over.
pub fn judge(
    scene: &Scene<'_>,
    bed: &Bed,
    estimate: Option<&Estimate>,
    matter: &Matter,
    water_told: bool,
) -> Verdict {
    if !scene.facts.is_growing(bed, scene.date()) {
        return quiet("nothing grows in the bed");
    }
    let (Some(estimate), Some(person)) = (estimate, scene.asked()) else { return Verdict::Unknown };
    let rain_mm = estimate.rain_24h_mm.filter(|mm| *mm >= MUCH_RAIN_MM);
    let wet_after_dry = rain_mm.is_some() && estimate.dry_days >= DRY_DAYS;
    let own_water = scene.last_given_ms(bed).is_some_and(|at_ms| scene.now_ms - at_ms < OWN_WATER_MS);
    let over_full = estimate.over_full_hours.filter(|_| !own_water);
    let matters_to_someone = scene.split_time(bed) || bed.routine.is_some() || water_told;
    let windows = people::next_windows(scene.garden, scene.calendar, person, scene.now_ms);
    let too_much = routine_and_lack(scene, bed, estimate, windows.0.from_ms);
    if !(wet_after_dry || over_full.is_some() || too_much.is_some()) || !matters_to_someone {
        let drying = estimate.depletion_mm > OVER_SHARE * estimate.marks.refill_mm;
        return if matter.is_told() && !drying {
            Verdict::Unknown
        } else {
            quiet("the bed can take water again")
        };
    }
    let until_ms = scene.passes(estimate, estimate.use_hot_mm, estimate.marks.refill_mm);
    let rain_mm = rain_mm.filter(|_| wet_after_dry);
    let by_routine = rain_mm.is_none() && over_full.is_none();
    let tell_ms = if by_routine { windows.0.letter_ms.max(scene.now_ms) } else { scene.now_ms };
    Verdict::Claim(Box::new(Claim {
        why: match (rain_mm, over_full) {
            (Some(mm), _) => format!("{mm:.0} mm of rain in 24 h after {} dry days", estimate.dry_days),
            (None, Some(hours)) => format!("above the full mark for {hours:.0} h"),
            (None, None) => too_much.map_or(String::new(), |(routine, lack)| {
                format!("rain has left the bed lacking {lack:.0} L; the routine is {routine:.0} L")
            }),
        },
        urgency: Urgency::Today,
        by_ms: None,
        litres: None,
        content: Some(Content::HoldWater {
            rain_mm,
            dry_days: rain_mm.map(|_| estimate.dry_days),
            over_full_hours: if rain_mm.is_some() { None } else { over_full },
            routine_and_lack_litres: too_much.filter(|_| by_routine),
            split_time: scene.split_time(bed),
            until_ms,
        }),
        step: 0,
        hold_ms: if rain_mm.is_some() { HOLD_MS } else { 0 },
        tell_ms: people::out_of_quiet(scene.garden, scene.calendar, tell_ms),
        // Told once: it asks for nothing that could be forgotten.
        repeat_after_ms: Millis::MAX / 4,
        person: person.name.clone(),
    }))
}

/// Litres of the stated routine, and what the bed will lack when the next window opens, if rain has made the one
/// too much for the other.
fn routine_and_lack(
    scene: &Scene<'_>,
    bed: &Bed,
    estimate: &Estimate,
    window_ms: Millis,
) -> Option<(f64, f64)> {
    let routine = bed.routine?.litres;
    estimate.rain_24h_mm.filter(|mm| *mm >= ROUTINE_RAIN_MM)?;
    let at_ms = window_ms.max(scene.now_ms);
    let lack = scene.carried(estimate, estimate.use_mm, at_ms) * estimate.rooted_m2;
    (lack < ROUTINE_SHARE * routine).then_some((routine, lack))
}

fn quiet(why: &str) -> Verdict {
    Verdict::Quiet { why: why.to_owned(), withdraw: false }
}
