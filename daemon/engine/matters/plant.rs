//! Plant: a bed that waits for its plant is warm enough, or too hot inside, to set it out. A note; no letter.
//!
//! Rule: the mean of the last three dawns at about 10 cm reaches the crop's mark (its profile names the source);
//! it is given up a degree below. The core, by the deepest thermometer from 20 cm on or by the day book's
//! `mound core hot`, holds it back from 35 °C on, until it is under 32 °C (judgement: working compost runs over
//! 40 °C and scorches roots, from memory). Which readings make a dawn, and how long a felt heat counts, are
//! judgement.

use chrono::{Days, NaiveDate};

use crate::quantities::Quantity;
use crate::record::{MatterKey, Millis};
use crate::settings::garden::Bed;

use super::super::Trust;
use super::super::calendar::HOUR_MS;
use super::super::foresee::clock;
use super::super::life::{Claim, Matter, Verdict};
use super::super::scene::Scene;

/// The matter this file judges.
pub const KEY: MatterKey = MatterKey::Plant;

/// The lowest reading between these hours is the dawn's.
const DAWN: ((u32, u32), (u32, u32)) = ((3, 0), (9, 0));
/// Dawns that make a mean.
const DAWNS: u64 = 3;
/// Depths that count as about 10 cm, m; the nearest is taken.
const SEED_DEPTH_M: (f64, f64) = (0.04, 0.20);
/// The core lies from this depth on, m.
const CORE_FROM_M: f64 = 0.20;
/// A core is too hot from the second on, until it is under the first, °C.
const CORE_HOT_C: (f64, f64) = (32.0, 35.0);
/// A bed that was warm enough stays so down to this much under its mark, °C.
const STAYS_C: f64 = 1.0;
/// A core that was felt to be hot counts as hot for so many days.
const FELT_DAYS: i64 = 7;
/// The core's trend is taken over so many days.
const TREND_DAYS: i64 = 3;
/// A core that cools slower than this is not said to cool, °C a day.
const COOLS_C: f64 = 0.1;

/// What a bed is like for a plant.
#[derive(Debug, Clone, PartialEq)]
enum Ready {
    /// Not yet known.
    Unknown,
    /// Colder than the mark: by the mean of three dawns.
    Cold(f64),
    /// Warm enough, in words.
    Warm(String),
    /// Too hot inside, in words.
    Hot(String),
}

/// The verdict on one bed.
pub fn judge(scene: &Scene<'_>, bed: &Bed, matter: &Matter) -> Verdict {
    if !waits(scene, bed) {
        return quiet("a plant stands in the bed");
    }
    let stood = matter.claim.as_ref().filter(|_| matter.true_since_ms.is_some()).map(|claim| claim.step);
    let (step, why) = match ready(scene, bed, stood == Some(HOT), stood == Some(WARM)) {
        Ready::Unknown => return Verdict::Unknown,
        Ready::Cold(dawn_c) => return quiet(&cold(bed, dawn_c)),
        Ready::Warm(words) => {
            let since = matter.true_since_ms.filter(|_| stood == Some(WARM)).unwrap_or(scene.now_ms);
            let since = scene.calendar.date(since).format("%-d %B");
            (WARM, format!("warm enough to set out since {since}: {words}"))
        }
        Ready::Hot(words) => (HOT, format!("too hot inside, do not plant yet: {words}")),
    };
    if stood.is_some_and(|stood| stood != step) {
        return quiet(&why); // the other claim begins anew, so that the change is on record
    }
    let note = Claim::note(why, String::new(), scene.now_ms);
    Verdict::Claim(Box::new(Claim { step, ..note }))
}

const WARM: u8 = 0;
const HOT: u8 = 1;

/// How far a bed that waits is from being warm enough, for the page.
pub fn how_far(scene: &Scene<'_>, bed: &Bed) -> Option<String> {
    match ready(scene, bed, false, false) {
        Ready::Cold(dawn_c) if waits(scene, bed) => {
            Some(format!("Still too cold to set out: {}.", cold(bed, dawn_c)))
        }
        _ => None,
    }
}

/// No plant is known to stand in it: none was set out, and nobody has told of leaves, flowers or a fruit.
pub fn waits(scene: &Scene<'_>, bed: &Bed) -> bool {
    let date = scene.date();
    let facts = scene.facts;
    let grows = facts.pollinated(bed).is_some() || facts.flowers_of(&bed.name).next().is_some();
    let planted = facts.planted(bed).is_some_and(|planted| planted <= date);
    !planted && !facts.is_cut(bed, date) && !grows && !facts.is_leafed(bed)
}

fn ready(scene: &Scene<'_>, bed: &Bed, was_hot: bool, was_warm: bool) -> Ready {
    if let Some(words) = core(scene, bed, was_hot) {
        return Ready::Hot(words);
    }
    let Some((depth_m, dawn_c)) = dawns(scene, bed) else { return Ready::Unknown };
    let mark_c = bed.crop.plant_soil_c;
    if dawn_c < mark_c - if was_warm { STAYS_C } else { 0.0 } {
        return Ready::Cold(dawn_c);
    }
    let depth_cm = 100.0 * depth_m;
    Ready::Warm(format!("{dawn_c:.1} °C at {depth_cm:.0} cm, mean of three dawns, mark {mark_c:.1} °C"))
}

fn cold(bed: &Bed, dawn_c: f64) -> String {
    let mark_c = bed.crop.plant_soil_c;
    format!(
        "{dawn_c:.1} °C in the soil, mean of three dawns, mark {mark_c:.1} °C: {:.1} °C short",
        mark_c - dawn_c
    )
}

/// The thermometers near seed depth, whether they are believed or not.
pub fn at_seed_depth(scene: &Scene<'_>, bed: &Bed) -> Vec<usize> {
    let near = |(_, depth_m): &(usize, f64)| (SEED_DEPTH_M.0..=SEED_DEPTH_M.1).contains(depth_m);
    thermometers(scene, bed).filter(near).map(|(ix, _)| ix).collect()
}

/// Soil thermometers of a bed with their depth, those of no bed included.
fn thermometers<'s>(scene: &'s Scene<'_>, bed: &'s Bed) -> impl Iterator<Item = (usize, f64)> + 's {
    let probes = scene.garden.probes.iter().enumerate();
    probes.filter_map(move |(ix, probe)| {
        let here = probe.bed.as_deref().is_none_or(|of| of == bed.name);
        let soil = probe.quantity == Quantity::SoilTemperature && here;
        Some((ix, probe.depth_m.filter(|_| soil)?))
    })
}

/// The same without those that are condemned.
fn believed<'s>(scene: &'s Scene<'_>, bed: &'s Bed) -> impl Iterator<Item = (usize, f64)> + 's {
    thermometers(scene, bed).filter(|(ix, _)| scene.believed(*ix, scene.now_ms) != Trust::Condemned)
}

/// Depth of the thermometer and mean of the last three dawns.
fn dawns(scene: &Scene<'_>, bed: &Bed) -> Option<(f64, f64)> {
    let (probe, depth_m) = believed(scene, bed)
        .filter(|(_, depth_m)| (SEED_DEPTH_M.0..=SEED_DEPTH_M.1).contains(depth_m))
        .min_by(|(_, a), (_, b)| (a - 0.1).abs().total_cmp(&(b - 0.1).abs()))?;
    let today = scene.date();
    let over = scene.now_ms >= scene.calendar.at(today, clock(DAWN.1));
    let last = if over { today } else { today.checked_sub_days(Days::new(1))? };
    let mut sum_c = 0.0;
    for ago in 0..DAWNS {
        sum_c += dawn(scene, probe, last.checked_sub_days(Days::new(ago))?)?;
    }
    Some((depth_m, sum_c / DAWNS as f64))
}

fn dawn(scene: &Scene<'_>, probe: usize, date: NaiveDate) -> Option<f64> {
    let at = |time| scene.calendar.at(date, clock(time));
    scene.hours.extremes(probe, at(DAWN.0), at(DAWN.1)).map(|(low_c, _)| low_c)
}

/// The core is too hot: how hot, and when it may be cool enough.
fn core(scene: &Scene<'_>, bed: &Bed, was_hot: bool) -> Option<String> {
    let deepest = believed(scene, bed)
        .filter(|(_, depth_m)| *depth_m >= CORE_FROM_M)
        .max_by(|(_, a), (_, b)| a.total_cmp(b));
    let day = 24 * HOUR_MS;
    let mean = |probe: usize, to_ms: Millis| scene.hours.mean(probe, to_ms - day, to_ms);
    let measured = deepest.and_then(|(probe, depth_m)| Some((probe, depth_m, mean(probe, scene.now_ms)?)));
    let Some((probe, depth_m, core_c)) = measured else {
        let felt =
            scene.facts.core_hot(&bed.name).filter(|felt| (scene.date() - *felt).num_days() < FELT_DAYS)?;
        return Some(format!("the core was felt to be hot on {}; feel it again", felt.format("%-d %B")));
    };
    if core_c < if was_hot { CORE_HOT_C.0 } else { CORE_HOT_C.1 } {
        return None;
    }
    let before_c = mean(probe, scene.now_ms - TREND_DAYS * day);
    let falls_c = before_c.map(|before_c| (before_c - core_c) / TREND_DAYS as f64);
    let trend = match falls_c {
        Some(falls_c) if falls_c >= COOLS_C => {
            let days = ((core_c - CORE_HOT_C.0) / falls_c).round().max(1.0);
            let on = scene.date().checked_add_days(Days::new(days as u64));
            let on = on.map_or(String::new(), |on| format!(", cool enough about {}", on.format("%-d %B")));
            format!("cooling {falls_c:.1} °C a day{on}")
        }
        Some(falls_c) if falls_c <= -COOLS_C => format!("warming {:.1} °C a day", -falls_c),
        Some(_) => "not cooling".to_owned(),
        None => "its trend is not known yet".to_owned(),
    };
    Some(format!("{core_c:.0} °C at {:.0} cm, {trend}; mark {:.0} °C", 100.0 * depth_m, CORE_HOT_C.0))
}

fn quiet(why: &str) -> Verdict {
    Verdict::Quiet { why: why.to_owned(), withdraw: false }
}
