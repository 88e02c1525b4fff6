//! Cover: tonight's minimum, as foreseen in the afternoon, reaches the cover mark.
//!
//! Rule: told at 16:00 if foreseen minimum − 1.5 standard deviations of its own past error reaches the mark
//! (3 °C: leaves run below the air on still clear nights). Two hours after sunset the two-step fit of the FAO
//! frost manual (Snyder & de Melo-Abreu 2005, ch. 5) over this garden's calm nights may only raise the call; so may, in
//! that hour, the air less what it still fell from then on in the last seven nights and 1 °C (judgement: a cold front
//! is in no fit of calm nights). Later in the night only the air reading itself does, with nobody told: at the mark, or
//! where it will be in two hours as it fell in the last two, by 2.4 °C at most (judgement: a sheet must be fetched and
//! laid in the dark). Where no air is measured the soil is looked at an hour and a half later, by its change since
//! yesterday, in the quiet hours with one spread as its margin; and through the night, in the place of a reading of the
//! air, by what it still fell in the last nights. All break the quiet hours. The letter of dusk names
//! the hour at which the same book's night curve comes to the mark. A plant that can no longer be alive
//! (`winter.rs`) is not covered.

use agronomy::foresight::{EveningSoil, night_minimum_from_soil};
use agronomy::frost::{FrostFit, Night, NightCurve};
use chrono::Datelike;

use crate::record::{ColdSign, Content, MatterKey, Millis, Urgency};
use crate::settings::garden::Bed;

use super::super::calendar::{HOUR_MS, previous_day};
use super::super::foresee::{AFTERNOON, Forecast, clock, soil_swing};
use super::super::life::{Claim, Matter, Verdict};
use super::super::people;
use super::super::scene::Scene;

/// The matter this file judges.
pub const KEY: MatterKey = MatterKey::Cover;

/// Sheets come off by then; the night is over.
const MORNING: (u32, u32) = (9, 0);
/// What was laid from this hour of the day on is laid for the night that follows.
const LAID_FROM: (u32, u32) = (6, 0);
/// Bounds of the fit's own error, °C.
const FIT_SD_C: (f64, f64) = (1.0, 6.0);

/// Fewest nights whose fall is known, and how many are looked at.
const NIGHTS: (usize, Millis) = (3, 7);

/// The look of dusk is taken within this time.
const DUSK_MS: Millis = HOUR_MS;
/// A reading of the air is carried on for so long, and falls so far in it at most, °C.
const CARRIED: (Millis, f64) = (2 * HOUR_MS, 2.4);

/// The soil's wave is an hour and a half behind the air's.
const SOIL_FROM_MS: Millis = 7 * HOUR_MS / 2;

struct Call {
    min_c: f64,
    sd_c: f64,
    sign: ColdSign,
    crosses_ms: Option<Millis>,
    why: String,
}

/// The verdict on one bed.
pub fn judge(scene: &Scene<'_>, bed: &Bed, matter: &Matter) -> Verdict {
    let date = scene.date();
    if !scene.facts.is_growing(bed, date) {
        return quiet("nothing stands in the bed");
    }
    if let Some(ended) = scene.ended(bed) {
        return quiet(&format!("no plant lives any more: {}", ended.why));
    }
    let Some(person) = scene.asked() else { return Verdict::Unknown };
    let evening = if scene.now_ms >= scene.calendar.at(date, clock(AFTERNOON)) {
        date
    } else if scene.now_ms < scene.calendar.at(date, clock(MORNING)) {
        previous_day(date)
    } else {
        return quiet("the night is over");
    };
    if scene.facts.is_covered(bed, scene.calendar.at(evening, clock(LAID_FROM))) {
        return quiet("it is covered");
    }
    let Some(call) = call(scene, bed, evening, matter) else {
        let known = scene.foresee.night.filter(|night| night.date == evening);
        return match known {
            Some(_) if matter.is_told() => Verdict::Unknown, // a lower claim is no reason to say so at night
            Some(night) => quiet(&format!("{:.0} °C foreseen for the night", night.value_c)),
            None => Verdict::Unknown,
        };
    };
    let raised = call.sign != ColdSign::Afternoon;
    let urgency = if raised { Urgency::Now } else { Urgency::Today };
    let sunset_ms = scene.sunset(evening);
    let tell_ms =
        if raised { scene.now_ms } else { people::out_of_quiet(scene.garden, scene.calendar, scene.now_ms) };
    Verdict::Claim(Box::new(Claim {
        why: call.why,
        urgency,
        by_ms: Some(if raised {
            (scene.sunrise_after(evening) - 2 * HOUR_MS).max(scene.now_ms + HOUR_MS / 2)
        } else {
            sunset_ms
        }),
        litres: None,
        content: Some(Content::Cover {
            foreseen_min_c: call.min_c,
            sd_c: call.sd_c,
            mark_c: bed.cover_c,
            sign: call.sign,
            crosses_ms: call.crosses_ms,
        }),
        // Whoever was told in the afternoon is not woken to hear it again.
        step: 0,
        hold_ms: 0,
        tell_ms,
        repeat_after_ms: Millis::MAX / 4,
        person: person.name.clone(),
    }))
}

fn call(scene: &Scene<'_>, bed: &Bed, evening: chrono::NaiveDate, matter: &Matter) -> Option<Call> {
    let night = scene.foresee.night.filter(|night| night.date == evening);
    if let Some(night) = night.filter(|night| night.foreseen().calls_for_cover(bed.cover_c)) {
        let (min_c, sd_c) = (night.value_c, night.sd_c);
        let why =
            format!("the night is foreseen at {min_c:.1} ± {sd_c:.1} °C, cover mark {:.0} °C", bed.cover_c);
        return Some(Call { min_c, sd_c, sign: ColdSign::Afternoon, crosses_ms: None, why });
    }
    if matter.is_told() {
        return None;
    }
    if let Some((air_c, dew_c)) = scene.dusk(evening) {
        let nights = &scene.foresee.calm_nights;
        // Fewer calm nights than the book asks for give no fit.
        let fitted = two_step(nights, air_c, dew_c).filter(|(min_c, sd_c)| min_c - sd_c <= bed.cover_c);
        if let Some((min_c, sd_c)) = fitted {
            let why = format!("two hours after sunset {air_c:.1} °C: {min_c:.1} ± {sd_c:.1} °C by dawn");
            let crosses_ms = crossing(scene, evening, (air_c, dew_c, min_c), bed.cover_c);
            return Some(Call { min_c, sd_c, sign: ColdSign::Dusk, crosses_ms, why });
        }
    }
    let evening_from_soil = scene.foresee.evening.filter(|forecast| forecast.date == evening);
    // Whoever is woken for a guess is woken for a likely one.
    let in_quiet = scene.calendar.within(scene.garden.quiet, scene.now_ms);
    let calls = |night: &Forecast| {
        let margin_c = if in_quiet { night.sd_c } else { night.margin_c };
        night.value_c - margin_c <= bed.cover_c
    };
    if let Some(night) = evening_from_soil.filter(calls) {
        let (min_c, sd_c) = (night.value_c, night.sd_c);
        let why = format!("soil in the evening: {min_c:.1} ± {sd_c:.1} °C, cover mark {:.0} °C", bed.cover_c);
        return Some(Call { min_c, sd_c, sign: ColdSign::Dusk, crosses_ms: None, why });
    }
    let falling = match scene.patch.air {
        Some(air) => still_to_fall(scene, evening, air)
            .filter(|_| scene.now_ms < scene.sunset(evening) + 2 * HOUR_MS + DUSK_MS)
            .map(|(min_c, sd_c)| (min_c, sd_c, FIT_SD_C.0)),
        None => soil_still_to_fall(scene, evening),
    };
    if let Some((min_c, sd_c, _)) = falling.filter(|(min_c, _, margin_c)| min_c - margin_c <= bed.cover_c) {
        let why = format!("by the last nights' fall from this hour {min_c:.1} ± {sd_c:.1} °C by dawn");
        return Some(Call { min_c, sd_c, sign: ColdSign::Dusk, crosses_ms: None, why });
    }
    let probe = scene.patch.air?;
    let air_c = scene.value_now(probe)?;
    let falls_c = falls(scene, evening, probe, air_c);
    if air_c - falls_c > bed.cover_c {
        return None;
    }
    let why = if air_c <= bed.cover_c {
        format!("the air reads {air_c:.1} °C, cover mark {:.0} °C", bed.cover_c)
    } else {
        format!("the air reads {air_c:.1} °C and falls, cover mark {:.0} °C", bed.cover_c)
    };
    Some(Call { min_c: air_c, sd_c: FIT_SD_C.0, sign: ColdSign::Air, crosses_ms: None, why })
}

/// How far the air will fall while a sheet is fetched and laid, as it fell in the last hours; only in the dark.
fn falls(scene: &Scene<'_>, evening: chrono::NaiveDate, probe: usize, air_c: f64) -> f64 {
    let dark = scene.sunset(evening) + 2 * HOUR_MS..scene.sunrise_after(evening);
    if !dark.contains(&scene.now_ms) {
        return 0.0;
    }
    let then_ms = scene.now_ms - CARRIED.0;
    let then = scene.hours.last(probe, then_ms - 2 * HOUR_MS, then_ms + 1);
    then.map_or(0.0, |(_, then_c)| (then_c - air_c).clamp(0.0, CARRIED.1))
}

/// From two hours after sunset to sunrise: a thermometer now less the mean of what it still fell from this hour on in
/// the last nights, and how far those fell apart.
fn still_to_fall(scene: &Scene<'_>, evening: chrono::NaiveDate, probe: usize) -> Option<(f64, f64)> {
    let sunrise_ms = scene.sunrise_after(evening);
    if !(scene.sunset(evening) + 2 * HOUR_MS..sunrise_ms).contains(&scene.now_ms) {
        return None;
    }
    let now_c = scene.value_now(probe)?;
    let fall = |night: Millis| {
        let earlier_ms = night * 24 * HOUR_MS;
        let (from_ms, to_ms) = (scene.now_ms - earlier_ms, sunrise_ms - earlier_ms + 3 * HOUR_MS);
        let (_, then_c) = scene.hours.last(probe, from_ms - 2 * HOUR_MS, from_ms)?;
        let (low_c, _) = scene.hours.extremes(probe, from_ms, to_ms)?;
        Some((then_c - low_c).max(0.0))
    };
    let falls_c: Vec<f64> = (1..=NIGHTS.1).filter_map(fall).collect();
    if falls_c.len() < NIGHTS.0 {
        return None;
    }
    let n = falls_c.len() as f64;
    let mean_c = falls_c.iter().sum::<f64>() / n;
    let sd_c = (falls_c.iter().map(|fall| (fall - mean_c).powi(2)).sum::<f64>() / n).sqrt();
    Some((now_c - mean_c, sd_c.clamp(FIT_SD_C.0, FIT_SD_C.1)))
}

/// Where no air is measured: the night's air over the dawn that the soil still falls to, its spread, and one spread as
/// the margin: at night the call of the afternoon was made already.
fn soil_still_to_fall(scene: &Scene<'_>, evening: chrono::NaiveDate) -> Option<(f64, f64, f64)> {
    let probe = scene.patch.soil?;
    if scene.now_ms < scene.sunset(evening) + SOIL_FROM_MS {
        return None;
    }
    let (dawn_c, _) = still_to_fall(scene, evening, probe)?;
    let (half_range_c, half_range_before_c) = soil_swing(scene.garden, probe, scene.days, evening)?;
    let soil = EveningSoil {
        dawn_c,
        change_c: None,
        change_since_16_c: Some(0.0),
        half_range_c,
        half_range_before_c,
        latitude_deg: scene.garden.place.latitude_deg,
        day_of_year: u16::try_from(evening.ordinal()).ok()?,
    };
    let foreseen = night_minimum_from_soil(&soil).ok()?;
    Some((foreseen.value_c, foreseen.sd_c, foreseen.sd_c))
}

/// When the air falls to the mark by the night curve of the frost manual, held by the dew.
fn crossing(
    scene: &Scene<'_>,
    evening: chrono::NaiveDate,
    (air_c, dew_c, min_c): (f64, Option<f64>, f64),
    mark_c: f64,
) -> Option<Millis> {
    let sunset = scene.sunset(evening);
    let night_h = (scene.sunrise_after(evening) - sunset) as f64 / HOUR_MS as f64;
    let curve = NightCurve::new(air_c, min_c.min(air_c), night_h).ok()?;
    let curve = dew_c.map_or(Some(curve), |dew_c| curve.with_dewpoint(dew_c).ok())?;
    let hours = curve.crossing_h(mark_c).ok().flatten()?;
    Some(sunset + (hours * HOUR_MS as f64) as Millis).filter(|at_ms| *at_ms > scene.now_ms)
}

/// The two-step fit over the garden's calm nights, with the spread of its own errors.
fn two_step(nights: &[(f64, Option<f64>, f64)], air_c: f64, dew_c: Option<f64>) -> Option<(f64, f64)> {
    let nights: Vec<Night> = nights
        .iter()
        .map(|(evening_c, dewpoint_c, min_c)| Night {
            evening_c: *evening_c,
            dewpoint_c: *dewpoint_c,
            min_c: *min_c,
        })
        .collect();
    let fit = FrostFit::new(&nights).ok()?;
    let foreseen_c = fit.predict_c(air_c, dew_c).ok()?;
    Some((foreseen_c, fit.air_sd_c.clamp(FIT_SD_C.0, FIT_SD_C.1)))
}

fn quiet(why: &str) -> Verdict {
    Verdict::Quiet { why: why.to_owned(), withdraw: false }
}
