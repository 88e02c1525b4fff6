//! Shade: the day's maximum, as foreseen in the morning, reaches the shade mark while a fruit stands exposed.
//!
//! Rule: told at 09:30 if foreseen maximum + one standard deviation of its own past error reaches the mark
//! (32 °C: abortion of young fruit above it, University of Delaware Extension), or at 10:25 if only then
//! does; who is not free between 09:30 and 11:00 is told at 06:15. A maximum that was not foreseen becomes no afternoon letter. Where no
//! air is measured, a root zone that reached 30 °C yesterday calls on its own account (judgement).

use chrono::NaiveTime;

use crate::quantities::Quantity;
use crate::record::{Content, MatterKey, Millis, Urgency};
use crate::settings::garden::{Bed, Person};

use super::super::calendar::HOUR_MS;
use super::super::foresee::{DAWN, Forecast, Look, MORNING, clock};
use super::super::life::{Claim, Verdict};
use super::super::people;
use super::super::scene::Scene;

/// The matter this file judges.
pub const KEY: MatterKey = MatterKey::Shade;

/// The sheet must stand by then.
const BY: (u32, u32) = (11, 0);
/// No letter after this time: the sheet would come too late to be worth the climb.
const LATEST: (u32, u32) = (10, 30);
/// A root zone this warm hurts on its own account, °C.
const SOIL_HOT_C: f64 = 30.0;
/// Depths that count as root zone for it, m.
const ROOT_ZONE_M: (f64, f64) = (0.07, 0.15);

/// The verdict on one bed.
pub fn judge(scene: &Scene<'_>, bed: &Bed) -> Verdict {
    let date = scene.date();
    if !scene.fruit_exposed(bed) {
        return quiet("no fruit stands exposed");
    }
    let Some(person) = scene.asked() else { return Verdict::Unknown };
    let from_dawn = !people::is_free_between(scene.garden, person, clock(MORNING), clock(BY));
    let forecast = foreseen(scene, bed, from_dawn);
    let call_ms = scene.calendar.at(date, clock(if from_dawn { DAWN } else { MORNING }));
    if scene.now_ms < call_ms || scene.now_ms >= scene.sunset(date) {
        return quiet("the day is over");
    }
    let soil_hot_c = hot_root_zone(scene, bed).filter(|_| scene.patch.air.is_none());
    let hot = forecast.is_some_and(|forecast| forecast.foreseen().calls_for_shade(bed.shade_c));
    match forecast {
        Some(forecast) if hot || soil_hot_c.is_some() => {
            claim(scene, bed, person, forecast, from_dawn, soil_hot_c)
        }
        Some(forecast) => quiet(&format!("{:.0} °C foreseen", forecast.value_c)),
        None => Verdict::Unknown,
    }
}

fn claim(
    scene: &Scene<'_>,
    bed: &Bed,
    person: &Person,
    forecast: Forecast,
    from_dawn: bool,
    soil_hot_c: Option<f64>,
) -> Verdict {
    let date = scene.date();
    let latest_ms = scene.calendar.at(date, clock(LATEST));
    let too_late = scene.now_ms > latest_ms;
    let sd_c = forecast.sd_c;
    Verdict::Claim(Box::new(Claim {
        why: format!("{:.1} ± {sd_c:.1} °C foreseen, shade mark {:.0} °C", forecast.value_c, bed.shade_c),
        urgency: Urgency::Today,
        by_ms: Some(deadline(scene, person, from_dawn)),
        litres: None,
        content: Some(Content::Shade {
            foreseen_max_c: forecast.value_c,
            sd_c,
            mark_c: bed.shade_c,
            from_dawn,
            soil_hot_c,
        }),
        step: 0,
        hold_ms: 0,
        tell_ms: if too_late {
            Millis::MAX / 4
        } else {
            people::out_of_quiet(scene.garden, scene.calendar, scene.now_ms)
        },
        repeat_after_ms: Millis::MAX / 4,
        person: person.name.clone(),
    }))
}

/// The forecast that counts: of the dawn for who is away later; else of the morning, or the late look where
/// only that one calls.
fn foreseen(scene: &Scene<'_>, bed: &Bed, from_dawn: bool) -> Option<Forecast> {
    let date = scene.date();
    if from_dawn {
        return scene.foresee.maximum(Look::Dawn, date);
    }
    let calls = |forecast: &Forecast| forecast.foreseen().calls_for_shade(bed.shade_c);
    let morning = scene.foresee.maximum(Look::Morning, date);
    let late = scene.foresee.maximum(Look::Late, date);
    morning.filter(calls).or_else(|| late.filter(calls)).or(late).or(morning)
}

/// By 11:00; for who has gone by then, before they go: the end of their own hours of the morning.
fn deadline(scene: &Scene<'_>, person: &Person, from_dawn: bool) -> Millis {
    let date = scene.date();
    let by_ms = scene.calendar.at(date, clock(BY));
    if !from_dawn {
        return by_ms;
    }
    people::hours_of(scene.garden, person)
        .iter()
        .filter(|hours| hours.from < hours.to && hours.to <= clock(BY))
        .map(|hours| scene.calendar.at(date, hours.to))
        .filter(|end_ms| *end_ms > scene.now_ms + HOUR_MS / 4)
        .max()
        .unwrap_or(by_ms)
}

/// The highest temperature of the bed's root zone yesterday, if it reached the mark.
fn hot_root_zone(scene: &Scene<'_>, bed: &Bed) -> Option<f64> {
    let start_ms = scene.calendar.at(scene.date(), NaiveTime::MIN);
    let probes = scene.garden.probes.iter().enumerate().filter(|(_, probe)| {
        probe.quantity == Quantity::SoilTemperature
            && probe.bed.as_deref() == Some(&bed.name)
            && probe.depth_m.is_some_and(|depth| depth >= ROOT_ZONE_M.0 && depth <= ROOT_ZONE_M.1)
    });
    probes
        .filter_map(|(ix, _)| scene.hours.extremes(ix, start_ms - 24 * HOUR_MS, start_ms))
        .map(|(_, high)| high)
        .filter(|high| *high >= SOIL_HOT_C)
        .reduce(f64::max)
}

fn quiet(why: &str) -> Verdict {
    Verdict::Quiet { why: why.to_owned(), withdraw: false }
}
