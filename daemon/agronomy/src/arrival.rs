//! Water that came into a bed, read off its moisture probes: millimetres at each depth and in all.
//!
//! The balance is the plain one of the soil column: what came = what is there more than before + what was
//! drawn meanwhile. No published rule fits a few cheap probes in a made bed; which soil a probe speaks for,
//! the limits and the errors are this project's judgement, said beside each.

use alloc::vec::Vec;

use crate::error::{Error, within};
use crate::real::sqrt;
use crate::soil::probe_weights_m;

/// Less than this is not called water, mm over the rooted area (judgement: two cans on a large bed).
pub const LEAST_MM: f64 = 2.0;
/// So many standard deviations of what probes do of their own accord it must stand out by (judgement).
pub const STANDS_OUT: f64 = 3.0;
/// Hours before and after that make one level each: one hour's value errs by the probe's own noise.
pub const SPAN_HOURS: usize = 3;
/// Least error of a difference of two levels, m³/m³: the step of a cheap probe's number (judgement).
pub const SWAY_FLOOR: f64 = 0.001;
/// What a probe may do of its own accord when its past is not known, m³/m³ (judgement).
pub const SWAY_UNKNOWN: f64 = 0.004;
/// Error of the drying reckoned with, as a share of it (judgement).
const DRYING_ERROR: f64 = 0.5;
/// Error of the amount, as a share of it: water does not wet evenly, and a probe sees one spot (judgement).
const UNEVEN: f64 = 0.3;
/// So near to its pores full a probe can't show what else came, m³/m³ (judgement).
const BRIM: f64 = 0.01;

/// One moisture probe before and after.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Depth<'a> {
    /// Its depth, m, 0 to 5.
    pub depth_m: f64,
    /// Hourly water contents before, m³/m³ 0 to 1, `None` where nothing was read.
    pub before: &'a [Option<f64>],
    /// Hourly water contents after.
    pub after: &'a [Option<f64>],
    /// Water content with all pores filled, 0 to 1.
    pub saturated: f64,
    /// Standard deviation of what this probe does of its own accord between two such spans, m³/m³, 0 to 1:
    /// see [`sway`].
    pub sway: f64,
}

/// What is known of the time between the middles of the two spans.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Meanwhile {
    /// What plant and air drew from the root zone, mm, 0 to 200.
    pub drying_mm: f64,
    /// Water that is accounted for otherwise (rain, water still sinking from earlier), mm, 0 to 4000.
    pub known_mm: f64,
    /// Standard deviation of that, mm, 0 to 4000.
    pub known_sd_mm: f64,
}

/// What arrived at one probe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrived {
    /// Its depth, m.
    pub depth_m: f64,
    /// Water that came into the soil this probe speaks for, mm over the rooted area, from 0; what is
    /// accounted for otherwise is in it.
    pub mm: f64,
    /// It stands at its pores full: more may have come than it shows.
    pub brimful: bool,
}

/// What arrived in a bed.
#[derive(Debug, Clone, PartialEq)]
pub struct Arrival {
    /// By probe, in the order given; probes that did not speak both before and after are left out.
    pub depths: Vec<Arrived>,
    /// Water that came beyond what is accounted for, mm over the rooted area, from 0.
    pub total_mm: f64,
    /// Standard deviation of `total_mm` as an amount, mm.
    pub sd_mm: f64,
    /// What `total_mm` would sway by with no water at all, mm (one standard deviation).
    pub noise_mm: f64,
    /// How far it stands out: `total_mm` over what it must reach; from 1 on it is water.
    pub ratio: f64,
    /// A probe stands at its pores full: the amount is a least one.
    pub brimful: bool,
    /// One depth alone spoke: what passed by it, or hangs above it, is not seen.
    pub one_depth: bool,
}

impl Arrival {
    /// It is water, and not what probes do of their own accord.
    pub fn is_significant(&self) -> bool {
        self.ratio >= 1.0
    }
}

/// Millimetres that arrived between two spans of hours, by probe and in all; `None` when no probe spoke in
/// both.
///
/// At each probe: `1000 w (after - before + drying / (1000 z))`, with the means of the hours read, `w` the
/// metres of soil it speaks for now (see [`wetted_m`]) and `z` the rooted depth. The total is their sum less
/// `known_mm`, not under 0, and 0 where the soil itself reads no wetter than before: a falling series never
/// gives water. It is water from `max(3 sd, 2 mm)` on.
///
/// `rooted_depth_m` 0.05 to 3; values outside the ranges of the fields are an [`Error`].
pub fn arrived(
    probes: &[Depth<'_>],
    rooted_depth_m: f64,
    meanwhile: &Meanwhile,
) -> Result<Option<Arrival>, Error> {
    let z = within("rooted_depth_m", rooted_depth_m, 0.05, 3.0, "0.05 to 3 m")?;
    let drying_mm = within("drying_mm", meanwhile.drying_mm, 0.0, 200.0, "0 to 200 mm")?;
    let known_mm = within("known_mm", meanwhile.known_mm, 0.0, 4000.0, "0 to 4000 mm")?;
    let known_sd_mm = within("known_sd_mm", meanwhile.known_sd_mm, 0.0, 4000.0, "0 to 4000 mm")?;
    let mut spoke = Vec::with_capacity(probes.len());
    for probe in probes {
        within("depth_m", probe.depth_m, 0.0, 5.0, "0 to 5 m")?;
        within("saturated", probe.saturated, 0.0, 1.0, "0 to 1 m³/m³")?;
        within("sway", probe.sway, 0.0, 1.0, "0 to 1 m³/m³")?;
        if let (Some(before), Some(after)) = (level(probe.before)?, level(probe.after)?) {
            spoke.push((probe, before, after));
        }
    }
    if spoke.is_empty() {
        return Ok(None);
    }
    let places: Vec<f64> = spoke.iter().map(|(probe, ..)| probe.depth_m).collect();
    let weights = wetted_m(&places, z)?;
    let (mut depths, mut seen_mm, mut dried_mm, mut noise) = (Vec::new(), 0.0, 0.0, 0.0);
    for ((probe, before, after), weight_m) in spoke.iter().zip(&weights) {
        let rise_mm = 1000.0 * weight_m * (after.0 - before.0);
        let dry_mm = drying_mm * weight_m / z;
        seen_mm += rise_mm;
        dried_mm += dry_mm;
        // Levels of fewer hours err more.
        let thin = (1.0 / before.1 + 1.0 / after.1) * SPAN_HOURS as f64 / 2.0;
        let sway_mm = 1000.0 * weight_m * probe.sway.max(SWAY_FLOOR);
        noise += sway_mm * sway_mm * thin.max(1.0);
        let brimful = after.0 >= probe.saturated - BRIM;
        depths.push(Arrived { depth_m: probe.depth_m, mm: (rise_mm + dry_mm).max(0.0), brimful });
    }
    let drying_sd_mm = DRYING_ERROR * dried_mm;
    let noise_mm = sqrt(noise + drying_sd_mm * drying_sd_mm + known_sd_mm * known_sd_mm);
    let total_mm = if seen_mm > 0.0 { (seen_mm + dried_mm - known_mm).max(0.0) } else { 0.0 };
    let uneven_mm = UNEVEN * total_mm;
    let first_m = depths[0].depth_m;
    Ok(Some(Arrival {
        total_mm,
        sd_mm: sqrt(noise_mm * noise_mm + uneven_mm * uneven_mm),
        noise_mm,
        ratio: total_mm / (STANDS_OUT * noise_mm).max(LEAST_MM),
        brimful: depths.iter().any(|depth| depth.brimful),
        one_depth: depths.iter().all(|depth| (depth.depth_m - first_m).abs() < 0.01),
        depths,
    }))
}

/// How many metres of soil each probe speaks for in the hours after water came: those of
/// [`probe_weights_m`], but below the deepest probe only as far as above it. Water from above has wetted the
/// soil over a probe by the time it shows there, and has hardly gone further below it (judgement, held
/// against made soils of two textures: within a third from three hours on).
///
/// Ranges as there.
pub fn wetted_m(depths_m: &[f64], rooted_depth_m: f64) -> Result<Vec<f64>, Error> {
    within("depths_m", depths_m.len() as f64, 1.0, 1000.0, "1 to 1000 probes")?;
    let deepest_m = depths_m.iter().copied().fold(0.0, f64::max);
    let next_m = depths_m
        .iter()
        .copied()
        .filter(|depth| *depth < deepest_m - 1e-9)
        .fold(None, |next, depth| Some(next.map_or(depth, |next: f64| next.max(depth))));
    let above_m = next_m.map_or(deepest_m, |next| (deepest_m - next) / 2.0);
    probe_weights_m(depths_m, rooted_depth_m.min((deepest_m + above_m).max(0.05)))
}

/// Standard deviation of what a probe does of its own accord between a span of hours and the span that lies
/// `lag` hours on, m³/m³: its noise, its wave with the day's warmth. From its hourly past, gaps as `None`: the
/// difference that 70 of 100 such stay under, over 0.524 (which is one standard deviation of a bell curve;
/// of a daily wave it is 1.1 times the most). Drying does not widen it, nor does a daily watering, which
/// raises a quarter of the differences. At least [`SWAY_FLOOR`]; `None` from fewer than 40 differences, which
/// are two days.
///
/// Values 0 to 1; anything else is an [`Error`].
pub fn sway(past: &[Option<f64>], lag: usize) -> Result<Option<f64>, Error> {
    let mut steps = Vec::new();
    for at in SPAN_HOURS..past.len().saturating_sub(lag + SPAN_HOURS - 1) {
        let before = level(&past[at - SPAN_HOURS..at])?;
        let after = level(&past[at + lag..at + lag + SPAN_HOURS])?;
        if let (Some(before), Some(after)) = (before, after) {
            steps.push(after.0 - before.0);
        }
    }
    if steps.len() < 40 {
        return Ok(None);
    }
    steps.sort_by(f64::total_cmp);
    Ok(Some((steps[steps.len() * 70 / 100] / 0.524).max(SWAY_FLOOR)))
}

/// Mean of the hours read, and how many they were.
fn level(hours: &[Option<f64>]) -> Result<Option<(f64, f64)>, Error> {
    let (mut sum, mut n) = (0.0, 0.0);
    for theta in hours.iter().flatten() {
        sum += within("theta", *theta, 0.0, 1.0, "0 to 1 m³/m³")?;
        n += 1.0;
    }
    Ok((n > 0.0).then(|| (sum / n, n)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(depth_m: f64, before: &'static [Option<f64>], after: &'static [Option<f64>]) -> Depth<'static> {
        Depth { depth_m, before, after, saturated: 0.46, sway: 0.001 }
    }

    const DRY: &[Option<f64>] = &[Some(0.20), Some(0.20), None];
    const WET: &[Option<f64>] = &[Some(0.25), None, Some(0.25)];

    #[test]
    fn water_is_the_rise_and_what_was_drawn_meanwhile() {
        // 15 cm in 45 cm of roots: it speaks for 30 cm. 0.05 × 300 mm, and two thirds of 3 mm drawn.
        let meanwhile = Meanwhile { drying_mm: 3.0, ..Meanwhile::default() };
        let out = arrived(&[one(0.15, DRY, WET)], 0.45, &meanwhile).unwrap().unwrap();
        assert!((out.total_mm - 17.0).abs() < 1e-9, "{out:?}");
        assert!(out.is_significant() && out.one_depth && !out.brimful);
        // Rain accounts for its part.
        let rain = Meanwhile { known_mm: 16.0, known_sd_mm: 4.0, ..meanwhile };
        let out = arrived(&[one(0.15, DRY, WET)], 0.45, &rain).unwrap().unwrap();
        assert!((out.total_mm - 1.0).abs() < 1e-9 && !out.is_significant(), "{out:?}");
    }

    #[test]
    fn drying_alone_gives_no_water() {
        let meanwhile = Meanwhile { drying_mm: 30.0, ..Meanwhile::default() };
        for after in [DRY, &[Some(0.19)]] {
            let out = arrived(&[one(0.15, DRY, after)], 0.45, &meanwhile).unwrap().unwrap();
            assert_eq!((out.total_mm, out.is_significant()), (0.0, false));
        }
    }

    #[test]
    fn what_it_cannot_tell_is_said() {
        let full: &[Option<f64>] = &[Some(0.455)];
        let two = [one(0.1, DRY, full), one(0.3, DRY, DRY), one(0.2, &[None], full)];
        let out = arrived(&two, 0.45, &Meanwhile::default()).unwrap().unwrap();
        assert!(out.brimful && !out.one_depth && out.depths.len() == 2, "{out:?}");
        assert!((out.depths[0].mm - 51.0).abs() < 1e-9 && out.depths[1].mm == 0.0, "{out:?}");
        assert_eq!(arrived(&[one(0.1, &[None], full)], 0.45, &Meanwhile::default()), Ok(None));
        assert!(arrived(&[one(0.1, &[Some(1.2)], full)], 0.45, &Meanwhile::default()).is_err());
    }

    #[test]
    fn a_probe_speaks_for_what_lies_over_it_and_as_much_below() {
        assert_eq!(wetted_m(&[0.15], 0.45).unwrap(), [0.3]);
        assert_eq!(wetted_m(&[0.15], 0.2).unwrap(), [0.2]);
        let two = wetted_m(&[0.3, 0.1], 0.6).unwrap();
        assert!((two[0] - 0.2).abs() < 1e-9 && (two[1] - 0.2).abs() < 1e-9, "{two:?}");
    }

    #[test]
    fn a_daily_wave_is_sway_and_a_watering_is_not() {
        let wave = |hour: usize| 0.3 + 0.01 * libm::sin(hour as f64 * crate::real::PI / 12.0);
        let past: Vec<Option<f64>> = (0..72).map(|hour| Some(wave(hour))).collect();
        let waving = sway(&past, 3).unwrap().unwrap();
        // The largest difference of such two spans stays under three of these.
        let most = (3..60).map(|at| wave(at + 4) - wave(at - 2)).fold(0.0, f64::max);
        assert!(most < STANDS_OUT * waving && most > waving, "{most} {waving}");
        let watered: Vec<Option<f64>> =
            (0..72).map(|hour| Some(0.3 + if hour >= 40 { 0.08 } else { 0.0 })).collect();
        assert_eq!(sway(&watered, 3).unwrap(), Some(SWAY_FLOOR));
        assert_eq!(sway(&past[..40], 3), Ok(None));
    }
}
