//! What is worth knowing of a bed and asks for nothing: sentences for the page and `status`.

use agronomy::frost::NightCurve;

use crate::record::{DayRecord, Millis};
use crate::settings::garden::Bed;

use super::calendar::{HOUR_MS, previous_day};
use super::core::Engine;
use super::matters::plant;
use super::scene::Scene;

/// A night that stayed so warm, °C: young fruit aborts after hot days with nights over 23 to 25 °C (University of
/// Delaware Extension).
const HOT_NIGHT_C: f64 = 24.0;
/// Vapour deficit that is severe, kPa (band from memory).
const DRY_AIR_KPA: f64 = 3.0;
/// A night is spoken of when its curve comes this near to the cover mark, °C.
const NEAR_C: f64 = 3.0;
/// That a day was corrected is said for so long.
const CORRECTED_MS: Millis = 72 * HOUR_MS;

impl Engine {
    /// The notes on one bed.
    pub(super) fn notes(&self, scene: &Scene<'_>, bed: &Bed) -> Vec<String> {
        let mut notes = Vec::new();
        notes.extend(plant::how_far(scene, bed));
        notes.extend(self.corrected(scene, bed));
        let date = scene.date();
        if !scene.facts.is_growing(bed, date) {
            return notes;
        }
        if let Some(ended) = scene.ended(bed) {
            notes.push(format!(
                "No cover letters any more: {}, which no plant lives through, sheets or not (judgement). Log the \
                 cutting; or, if it lives, say so: rindwatch jot covered {}.",
                ended.why, bed.name
            ));
            return notes;
        }
        notes.extend(self.heat_of_yesterday(scene, bed));
        notes.extend(tonight(scene, bed));
        notes
    }

    /// Days that are not what they were when they were closed.
    fn corrected(&self, scene: &Scene<'_>, bed: &Bed) -> Option<String> {
        let records = self.memory.records.values().flatten().filter(|record| record.bed == bed.name);
        let corrected = |record: &DayRecord| {
            let at_ms = record.corrected_ms?;
            (scene.now_ms - at_ms < CORRECTED_MS).then_some((record.date, at_ms))
        };
        let days: Vec<_> = records.filter_map(corrected).collect();
        let ((first, _), (last, _)) = (days.first()?, days.last()?);
        let at_ms = days.iter().map(|(_, at_ms)| *at_ms).max()?;
        let span = if first == last {
            first.format("%-d %B").to_string()
        } else {
            format!("{} to {}", first.format("%-d %B"), last.format("%-d %B"))
        };
        let date = scene.calendar.date(at_ms).format("%-d %B");
        let time = scene.calendar.time(at_ms).format("%H:%M");
        Some(format!("Corrected by what came or was found later: {span} (on {date} at {time})."))
    }

    fn heat_of_yesterday(&self, scene: &Scene<'_>, bed: &Bed) -> Option<String> {
        let day = scene.yesterday().filter(|day| day.date == previous_day(scene.date()))?;
        let record = self.memory.records.get(&day.date)?.iter().find(|record| record.bed == bed.name)?;
        let heat = record.heat_dh_c.filter(|heat| *heat >= 0.5);
        let heat = heat.map(|heat| format!("{heat:.0} degree-hours over {:.0} °C", bed.shade_c));
        let night = day.coldest_c.filter(|low_c| *low_c >= HOT_NIGHT_C);
        let night = night.map(|low_c| format!("a night that stayed at {low_c:.0} °C"));
        let deficit = day.air.zip(day.rh_min_pct).filter(|_| day.air_guess_sd_c.is_none());
        let deficit = deficit.and_then(|(air, rh_pct)| {
            let full_kpa = agronomy::air::saturation_kpa(air.max).ok()?;
            Some(full_kpa * (1.0 - rh_pct / 100.0)).filter(|kpa| *kpa >= DRY_AIR_KPA)
        });
        let deficit = deficit.map(|kpa| format!("air that lacked {kpa:.1} kPa of vapour"));
        let parts: Vec<String> = [heat, night, deficit].into_iter().flatten().collect();
        (!parts.is_empty()).then(|| format!("Yesterday: {}.", parts.join(", ")))
    }
}

/// The course of the night under way, by the evening's curve refitted to what the air has done since.
fn tonight(scene: &Scene<'_>, bed: &Bed) -> Option<String> {
    let date = scene.date();
    let evening = if scene.now_ms < scene.sunset(date) { previous_day(date) } else { date };
    let (sunset, sunrise) = (scene.sunset(evening), scene.sunrise_after(evening));
    let (air_c, dew_c) = scene.dusk(evening).filter(|_| scene.now_ms < sunrise)?;
    let curve = evening_curve(scene, evening, air_c, dew_c)?;
    let hours = |ms: i64| (ms - sunset) as f64 / HOUR_MS as f64;
    let since: Vec<(f64, f64)> = scene
        .patch
        .air
        .into_iter()
        .flat_map(|probe| scene.hours.range(probe, sunset + 2 * HOUR_MS, scene.now_ms + 1))
        .map(|(_, hour)| (hours(hour.last_at_ms), hour.last))
        .filter(|(at_h, _)| *at_h > 2.5)
        .collect();
    let curve = curve.refitted(&since).unwrap_or(curve);
    let low_c = curve.at_c(hours(sunrise)).ok().filter(|low_c| *low_c <= bed.cover_c + NEAR_C)?;
    let crossing = curve.crossing_h(bed.cover_c).ok().flatten();
    let crossing = crossing.map_or(String::new(), |at_h| {
        let at = scene.calendar.time(sunset + (at_h * HOUR_MS as f64) as i64);
        format!(", {:.0} °C about {}", bed.cover_c, at.format("%H:%M"))
    });
    Some(format!(
        "Tonight by the evening's curve: {low_c:.1} °C at sunrise{crossing}, if it stays clear and calm."
    ))
}

/// The curve of the evening, to the minimum that was foreseen in the afternoon.
fn evening_curve(
    scene: &Scene<'_>,
    evening: chrono::NaiveDate,
    air_c: f64,
    dew_c: Option<f64>,
) -> Option<NightCurve> {
    let night = scene.foresee.night.filter(|night| night.date == evening)?;
    let hours = (scene.sunrise_after(evening) - scene.sunset(evening)) as f64 / HOUR_MS as f64;
    let curve = NightCurve::new(air_c, night.value_c.min(air_c), hours).ok()?;
    dew_c.map_or(Some(curve), |dew_c| curve.with_dewpoint(dew_c).ok())
}
