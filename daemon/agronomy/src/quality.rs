//! Is a soil moisture probe telling the truth: the published quality rules on an hourly series with gaps.
//!
//! Source: Dorigo et al. 2013, "Global automated quality control of in situ soil moisture data from the
//! International Soil Moisture Network", Vadose Zone Journal 12(3), doi 10.2136/vzj2012.0097 (flags C01 to
//! D10), as coded in flagit 0.3, which the tests hold every flag against. Flagit reads soil moisture in
//! **percent** (its own text says m³/m³); here it is m³/m³ throughout, and thresholds are stated in it.
//!
//! Derivatives are those of a Savitzky-Golay filter of window 3 and order 2, per hour: x' = (x₊ − x₋)/2,
//! x'' = x₋ − 2x + x₊, the end values repeated beyond the ends; `None` beside a gap.
//!
//! Where we differ, and why:
//! - [`Flag::Repeated`] is ours: the exactly same value for 24 h and more. D09 also takes a slow dry-down after
//!   a break for a plateau (a slope of 0.0002 m³/m³ an hour passes its variance test: 50 such hours were flagged
//!   in a run of flagit 0.3), so "stuck" asks for exact repeats, and 24 of them because real soil at night
//!   repeats at a resolution of 0.001.
//! - D04 counts irrigation as rain, and says nothing where no rain was measured within the day.
//! - D03 and D05 need a land surface model and are not here.
//! - D10 takes the highest value of the series given, not of two years, and the whole span of low variance.
//! - D06 to D10 look ahead up to 25 hours: a live run knows them so much later. C01 to C03 and D04 do not.

mod drift;
mod plateaus;

use alloc::vec;
use alloc::vec::Vec;

use crate::error::{Error, within};
use crate::real::sqrt;

pub use drift::{Creep, creep};

/// One flag of the network, or our own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flag {
    /// Below 0.
    C01,
    /// Above 0.60 m³/m³.
    C02,
    /// Above saturation (Saxton-Rawls, or the settings').
    C03,
    /// Soil below 0 °C: ice is not seen by a moisture probe.
    D01,
    /// Air below 0 °C.
    D02,
    /// Rose in the last hour and over the last 24 h, without water from above.
    D04,
    /// A spike of one or two hours.
    D06,
    /// A break downward.
    D07,
    /// A break upward.
    D08,
    /// A low plateau after a break downward.
    D09,
    /// A plateau near the highest value.
    D10,
    /// The exactly same value for 24 h and more (ours).
    Repeated,
}

impl Flag {
    /// All flags, in the order of their bits.
    pub const ALL: [Flag; 12] = [
        Flag::C01,
        Flag::C02,
        Flag::C03,
        Flag::D01,
        Flag::D02,
        Flag::D04,
        Flag::D06,
        Flag::D07,
        Flag::D08,
        Flag::D09,
        Flag::D10,
        Flag::Repeated,
    ];

    /// The network's code; "repeated" for ours.
    pub fn key(self) -> &'static str {
        match self {
            Flag::C01 => "C01",
            Flag::C02 => "C02",
            Flag::C03 => "C03",
            Flag::D01 => "D01",
            Flag::D02 => "D02",
            Flag::D04 => "D04",
            Flag::D06 => "D06",
            Flag::D07 => "D07",
            Flag::D08 => "D08",
            Flag::D09 => "D09",
            Flag::D10 => "D10",
            Flag::Repeated => "repeated",
        }
    }
}

/// The flags of one hour; none = good.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Flags(u16);

impl Flags {
    /// Whether a flag is set.
    pub fn has(self, flag: Flag) -> bool {
        self.0 & (1 << flag as u16) != 0
    }

    /// No flag is set.
    pub fn is_good(self) -> bool {
        self.0 == 0
    }

    fn set(&mut self, flag: Flag) {
        self.0 |= 1 << flag as u16;
    }
}

/// An hourly series and what stands beside it. Values beyond the end of a shorter slice are unknown.
#[derive(Debug, Clone, Copy, Default)]
pub struct Series<'a> {
    /// Volumetric water content, m³/m³; a gap is `None`. Any finite value: to judge it is the task.
    pub theta: &'a [Option<f64>],
    /// Rain and irrigation of each hour, mm, 0 and more.
    pub water_mm: &'a [Option<f64>],
    /// Soil temperature, °C.
    pub soil_c: &'a [Option<f64>],
    /// Air temperature, °C.
    pub air_c: &'a [Option<f64>],
    /// Water content at saturation, m³/m³, 0.2 to 0.9; `None` leaves C03 out.
    pub saturation: Option<f64>,
    /// Depth of the probe, m, 0 to 3. D04 is for depths under 0.10 m; 0 or unknown takes 0.2 mm as least rain.
    pub depth_m: Option<f64>,
}

/// Highest plausible water content, m³/m³ (C02).
const MOST: f64 = 0.60;
/// Least rain of 24 h that may explain a rise where the depth is unknown, mm (flagit 0.3).
const LEAST_RAIN_MM: f64 = 0.2;
/// D04 is for shallower probes only, m.
const D04_DEPTH_M: f64 = 0.10;
/// Exactly repeated values of so many hours are no soil (judgement).
pub const REPEATED_H: usize = 24;
/// Half the window around an hour, h.
const HALF_DAY: usize = 12;

/// The flags of every hour of a series.
///
/// # Errors
/// A water content, a depth, a saturation or an amount of water that is outside its range or not finite.
pub fn flags(series: &Series<'_>) -> Result<Vec<Flags>, Error> {
    check(series)?;
    let theta = series.theta;
    let mut flags = vec![Flags::default(); theta.len()];
    let bends = bends(theta);
    let slopes = slopes(theta);
    for at in 0..theta.len() {
        let Some((value, of)) = known(theta, at).zip(flags.get_mut(at)) else { continue };
        let mut set = |flag, is: bool| {
            if is {
                of.set(flag);
            }
        };
        set(Flag::C01, value < 0.0);
        set(Flag::C02, value > MOST);
        set(Flag::C03, series.saturation.is_some_and(|saturation| value > saturation));
        set(Flag::D01, known(series.soil_c, at).is_some_and(|soil_c| soil_c < 0.0));
        set(Flag::D02, known(series.air_c, at).is_some_and(|air_c| air_c < 0.0));
        set(Flag::D04, rise_without_water(series, at).unwrap_or(false));
        let second_hour = peak(theta, at.wrapping_sub(1)) == 2 && is_spike(theta, &bends, at.wrapping_sub(1));
        set(Flag::D06, is_spike(theta, &bends, at) || second_hour);
        match is_break(theta, &slopes, &bends, at) {
            Some(down) if down => set(Flag::D07, true),
            Some(_) => set(Flag::D08, true),
            None => {}
        }
    }
    plateaus::low(theta, &mut flags);
    plateaus::high(theta, &slopes, &mut flags);
    plateaus::repeated(theta, &mut flags);
    Ok(flags)
}

fn check(series: &Series<'_>) -> Result<(), Error> {
    for theta in series.theta.iter().flatten() {
        within("theta", *theta, -1e6, 1e6, "a finite water content, m³/m³")?;
    }
    for water_mm in series.water_mm.iter().flatten() {
        within("water_mm", *water_mm, 0.0, 1e6, "rain and irrigation of an hour, 0 mm and more")?;
    }
    if let Some(saturation) = series.saturation {
        within("saturation", saturation, 0.2, 0.9, "a saturation from 0.2 to 0.9 m³/m³")?;
    }
    if let Some(depth_m) = series.depth_m {
        within("depth_m", depth_m, 0.0, 3.0, "a depth from 0 to 3 m")?;
    }
    Ok(())
}

fn known(values: &[Option<f64>], at: usize) -> Option<f64> {
    values.get(at).copied().flatten()
}

/// First derivative of an hourly series, per hour: Savitzky-Golay, window 3, order 2, ends repeated. `None` at a
/// gap and beside one.
pub fn slopes(theta: &[Option<f64>]) -> Vec<Option<f64>> {
    around(theta, |before, _, after| (after - before) / 2.0)
}

/// Second derivative, per hour², likewise.
pub fn bends(theta: &[Option<f64>]) -> Vec<Option<f64>> {
    around(theta, |before, here, after| before - 2.0 * here + after)
}

fn around(theta: &[Option<f64>], of: impl Fn(f64, f64, f64) -> f64) -> Vec<Option<f64>> {
    let last = theta.len().saturating_sub(1);
    let at = |at: usize| {
        let (before, here, after) =
            (known(theta, at.saturating_sub(1))?, known(theta, at)?, known(theta, (at + 1).min(last))?);
        Some(of(before, here, after))
    };
    (0..theta.len()).map(at).collect()
}

/// Flag D04 at one hour: x(t) > x(t−1), x(t) − x(t−24) > 2·sd of the last 25 hours, and less than the least rain
/// within 24 h. `None` where a value or every hour of water is unknown, or the probe lies at 0.10 m and deeper.
pub fn rise_without_water(series: &Series<'_>, at: usize) -> Option<bool> {
    let least_mm = match series.depth_m {
        Some(depth_m) if depth_m >= D04_DEPTH_M => return None,
        Some(depth_m) if depth_m > 0.0 => depth_m * 0.05 * 0.5 * 1000.0,
        _ => LEAST_RAIN_MM,
    };
    let theta = series.theta;
    let here = known(theta, at)?;
    let rise_h = here - known(theta, at.checked_sub(1)?)?;
    let rise_day = here - known(theta, at.checked_sub(24)?)?;
    let twice_sd = 2.0 * sqrt(variance((at - 24..=at).filter_map(|at| known(theta, at)))?);
    let from = (at + 1).saturating_sub(24);
    let (mut water_mm, mut hours) = (0.0, 0);
    for mm in (from..=at).filter_map(|at| known(series.water_mm, at)) {
        (water_mm, hours) = (water_mm + mm, hours + 1);
    }
    // Sums of tenths are compared as tenths.
    let dry = libm::rint(water_mm * 10.0) / 10.0 < least_mm;
    (hours > 0).then_some(rise_h > 0.0 && rise_day > twice_sd && !near(rise_day, twice_sd) && dry)
}

/// Flag D06 at an hour: the ratio to the hour before is over 1.15 or under 0.85, the bends on both sides are
/// alike (ratio 0.8 to 1.2), the 24 hours around it vary little (variance/mean < 0.01 m³/m³), and the value is a
/// local extreme of one hour or of two equal ones.
fn is_spike(theta: &[Option<f64>], bends: &[Option<f64>], at: usize) -> bool {
    let judged = || {
        let (here, before) = (known(theta, at)?, known(theta, at.checked_sub(1)?)?);
        let ratio = thousandths(here / before);
        let alike = thousandths((known(bends, at - 1)? / known(bends, at + 1)?).abs());
        let from = at.checked_sub(HALF_DAY)?;
        let others: Option<Vec<f64>> =
            (from..=at + HALF_DAY).filter(|other| *other != at).map(|at| known(theta, at)).collect();
        let others = others?;
        let mean = others.iter().sum::<f64>() / others.len() as f64;
        let relative = variance(others.into_iter())?.abs() / mean;
        // The second of two equal hours has no ratio of its own.
        let steep = !(0.85..=1.15).contains(&ratio) || peak(theta, at - 1) == 2;
        Some(steep && alike > 0.8 && alike < 1.2 && relative < 0.01 && peak(theta, at) > 0)
    };
    judged().unwrap_or(false)
}

/// 1 where an hour is higher or lower than both neighbours, 2 where it and the next are equal and so, else 0.
fn peak(theta: &[Option<f64>], at: usize) -> u8 {
    let judged = || {
        let (before, here, next) =
            (known(theta, at.checked_sub(1)?)?, known(theta, at)?, known(theta, at + 1)?);
        if (before < here && here > next) || (before > here && here < next) {
            return Some(1);
        }
        let after = known(theta, at + 2)?;
        let two = here == next && ((before < here && next > after) || (before > here && next < after));
        Some(if two { 2 } else { 0 })
    };
    judged().unwrap_or(0)
}

/// Flags D07 (`true`) and D08 (`false`): a change of over a tenth of the value and over 0.01 m³/m³, with a slope
/// over ten times the mean slope of the 25 hours around, bends before and at it alike, and ten times that two
/// hours later. A drop by more than 0.05 to exactly 0 is D07 too.
fn is_break(theta: &[Option<f64>], slopes: &[Option<f64>], bends: &[Option<f64>], at: usize) -> Option<bool> {
    let here = known(theta, at)?;
    let change = here - known(theta, at.checked_sub(1)?)?;
    if here == 0.0 {
        return (change < -0.05).then_some(true);
    }
    let (slope, bend) = (known(slopes, at)?, known(bends, at)?);
    let around: Vec<f64> =
        (at.saturating_sub(HALF_DAY)..=at + HALF_DAY).filter_map(|at| known(slopes, at)).collect();
    if around.len() < 4 {
        return None;
    }
    let usual = (10.0 * around.iter().sum::<f64>() / around.len() as f64).abs();
    let alike = libm::rint((known(bends, at - 1)? / bend).abs() * 10.0) / 10.0;
    let later = known(bends, at + 2)?;
    let breaks = (change / here).abs() > 0.1
        && change.abs() > 0.01
        && slope.abs() > usual
        && !near(slope.abs(), usual)
        && (alike - 1.0).abs() < 0.02
        && bend != 0.0
        && (bend / later).abs() > 10.0;
    (breaks && slope != 0.0).then_some(slope < 0.0)
}

/// Variance over n − 1; `None` under two values.
fn variance(values: impl Iterator<Item = f64>) -> Option<f64> {
    let values: Vec<f64> = values.collect();
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    Some(values.iter().map(|value| (value - mean) * (value - mean)).sum::<f64>() / (n - 1.0))
}

fn thousandths(value: f64) -> f64 {
    libm::rint(value * 1000.0) / 1000.0
}

/// As near as rounding brings two equal figures.
fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-8 + 1e-5 * b.abs()
}
