//! Blind: what a bed's advice rests on cannot be seen, so that some of it is a guess or cannot be given.
//!
//! Rules (the times and shares are judgement):
//! - *Water*: no moisture probe of the bed can be trusted, though one has spoken, and the book that goes on alone is
//!   no longer enough: nobody sees the rain either; or the book's own spread has passed a third of the way to the
//!   stress mark; or no probe and no hand has felt the soil for three days; or by the book the bed is past its stress
//!   mark, where an error costs growth. Before that the book alone speaks, with its ±. A finger test is sight for a
//!   day, and the three days begin anew with it.
//! - *Shade* and *cover*: neither the air nor the shallow soil is read, while the season makes it a question: the usual
//!   day or night of the place, 1.5 of its standard deviations hotter or colder, reaches the mark. With the card's
//!   three sensors they are guesses by design, and said so with their ±: that is not blind.
//! - *Plant*: a bed waits for its plant, the season makes it a question, and no thermometer near seed depth is read. A
//!   note, as the matter itself.
//!
//! While water is unseen no other letter about it is sent, but a bed past its stress mark by the book is told at once,
//! in the night too. What was never measured is no blindness: `check` says it. Told once, with the gear that caused it:
//! a claim waits for that letter for two hours. A bed sees again when a probe has spoken twice.

use chrono::Datelike;

use agronomy::climate;

use crate::quantities::Quantity;
use crate::record::{Content, Decision, Fault, MatterKey, Millis, Stand, Unseen, Urgency};
use crate::settings::garden::Bed;

use super::super::Trust;
use super::super::calendar::{HOUR_MS, MINUTE_MS};
use super::super::life::{Claim, Matter, Verdict};
use super::super::people;
use super::super::scene::{Estimate, Scene};
use super::plant;

/// The matter this file judges.
pub const KEY: MatterKey = MatterKey::Blind;

const DAY_MS: Millis = 24 * HOUR_MS;
/// The book alone is believed so long.
const ALONE_MS: Millis = 3 * DAY_MS;
/// Its own spread may be this share of the way from full to stress.
const WIDE_SHARE: f64 = 0.35;
/// A bed that was called dry is so down to this share of the stress mark.
const STAYS_DRY_SHARE: f64 = 0.85;
/// The letter about the gear is waited for, and for how long where the bed is dry: gear is gathered for 20 minutes.
const WAITS_MS: Millis = 2 * HOUR_MS;
const WAITS_DRY_MS: Millis = 30 * MINUTE_MS;
/// The season asks for shade or cover if a day so unusual would, standard deviations.
const UNUSUAL_SD: f64 = 1.5;
/// A probe sees again when it has spoken so often within so long.
const SPEAKS: (u32, Millis) = (2, 3 * HOUR_MS);

/// What of a bed's decisions cannot be judged now; `matter` says what could not be before.
pub fn unseen(scene: &Scene<'_>, bed: &Bed, estimate: Option<&Estimate>, matter: &Matter) -> Vec<Unseen> {
    if !scene.facts.is_growing(bed, scene.date()) || scene.ended(bed).is_some() {
        return plant(scene, bed, matter).into_iter().collect();
    }
    let plant = || plant(scene, bed, matter);
    let was = |decision: Decision| {
        let told =
            matter.claim.as_ref().filter(|_| matter.is_told()).and_then(|claim| claim.content.as_ref());
        matches!(told, Some(Content::Blind { unseen, .. }) if unseen.iter().any(|one| one.decision == decision))
    };
    let water = water(scene, bed, estimate, was(Decision::Water));
    let shade = || {
        let (usual_c, sd_c) = usual_air_c(scene, Decision::Shade)?;
        let asked = scene.fruit_exposed(bed) && usual_c + UNUSUAL_SD * sd_c >= bed.shade_c;
        air(scene, Decision::Shade, asked, was(Decision::Shade))
    };
    let cover = || {
        let (usual_c, sd_c) = usual_air_c(scene, Decision::Cover)?;
        let asked = usual_c - UNUSUAL_SD * sd_c <= bed.cover_c;
        air(scene, Decision::Cover, asked, was(Decision::Cover))
    };
    [water, shade(), cover(), plant()].into_iter().flatten().collect()
}

/// The verdict on one bed.
pub fn judge(
    scene: &Scene<'_>,
    bed: &Bed,
    unseen: Vec<Unseen>,
    estimate: Option<&Estimate>,
    matter: &Matter,
) -> Verdict {
    if unseen.is_empty() {
        let asked = scene.facts.is_growing(bed, scene.date());
        // Nobody is woken to hear that all is well.
        if asked && matter.is_told() && scene.is_quiet() {
            return Verdict::Unknown;
        }
        // Whoever felt the soil knows it.
        let felt = felt_ms(scene, bed).is_some_and(|felt_ms| scene.now_ms - felt_ms < DAY_MS);
        let why = if felt { "the soil was felt" } else { "it can be seen again" };
        return Verdict::Quiet { why: why.to_owned(), withdraw: asked && !felt };
    }
    if unseen.iter().all(|one| one.decision == Decision::Plant) {
        // What stands on the page only goes missing there only; the fault itself is told.
        return Verdict::Claim(Box::new(Claim::note(
            why(scene, &unseen, false),
            String::new(),
            scene.now_ms,
        )));
    }
    let was_note = matter.claim.as_ref().is_some_and(|claim| claim.content.is_none());
    if matter.stand == Stand::Standing && was_note {
        // What is told begins anew.
        return Verdict::Quiet { why: why(scene, &unseen, false), withdraw: false };
    }
    let Some(person) = scene.asked() else { return Verdict::Unknown };
    let water = unseen.iter().any(|one| one.decision == Decision::Water);
    let estimate = estimate.filter(|_| water);
    let dry = estimate.is_some_and(|estimate| is_dry(estimate, was_dry(matter)));
    let since_ms = matter.true_since_ms.unwrap_or(scene.now_ms);
    // A probe that comes and goes is told of once a day.
    let last_ms = matter.last_told_ms().filter(|_| !matter.is_told()).map_or(Millis::MIN, |ms| ms + DAY_MS);
    let waits_ms = if dry { WAITS_DRY_MS } else { WAITS_MS };
    let ripe_ms = (since_ms + waits_ms).max(last_ms).max(scene.now_ms);
    let tell_ms = if dry { ripe_ms } else { people::out_of_quiet(scene.garden, scene.calendar, ripe_ms) };
    Verdict::Claim(Box::new(Claim {
        why: why(scene, &unseen, dry),
        urgency: if dry { Urgency::Now } else { Urgency::Today },
        by_ms: None,
        litres: None,
        step: unseen.iter().filter(|one| one.decision != Decision::Plant).count() as u8
            + if dry { 4 } else { 0 },
        content: Some(Content::Blind {
            unseen,
            litres: estimate
                .map(|now| (now.depletion_mm.max(0.0) * now.rooted_m2, now.sd_mm * now.rooted_m2)),
            dry,
        }),
        hold_ms: 0,
        tell_ms,
        repeat_after_ms: Millis::MAX / 4,
        person: person.name.clone(),
    }))
}

/// What the matter of water is while it cannot be judged: whoever was told to water stays told, and nobody is told
/// anew.
pub fn in_place_of_water(water: &Matter) -> Verdict {
    if water.is_told() {
        return Verdict::Unknown;
    }
    Verdict::Quiet { why: "it cannot be judged: the bed is blind for it".to_owned(), withdraw: false }
}

fn water(scene: &Scene<'_>, bed: &Bed, estimate: Option<&Estimate>, was: bool) -> Option<Unseen> {
    let estimate = estimate.filter(|_| !scene.frozen(bed, scene.now_ms))?;
    let is_moisture = |ix: usize| {
        let probe = &scene.garden.probes.get(ix);
        let learned = scene.known.get(ix).is_some_and(|known| known.line.is_some());
        probe.is_some_and(|probe| {
            probe.bed.as_deref() == Some(&bed.name)
                && (probe.quantity == Quantity::SoilMoisture
                    || probe.quantity == Quantity::SoilCounts && learned)
        })
    };
    let probes: Vec<usize> = (0..scene.garden.probes.len()).filter(|ix| is_moisture(*ix)).collect();
    let since_ms = lost_since(scene, &probes, was)?;
    let felt_ms = felt_ms(scene, bed);
    if felt_ms.is_some_and(|felt_ms| scene.now_ms - felt_ms < DAY_MS) {
        return None;
    }
    let no_rain = !sees_rain(scene);
    let alone_ms = scene.now_ms - felt_ms.map_or(since_ms, |felt_ms| felt_ms.max(since_ms));
    let wide = estimate.book_sd_mm > WIDE_SHARE * estimate.marks.raw_mm;
    let blind = was || no_rain || wide || alone_ms >= ALONE_MS || is_dry(estimate, false);
    let guess = Some((estimate.depletion_mm.max(0.0), estimate.sd_mm));
    blind.then_some(Unseen { decision: Decision::Water, since_ms, no_rain, guess })
}

/// A bed that waits for its plant cannot be called warm enough.
fn plant(scene: &Scene<'_>, bed: &Bed, matter: &Matter) -> Option<Unseen> {
    let day = u16::try_from(scene.date().ordinal()).ok()?;
    let usual = climate::usual(scene.garden.place.latitude_deg, day).ok()?;
    let (usual_c, sd_c) = (usual.air_mean_c, usual.air_mean_sd_c);
    let asked = plant::waits(scene, bed) && usual_c + UNUSUAL_SD * sd_c >= bed.crop.plant_soil_c;
    let probes = plant::at_seed_depth(scene, bed);
    let since_ms = lost_since(scene, &probes, matter.stand == Stand::Standing).filter(|_| asked)?;
    Some(Unseen { decision: Decision::Plant, since_ms, no_rain: false, guess: Some((usual_c, sd_c)) })
}

/// When the soil was last felt by hand.
fn felt_ms(scene: &Scene<'_>, bed: &Bed) -> Option<Millis> {
    scene.facts.felt(&bed.name, Millis::MIN, scene.now_ms + 1).map(|(at_ms, _)| at_ms).max()
}

fn air(scene: &Scene<'_>, decision: Decision, asked: bool, was: bool) -> Option<Unseen> {
    let probes: Vec<usize> = [scene.patch.air, scene.patch.soil].into_iter().flatten().collect();
    let since_ms = lost_since(scene, &probes, was).filter(|_| asked)?;
    Some(Unseen { decision, since_ms, no_rain: false, guess: usual_air_c(scene, decision) })
}

/// When the last of these probes was last to be trusted, if none is now and one was ever heard; `was`: it is known to
/// be blind, and sees again only when one has spoken twice.
fn lost_since(scene: &Scene<'_>, probes: &[usize], was: bool) -> Option<Millis> {
    let lost = |ix: &usize| match scene.trusts.get(*ix) {
        Some(Trust::Missing | Trust::Condemned) => true,
        _ => was && !speaks(scene, *ix),
    };
    if !probes.iter().all(lost) {
        return None;
    }
    let last = |ix: &usize| {
        let watch = scene.watches.get(*ix)?;
        let (last_ms, _) = watch.last?;
        let condemned = watch.belief.at(scene.now_ms).filter(|span| span.trust == Trust::Condemned);
        Some(condemned.map_or(last_ms, |span| span.from_ms.min(last_ms)))
    };
    probes.iter().filter_map(last).max()
}

fn speaks(scene: &Scene<'_>, probe: usize) -> bool {
    let readings = scene.hours.range(probe, scene.now_ms - SPEAKS.1, scene.now_ms + 1);
    readings.map(|(_, hour)| hour.n).sum::<u32>() >= SPEAKS.0
}

/// Somebody sees how much it rains: the gauge, or an eye within a day. Without a gauge nobody promised to.
fn sees_rain(scene: &Scene<'_>) -> bool {
    let Some(gauge) = scene.patch.rain else { return true };
    let silent = matches!(scene.trusts.get(gauge), Some(Trust::Missing | Trust::Condemned));
    let found = scene.gauges.get(gauge).and_then(|gauge| gauge.found.as_ref());
    let clogged = found.is_some_and(|found| matches!(found.fault, Fault::Clogged { .. }));
    let by_eye = scene.facts.rain_by_eye.iter().any(|(at_ms, _)| scene.now_ms - at_ms < DAY_MS);
    by_eye || !(silent || clogged)
}

fn is_dry(estimate: &Estimate, was: bool) -> bool {
    estimate.depletion_mm >= if was { STAYS_DRY_SHARE } else { 1.0 } * estimate.marks.raw_mm
}

fn was_dry(matter: &Matter) -> bool {
    matter.is_told() && matter.told_step >= 4
}

/// The usual highest air of a day, or lowest of a night, and its standard deviation, °C.
fn usual_air_c(scene: &Scene<'_>, decision: Decision) -> Option<(f64, f64)> {
    let day = u16::try_from(scene.date().ordinal()).ok()?;
    let usual = climate::usual(scene.garden.place.latitude_deg, day).ok()?;
    let (half_c, half_sd_c) = (usual.air_range_c / 2.0, usual.air_range_sd_c / 2.0);
    let sd_c = usual.air_mean_sd_c.hypot(half_sd_c);
    Some((usual.air_mean_c + if decision == Decision::Shade { half_c } else { -half_c }, sd_c))
}

fn why(scene: &Scene<'_>, unseen: &[Unseen], dry: bool) -> String {
    let parts: Vec<String> = unseen
        .iter()
        .map(|one| {
            let hours = (scene.now_ms - one.since_ms) as f64 / HOUR_MS as f64;
            let guess = match (one.guess, one.decision) {
                (Some((mm, sd)), Decision::Water) => format!("; by the book alone {mm:.0} ± {sd:.0} mm used"),
                (Some((usual_c, sd)), _) => format!("; the usual is {usual_c:.0} ± {sd:.0} °C"),
                (None, _) => String::new(),
            };
            let rain = if one.no_rain { ", nor is rain" } else { "" };
            format!("{} not seen for {hours:.0} h{rain}{guess}", one.decision.key())
        })
        .collect();
    format!("{}{}", parts.join("; "), if dry { "; past the stress mark by the book" } else { "" })
}
