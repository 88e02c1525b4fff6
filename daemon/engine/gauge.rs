//! Whether a gauge can be believed: its rain held against what the soil and the grower's eye say of the same hours.
//!
//! Rules (the figures are judgement; that moisture rises while no tip comes when a funnel is blocked, and that knocks
//! tip an empty bucket, are facts of the trade):
//! - *Clogged*: the upper moisture of a bed rises as by rain while the gauge shows none, and nobody watered or,
//!   asked to, may have watered then. A rise in one bed alone is a watering; one in all beds at once is rain. With one bed it is
//!   rain where the air was damp (90 %) and it was night or the air fell with it; in drier air it is a watering. Two
//!   such occasions make a fault. Where nothing parts rain from water, three do, and the fault says so.
//! - *Reads short*: it showed less than 60 % of what was read by eye, of 10 mm or more.
//! - *Wetted nothing*: three showers that would have reached a probe and did not, in dry air where that is known. It
//!   is a note: a knock or a sprinkler costs little.
//!
//! All is derived from the last fourteen days. What was found stays until gauge and soil, or gauge and eye, agree
//! again, or the grower says the gauge was seen to (`probe gauge moved`).

use serde::{Deserialize, Serialize};

use crate::quantities::Quantity;
use crate::record::{Fault, Millis};
use crate::settings::garden::Bed;

use super::calendar::HOUR_MS;
use super::core::Engine;
use super::poured::Watering;
use super::rain;
use super::scene::Scene;
use super::{HOURS_KEPT_MS, Trust};

/// Gauges are looked at so often.
pub(super) const LOOK_MS: Millis = 6 * HOUR_MS;
/// What happened later than this is not judged yet: probes and gauge may still speak of it.
const SETTLE_MS: Millis = 3 * HOUR_MS;
/// A rise is that of one soaking for so long.
const APART_MS: Millis = 12 * HOUR_MS;
/// Least rise of a wetting, m³/m³, and least water it stands for in the soil above the probe, mm. Warmth swings a cheap
/// probe by less in three hours.
const RISE: (f64, f64) = (0.03, 3.0);
/// A rise must pass the highest of the day before by so much, m³/m³.
const ABOVE: f64 = 0.01;
/// Probes deeper than this answer too late, m; a shower must reach those that are to answer it.
const DEEPEST_M: (f64, f64) = (0.25, 0.15);
/// A gauge that shows less is dry, and one that shows more has answered, mm.
const SHOWS_MM: (f64, f64) = (0.3, 1.0);
/// Water given so long before explains a rise.
const GIVEN_MS: Millis = 6 * HOUR_MS;
/// Damp air and dry air, %.
const AIR_PCT: (f64, f64) = (90.0, 60.0);
/// Air falls by so much with a shower, °C in three hours.
const FALLS_C: f64 = 3.0;
/// Occasions that make a fault, sure ones and any.
const OCCASIONS: (u32, u32) = (2, 3);
/// Read by eye at least, mm, and the share of it that a gauge shows.
const BY_EYE: (f64, f64) = (10.0, 0.6);
/// A shower, mm in three hours, what leaves keep of it, and how long soil is given to answer.
const SHOWER: (f64, f64, Millis) = (3.0, 2.0, 12 * HOUR_MS);

/// What is wrong with a gauge, and since when that is known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Found {
    /// Since when.
    pub since_ms: Millis,
    /// What.
    pub fault: Fault,
}

impl Engine {
    /// Looks at the gauge of the patch.
    pub(super) fn look_at_gauge(&mut self, at_ms: Millis) {
        let Some(ix) = self.patch.rain else { return };
        let known = self.memory.gauges.get(ix).and_then(|gauge| gauge.found.clone());
        let touched_ms = self.memory.watches.get(ix).and_then(|watch| watch.touched_ms);
        let found = look(&self.scene(at_ms), ix, known, touched_ms);
        if let Some(gauge) = self.memory.gauges.get_mut(ix) {
            gauge.found = found;
        }
    }
}

/// What is wrong with a gauge now; `known` is what was found before.
fn look(scene: &Scene<'_>, gauge: usize, known: Option<Found>, touched_ms: Option<Millis>) -> Option<Found> {
    let from_ms = (scene.now_ms - HOURS_KEPT_MS + 24 * HOUR_MS).max(touched_ms.unwrap_or(Millis::MIN));
    let uppers = uppers(scene);
    let rises = rises(scene, gauge, &uppers, from_ms);
    let known =
        known.filter(|known| known.since_ms >= from_ms || touched_ms.is_none_or(|at| at < known.since_ms));
    let answered_ms = rises.iter().rev().find(|rise| rise.sign == Sign::Answered).map(|rise| rise.at_ms);
    let looks: Vec<rain::Look> = rain::looks(scene.hours, Some(gauge), &scene.facts.rain_by_eye)
        .filter(|look| look.heard && look.at_ms >= from_ms)
        .collect();
    let fault =
        clogged(&rises).or_else(|| short(&looks)).or_else(|| wetted_nothing(scene, gauge, &uppers, from_ms));
    match (known, fault) {
        (Some(known), Some(fault)) => Some(Found { fault, ..known }),
        (None, Some(fault)) => Some(Found { since_ms: scene.now_ms, fault }),
        (Some(known), None) => {
            let agreed = match known.fault {
                Fault::Clogged { .. } => answered_ms.is_some_and(|at_ms| at_ms > known.since_ms),
                Fault::ReadsShort { .. } => looks.last().is_some_and(|look| {
                    look.at_ms > known.since_ms && look.gauge_mm >= BY_EYE.1 * look.eye_mm
                }),
                _ => true,
            };
            (!agreed).then_some(known)
        }
        (None, None) => None,
    }
}

/// The upper moisture probe of a bed.
struct Upper<'a> {
    bed: &'a Bed,
    probe: usize,
    depth_m: f64,
}

fn uppers<'a>(scene: &Scene<'a>) -> Vec<Upper<'a>> {
    let of_bed = |bed: &'a Bed| {
        let probes = scene.garden.probes.iter().enumerate();
        let here = probes.filter(|(_, probe)| {
            probe.quantity == Quantity::SoilMoisture && probe.bed.as_deref() == Some(bed.name.as_str())
        });
        let believed = here.filter(|(ix, _)| {
            scene.trusts.get(*ix).is_none_or(|trust| matches!(trust, Trust::Good | Trust::Doubtful))
        });
        let deep = believed.filter_map(|(probe, settings)| Some((probe, settings.depth_m?)));
        let (probe, depth_m) = deep.min_by(|one, other| one.1.total_cmp(&other.1))?;
        (depth_m <= DEEPEST_M.0).then_some(Upper { bed, probe, depth_m })
    };
    scene.garden.beds.iter().filter_map(of_bed).collect()
}

/// What a rise of the soil says of the gauge.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Sign {
    /// It showed rain too.
    Answered,
    /// It rained, and it showed none.
    Missed,
    /// It showed none, and it may have been water that nobody logged.
    Unclear,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Rise {
    at_ms: Millis,
    sign: Sign,
}

/// The soakings of the patch, oldest first.
fn rises(scene: &Scene<'_>, gauge: usize, uppers: &[Upper<'_>], from_ms: Millis) -> Vec<Rise> {
    let mut wettings: Vec<(Millis, usize)> = Vec::new();
    for (at, upper) in uppers.iter().enumerate() {
        wettings.extend(wettings_of(scene, upper, from_ms).into_iter().map(|at_ms| (at_ms, at)));
    }
    wettings.sort_unstable();
    let mut rises: Vec<Rise> = Vec::new();
    for (at_ms, _) in &wettings {
        if rises.last().is_some_and(|last| at_ms - last.at_ms < APART_MS) {
            continue;
        }
        let at_once = |bed: usize| {
            wettings.iter().any(|(other_ms, other)| *other == bed && (other_ms - at_ms).abs() <= SETTLE_MS)
        };
        let wetted: Vec<bool> = (0..uppers.len()).map(at_once).collect();
        rises.extend(sign(scene, gauge, uppers, *at_ms, &wetted).map(|sign| Rise { at_ms: *at_ms, sign }));
    }
    rises
}

/// Hours in which the upper moisture of a bed has risen as by rain.
fn wettings_of(scene: &Scene<'_>, upper: &Upper<'_>, from_ms: Millis) -> Vec<Millis> {
    let need = RISE.0.max(RISE.1 / (1000.0 * upper.depth_m));
    let hours: Vec<(Millis, f64)> = scene
        .hours
        .range(upper.probe, from_ms, scene.now_ms - SETTLE_MS)
        .map(|(start, hour)| (*start, hour.mean()))
        .collect();
    let mut found: Vec<Millis> = Vec::new();
    for (at, (start_ms, theta)) in hours.iter().enumerate() {
        if found.last().is_some_and(|last| start_ms - last < APART_MS) {
            continue;
        }
        let before =
            hours[..at].iter().rev().take_while(|(before_ms, _)| start_ms - before_ms <= 24 * HOUR_MS);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (before_ms, before) in before {
            if start_ms - before_ms <= SETTLE_MS { low = low.min(*before) } else { high = high.max(*before) }
        }
        if theta - low >= need
            && *theta > high + ABOVE
            && high.is_finite()
            && !scene.frozen(upper.bed, *start_ms)
        {
            found.push(*start_ms);
        }
    }
    found
}

/// What a soaking at an instant says; `wetted`: which beds it reached.
fn sign(
    scene: &Scene<'_>,
    gauge: usize,
    uppers: &[Upper<'_>],
    at_ms: Millis,
    wetted: &[bool],
) -> Option<Sign> {
    let (before_ms, after_ms) = (at_ms - GIVEN_MS, at_ms + HOUR_MS);
    let shown_mm = scene.hours.sum(gauge, before_ms, after_ms).unwrap_or(0.0);
    if shown_mm >= SHOWS_MM.1 {
        return Some(Sign::Answered);
    }
    let spoke = scene.hours.present(gauge, at_ms - HOUR_MS, at_ms + SETTLE_MS) > 0;
    let given = uppers.iter().zip(wetted).any(|(upper, wetted)| {
        let asked = |one: &Watering| {
            one.asked && one.bed == upper.bed.name && (before_ms..after_ms).contains(&one.at_ms)
        };
        let logged = scene.facts.given_litres(&upper.bed.name, before_ms, after_ms) > 0.0;
        *wetted && (logged || scene.poured.iter().any(asked))
    });
    if shown_mm >= SHOWS_MM.0 || !spoke || given {
        return None;
    }
    if uppers.len() >= 2 {
        return wetted.iter().all(|wetted| *wetted).then_some(Sign::Missed);
    }
    let mean =
        |probe: Option<usize>, from_ms: Millis| scene.hours.mean(probe?, from_ms, from_ms + 2 * HOUR_MS);
    let Some(rh_pct) = mean(scene.patch.humidity, at_ms - HOUR_MS) else { return Some(Sign::Unclear) };
    if rh_pct < AIR_PCT.0 {
        return None; // a watering
    }
    let night = scene.calendar.within(scene.garden.quiet, at_ms);
    let airs = mean(scene.patch.air, at_ms - 4 * HOUR_MS).zip(mean(scene.patch.air, at_ms - HOUR_MS));
    let fell = airs.is_some_and(|(before_c, now_c)| before_c - now_c >= FALLS_C);
    Some(if night || fell { Sign::Missed } else { Sign::Unclear })
}

fn clogged(rises: &[Rise]) -> Option<Fault> {
    let since = rises.iter().rposition(|rise| rise.sign == Sign::Answered).map_or(0, |at| at + 1);
    let silent = rises.get(since..)?;
    let times = u32::try_from(silent.len()).unwrap_or(u32::MAX);
    let sure = silent.iter().filter(|rise| rise.sign == Sign::Missed).count() as u32;
    (sure >= OCCASIONS.0 || times >= OCCASIONS.1)
        .then_some(Fault::Clogged { times, or_watered: sure < OCCASIONS.0 })
}

fn short(looks: &[rain::Look]) -> Option<Fault> {
    let eye_mm: f64 = looks.iter().map(|look| look.eye_mm).sum();
    let gauge_mm: f64 = looks.iter().map(|look| look.gauge_mm).sum();
    (eye_mm >= BY_EYE.0 && gauge_mm < BY_EYE.1 * eye_mm).then_some(Fault::ReadsShort { gauge_mm, eye_mm })
}

fn wetted_nothing(scene: &Scene<'_>, gauge: usize, uppers: &[Upper<'_>], from_ms: Millis) -> Option<Fault> {
    let mut last_ms = Millis::MIN;
    let (mut times, mut mm) = (0, 0.0);
    for (start_ms, _) in scene.hours.range(gauge, from_ms, scene.now_ms - SHOWER.2 - HOUR_MS) {
        let shower_mm = scene.hours.sum(gauge, start_ms - 2 * HOUR_MS, start_ms + 1).unwrap_or(0.0);
        if shower_mm < SHOWER.0 || start_ms.saturating_sub(last_ms) < APART_MS {
            continue;
        }
        last_ms = *start_ms;
        let dry = scene
            .patch
            .humidity
            .and_then(|probe| scene.hours.mean(probe, start_ms - 2 * HOUR_MS, start_ms + HOUR_MS));
        if dry.is_some_and(|rh_pct| rh_pct >= AIR_PCT.1) {
            continue;
        }
        let all_mm = scene.hours.sum(gauge, start_ms - 2 * HOUR_MS, start_ms + SHOWER.2).unwrap_or(0.0);
        let answers: Vec<bool> =
            uppers.iter().filter_map(|upper| answers(scene, upper, *start_ms, all_mm)).collect();
        if answers.contains(&true) {
            (times, mm) = (0, 0.0);
        } else if !answers.is_empty() {
            (times, mm) = (times + 1, mm + shower_mm);
        }
    }
    (times >= OCCASIONS.1).then_some(Fault::WettedNothing { times, mm })
}

/// Whether a probe answered a shower; `None` where it could not have: too deep, too wet, not heard, or the shower too
/// small to reach it through leaves and dry soil.
fn answers(scene: &Scene<'_>, upper: &Upper<'_>, at_ms: Millis, shower_mm: f64) -> Option<bool> {
    let before = scene.hours.mean(upper.probe, at_ms - 6 * HOUR_MS, at_ms - 2 * HOUR_MS)?;
    let room = upper.bed.full - before;
    let heard = scene.hours.present(upper.probe, at_ms, at_ms + SHOWER.2) >= 10;
    let reaches = shower_mm >= SHOWER.1 + 1000.0 * upper.depth_m * room;
    if upper.depth_m > DEEPEST_M.1 || !heard || room < 2.0 * ABOVE || !reaches {
        return None;
    }
    let (_, highest) = scene.hours.extremes(upper.probe, at_ms - 2 * HOUR_MS, at_ms + SHOWER.2)?;
    Some(highest - before >= ABOVE)
}
