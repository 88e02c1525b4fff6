//! Whether a gauge can be believed: its rain held against what the soil and the grower's eye say of the same hours.
//!
//! Rules (the figures are judgement; that moisture rises while no tip comes when a funnel is blocked, and that knocks
//! tip an empty bucket, are facts of the trade):
//! - *Clogged*: the upper moisture of a bed rises as by rain while the gauge shows none, and nobody watered or,
//!   asked to, may have watered then. A rise in one bed alone is a watering; one in all beds at once is rain. With one bed it is
//!   rain where the air was damp (90 %) and it was night or the air fell with it; in drier air it is a watering. So it
//!   is where all beds rose and somebody was asked to water one of them, but that only dry air (60 %) makes it a
//!   watering there. Two such occasions make a fault, or one and another where nothing parts rain from water, or three
//!   of those; the fault says when it may have been water.
//! - *Reads short*: it showed less than 60 % of what was read by eye, of 10 mm or more.
//! - *Wetted nothing*: three showers that would have reached a probe and did not, in dry air where that is known. It
//!   is a note: a knock or a sprinkler costs little.
//!
//! All is derived from the last fourteen days; what the soil said before that is remembered for two months, since two
//! rains may lie weeks apart. What was found stays until gauge and soil, or gauge and eye, agree again, or the grower
//! says the gauge was seen to (`probe gauge moved`). From the first rain that a clogged gauge missed until then, rain is
//! not known: the days since are derived anew.

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
/// Signs are remembered for so long.
const SIGNS_KEPT_MS: Millis = 60 * 24 * HOUR_MS;
/// The first day of the hours that are held has no day before it to be looked at.
const BEGINS_MS: Millis = 25 * HOUR_MS;
/// Spans in which rain was not known that are remembered.
const SPANS: usize = 8;
/// Least rise of a wetting, m³/m³, and least water it stands for in the soil above the probe, mm. Warmth swings a cheap
/// probe by less in three hours.
const RISE: (f64, f64) = (0.03, 3.0);
/// A rise must pass the highest of the day before by so much, m³/m³; one of so many times [`RISE`] need not: no warmth
/// does that in three hours, and a second shower may stay under the first.
const ABOVE: f64 = 0.01;
const NO_WARMTH: f64 = 2.0;
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
/// Sure occasions without which a fault says that it may have been water, and all that make one; a sure one counts
/// twice there.
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
        let signs = self.memory.gauges.get(ix).map(|gauge| gauge.signs.clone()).unwrap_or_default();
        let (found, rises) = look(&self.scene(at_ms), ix, known, touched_ms, &signs);
        let Some(gauge) = self.memory.gauges.get_mut(ix) else { return };
        let anew_ms = note_span(gauge, found.as_ref(), &rises, touched_ms, at_ms);
        (gauge.found, gauge.signs) = (found, rises);
        if let Some(from_ms) = anew_ms {
            self.derive_if_closed(from_ms);
        }
    }
}

impl Scene<'_> {
    /// [`Scene::rain_mm`] to be shown to people: `None` also where the gauge was silent or missed rain.
    pub fn rain_known_mm(&self, from_ms: Millis, to_ms: Millis) -> Option<f64> {
        let patience_ms = |gauge: usize| {
            let probe = self.garden.probes.get(gauge)?;
            Some(self.watches.get(gauge)?.patience_ms(probe.every_s, probe.quantity))
        };
        let patience_ms = self.patch.rain.and_then(patience_ms).unwrap_or(HOUR_MS);
        let gauge = self.patch.rain.and_then(|gauge| self.gauges.get(gauge));
        let unknown = gauge.map(|gauge| gauge.unknown.as_slice()).unwrap_or_default();
        let (rain, eye) = (self.patch.rain, &self.facts.rain_by_eye);
        rain::known_mm(self.hours, rain, eye, (from_ms, to_ms), patience_ms, unknown)
    }
}

/// Rain is not known from the first that a clogged gauge missed until it is mended; gives since when that is new.
fn note_span(
    gauge: &mut rain::Gauge,
    found: Option<&Found>,
    rises: &[Rise],
    touched_ms: Option<Millis>,
    now_ms: Millis,
) -> Option<Millis> {
    let clogged = found.is_some_and(|found| matches!(found.fault, Fault::Clogged { .. }));
    let lasts = gauge.unknown.last().is_some_and(|(_, to_ms)| to_ms.is_none());
    if clogged && !lasts {
        let from_ms = silent_rises(rises).first().map_or(now_ms, |rise| rise.at_ms - SETTLE_MS);
        if gauge.unknown.len() == SPANS {
            gauge.unknown.remove(0);
        }
        gauge.unknown.push((from_ms, None));
        return Some(from_ms);
    }
    if clogged || !lasts {
        return None;
    }
    let (from_ms, to_ms) = gauge.unknown.last_mut()?;
    let seen_to_ms = touched_ms.filter(|touched_ms| touched_ms > from_ms);
    let answered_ms = rises.iter().rev().find(|rise| rise.sign == Sign::Answered).map(|rise| rise.at_ms);
    let end_ms = seen_to_ms.or(answered_ms.filter(|at_ms| at_ms > from_ms)).unwrap_or(now_ms);
    *to_ms = Some(end_ms);
    Some(end_ms)
}

/// The rises since the gauge last answered one.
fn silent_rises(rises: &[Rise]) -> &[Rise] {
    let since = rises.iter().rposition(|rise| rise.sign == Sign::Answered).map_or(0, |at| at + 1);
    rises.get(since..).unwrap_or_default()
}

/// What is wrong with a gauge now, and the rises that say so; `known` is what was found before, `signs` are the rises
/// known then.
fn look(
    scene: &Scene<'_>,
    gauge: usize,
    known: Option<Found>,
    touched_ms: Option<Millis>,
    signs: &[Rise],
) -> (Option<Found>, Vec<Rise>) {
    let touched_or_never_ms = touched_ms.unwrap_or(Millis::MIN);
    let held_ms = scene.now_ms - HOURS_KEPT_MS + 24 * HOUR_MS;
    let from_ms = held_ms.max(touched_or_never_ms);
    let uppers = uppers(scene);
    let kept = signs.iter().copied().filter(|rise| {
        rise.at_ms >= (scene.now_ms - SIGNS_KEPT_MS).max(touched_or_never_ms)
            && rise.at_ms < held_ms + BEGINS_MS
    });
    let mut rises: Vec<Rise> = kept.collect();
    let last_ms = rises.last().map_or(Millis::MIN, |rise| rise.at_ms + APART_MS);
    rises.extend(
        self::rises(scene, gauge, &uppers, from_ms)
            .into_iter()
            .filter(|rise| rise.at_ms >= last_ms && (signs.is_empty() || rise.at_ms >= held_ms + BEGINS_MS)),
    );
    let known =
        known.filter(|known| known.since_ms >= from_ms || touched_ms.is_none_or(|at| at < known.since_ms));
    let answered_ms = rises.iter().rev().find(|rise| rise.sign == Sign::Answered).map(|rise| rise.at_ms);
    let looks: Vec<rain::Look> = rain::looks(scene.hours, Some(gauge), &scene.facts.rain_by_eye)
        .filter(|look| look.heard && look.at_ms >= from_ms)
        .collect();
    let fault =
        clogged(&rises).or_else(|| short(&looks)).or_else(|| wetted_nothing(scene, gauge, &uppers, from_ms));
    let found = match (known, fault) {
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
    };
    (found, rises)
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
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
enum Sign {
    /// It showed rain too.
    Answered,
    /// It rained, and it showed none.
    Missed,
    /// It showed none, and it may have been water that nobody logged.
    Unclear,
}

/// A soaking of the soil, and what it says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Rise {
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
        // The low that it rose from lies after the last rise.
        if found.last().is_some_and(|last| start_ms - last <= SETTLE_MS) {
            continue;
        }
        let before =
            hours[..at].iter().rev().take_while(|(before_ms, _)| start_ms - before_ms <= 24 * HOUR_MS);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (before_ms, before) in before {
            if start_ms - before_ms <= SETTLE_MS { low = low.min(*before) } else { high = high.max(*before) }
        }
        if theta - low >= need
            && (*theta > high + ABOVE || theta - low >= NO_WARMTH * need)
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
    let beds = || uppers.iter().zip(wetted).filter(|(_, wetted)| **wetted).map(|(upper, _)| upper);
    let logged = |upper: &Upper<'_>| scene.facts.given_litres(&upper.bed.name, before_ms, after_ms) > 0.0;
    let asked = |upper: &Upper<'_>| {
        let answers = |one: &Watering| {
            one.asked && one.bed == upper.bed.name && (before_ms..after_ms).contains(&one.at_ms)
        };
        scene.poured.iter().any(answers)
    };
    if shown_mm >= SHOWS_MM.0 || !spoke || beds().any(logged) || beds().all(asked) {
        return None;
    }
    // Rain comes to all beds at once; so does somebody who was asked for one of them and watered the others too.
    let alone = uppers.len() < 2;
    if !alone && !wetted.iter().all(|wetted| *wetted) {
        return None;
    }
    if !alone && !beds().any(asked) {
        return Some(Sign::Missed);
    }
    let mean =
        |probe: Option<usize>, from_ms: Millis| scene.hours.mean(probe?, from_ms, from_ms + 2 * HOUR_MS);
    let Some(rh_pct) = mean(scene.patch.humidity, at_ms - HOUR_MS) else { return Some(Sign::Unclear) };
    if rh_pct < if alone { AIR_PCT.0 } else { AIR_PCT.1 } {
        return None; // a watering
    }
    if rh_pct < AIR_PCT.0 {
        return Some(Sign::Unclear);
    }
    let night = scene.calendar.within(scene.garden.quiet, at_ms);
    let airs = mean(scene.patch.air, at_ms - 4 * HOUR_MS).zip(mean(scene.patch.air, at_ms - HOUR_MS));
    let fell = airs.is_some_and(|(before_c, now_c)| before_c - now_c >= FALLS_C);
    Some(if night || fell { Sign::Missed } else { Sign::Unclear })
}

fn clogged(rises: &[Rise]) -> Option<Fault> {
    let silent = silent_rises(rises);
    let times = u32::try_from(silent.len()).unwrap_or(u32::MAX);
    let sure = silent.iter().filter(|rise| rise.sign == Sign::Missed).count() as u32;
    (times + sure >= OCCASIONS.1).then_some(Fault::Clogged { times, or_watered: sure < OCCASIONS.0 })
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
