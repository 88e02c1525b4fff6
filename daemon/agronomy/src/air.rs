//! Moist air: vapour pressure, humidity, dewpoint (FAO-56 chapter 3).
//!
//! Temperature °C, vapour and air pressure kPa, relative humidity %, altitude m above the sea. Vapour
//! pressure is over water at every temperature: below 0 °C it is a little above that over ice (0.421
//! against 0.402 kPa at -5 °C), and *dewpoint* here is not the frost point. Inputs out of range are an
//! [`Error`]: air -60 to 60 °C, altitude -430 to 6000 m, humidity 0 to 103 %, of which what is over 100 counts
//! as 100 (probes overshoot at saturation).
//!
//! Which vapour pressure to take, best first: from the dewpoint (eq 14), a psychrometer (eq 15), both
//! extremes of humidity (eq 17), the highest (eq 18), the mean (eq 19). On the day of FAO-56 example 5 the
//! last three give 1.70, 1.69 and 1.78 kPa.

use crate::error::{Error, air, air_range, within};
use crate::real::{atan, exp, ln, pow, sqrt};

/// An actual vapour pressure, kPa.
pub(crate) fn check_ea(ea_kpa: f64) -> Result<f64, Error> {
    within("ea_kpa", ea_kpa, 0.0, 20.0, "0 to 20 kPa")
}

/// A relative humidity, %. Probes overshoot a little at saturation: up to 103 is taken as 100.
fn humidity(what: &'static str, value_pct: f64) -> Result<f64, Error> {
    Ok(within(what, value_pct, 0.0, 103.0, "0 to 103 %")?.min(100.0))
}

/// Tetens' curve without a look at the input; for callers that have checked it.
fn tetens_kpa(air_c: f64) -> f64 {
    0.6108 * exp(17.27 * air_c / (air_c + 237.3))
}

/// Saturation vapour pressure e°(T), kPa (FAO-56 eq 11): `0.6108 exp(17.27 T / (T + 237.3))`, -60 to 60 °C,
/// beyond them an [`Error`].
///
/// Variants: Magnus' form with the constants of the WMO, and ASHRAE's long fit, which this one follows within
/// 0.12 % from 0.5 to 45 °C (seen against PsychroLib 2.5.0). FAO-56's own stands here because every later
/// equation of FAO-56 was fitted with it.
pub fn saturation_kpa(air_c: f64) -> Result<f64, Error> {
    Ok(tetens_kpa(air("air_c", air_c)?))
}

/// Mean saturation vapour pressure es of a day, kPa, from its extremes (FAO-56 eq 12): the mean of both ends.
///
/// Both -60 to 60 °C and in order, else an [`Error`]. Never from the mean temperature: the curve bends up, so
/// that variant reads low (ET0 3.75 for 3.88 mm on the day of FAO-56 example 18).
pub fn mean_saturation_kpa(air_min_c: f64, air_max_c: f64) -> Result<f64, Error> {
    let (low, high) = air_range(air_min_c, air_max_c)?;
    Ok((tetens_kpa(low) + tetens_kpa(high)) / 2.0)
}

/// Slope of the saturation curve Δ, kPa/°C (FAO-56 eq 13): `4098 e°(T) / (T + 237.3)²`, -60 to 60 °C, beyond
/// them an [`Error`]. ASCE 2005 writes 2503 for `4098 × 0.6108`: the same to four digits.
pub fn saturation_slope(air_c: f64) -> Result<f64, Error> {
    let from_zero = air("air_c", air_c)? + 237.3;
    Ok(4098.0 * tetens_kpa(air_c) / (from_zero * from_zero))
}

/// Mean air pressure P at an altitude, kPa (FAO-56 eq 7): `101.3 ((293 - 0.0065 z) / 293)^5.26`, -430 to 6000
/// m, beyond them an [`Error`].
///
/// Starts from 20 °C at the sea; the standard atmosphere starts from 15 °C and lies 0.6 % lower at 3,000 m. ET0
/// hardly feels it, and FAO-56's own keeps its tables true.
pub fn pressure_kpa(altitude_m: f64) -> Result<f64, Error> {
    within("altitude_m", altitude_m, -430.0, 6000.0, "-430 to 6000 m")?;
    Ok(101.3 * pow((293.0 - 0.0065 * altitude_m) / 293.0, 5.26))
}

/// Psychrometric constant γ, kPa/°C (FAO-56 eq 8): `0.000665 P`, 40 to 110 kPa, beyond them an [`Error`].
///
/// The latent heat in it is FAO-56's constant 2.45 MJ/kg; variants let it fall with the day's temperature,
/// which moves γ by under 2 %.
pub fn psychrometric(pressure_kpa: f64) -> Result<f64, Error> {
    Ok(0.000665 * within("pressure_kpa", pressure_kpa, 40.0, 110.0, "40 to 110 kPa")?)
}

/// Actual vapour pressure ea from the dewpoint, kPa (FAO-56 eq 14): e° of it. -60 to 60 °C, beyond them an
/// [`Error`]. A frost point from a chilled mirror is not a dewpoint.
pub fn ea_from_dewpoint(dewpoint_c: f64) -> Result<f64, Error> {
    Ok(tetens_kpa(air("dewpoint_c", dewpoint_c)?))
}

/// ea from a psychrometer, kPa (FAO-56 eq 15-16): `coefficient` 0.000662 ventilated, 0.0008 natural,
/// 0.0012 indoors (0.0005 to 0.002). A wet bulb too cold for its dry bulb gives 0.
///
/// `e°(wet) - coefficient P (dry - wet)`. Dry -60 to 60 °C, wet at most that, pressure 40 to 110 kPa, else an
/// [`Error`]. Within 0.06 kPa of ASHRAE's full balance for a ventilated bulb above 0 °C up to 3,000 m.
pub fn ea_from_wet_bulb(dry_c: f64, wet_c: f64, pressure_kpa: f64, coefficient: f64) -> Result<f64, Error> {
    air("dry_c", dry_c)?;
    within("wet_c", wet_c, -60.0, dry_c, "at most the dry bulb")?;
    within("pressure_kpa", pressure_kpa, 40.0, 110.0, "40 to 110 kPa")?;
    within("coefficient", coefficient, 0.0005, 0.002, "0.0005 to 0.002 per °C")?;
    Ok((tetens_kpa(wet_c) - coefficient * pressure_kpa * (dry_c - wet_c)).max(0.0))
}

/// ea from the humidity extremes of a day, kPa (FAO-56 eq 17): the highest humidity belongs to the night's
/// minimum, the lowest to the day's maximum. The best of the humidity forms.
///
/// Temperatures -60 to 60 °C in order, humidity 0 to 103 %, else an [`Error`].
pub fn ea_from_humidity_extremes(
    air_min_c: f64,
    air_max_c: f64,
    rh_min_pct: f64,
    rh_max_pct: f64,
) -> Result<f64, Error> {
    let (low, high) = air_range(air_min_c, air_max_c)?;
    let rh_max = humidity("rh_max_pct", rh_max_pct)?;
    let rh_min = humidity("rh_min_pct", rh_min_pct)?;
    Ok((tetens_kpa(low) * rh_max + tetens_kpa(high) * rh_min) / 200.0)
}

/// ea from the highest humidity of a day and its lowest temperature, kPa (FAO-56 eq 18): where the lowest
/// humidity is not trusted. -60 to 60 °C and 0 to 103 %, else an [`Error`].
pub fn ea_from_humidity_max(air_min_c: f64, rh_max_pct: f64) -> Result<f64, Error> {
    Ok(tetens_kpa(air("air_min_c", air_min_c)?) * humidity("rh_max_pct", rh_max_pct)? / 100.0)
}

/// ea from the mean humidity of a day, kPa (FAO-56 eq 19): `es RH / 100`. Reads high (1.78 for 1.70 kPa in
/// example 5), the last choice. -60 to 60 °C in order and 0 to 103 %, else an [`Error`].
pub fn ea_from_humidity_mean(air_min_c: f64, air_max_c: f64, rh_mean_pct: f64) -> Result<f64, Error> {
    Ok(mean_saturation_kpa(air_min_c, air_max_c)? * humidity("rh_mean_pct", rh_mean_pct)? / 100.0)
}

/// Vapour pressure deficit of one moment, kPa: e°(T) (1 - RH/100).
///
/// The mean of these over a day is not es - ea of the day; say which is meant. -60 to 60 °C and 0 to 103 %,
/// else an [`Error`]. Within 0.012 kPa of ASHRAE's from 0.5 to 45 °C.
pub fn deficit_kpa(air_c: f64, rh_pct: f64) -> Result<f64, Error> {
    Ok(saturation_kpa(air_c)? * (1.0 - humidity("rh_pct", rh_pct)? / 100.0))
}

/// Dewpoint, °C: the exact inverse of FAO-56 eq 11, so that a dewpoint made here gives its ea back. ASCE 2005
/// prints a rounded one, 0.01 °C lower; ASHRAE's lies within 0.02 °C above 0.
///
/// `ea_kpa` 0.001 to 20, beyond them an [`Error`] (0 has no dewpoint).
pub fn dewpoint_c(ea_kpa: f64) -> Result<f64, Error> {
    let l = ln(within("ea_kpa", ea_kpa, 0.001, 20.0, "0.001 to 20 kPa")? / 0.6108);
    Ok(237.3 * l / (17.27 - l))
}

/// Wet-bulb temperature near sea level, °C (Stull 2011, J. Appl. Meteor. Climatol. 50:2267; coefficients
/// from memory): a fit without iteration. -20 to 50 °C and 5 to 99 %, beyond them an [`Error`].
///
/// Against ASHRAE's full balance (PsychroLib 2.5.0, 2,000 moments of 0.5 to 45 °C) 0.3 °C off on the mean and
/// 1.2 at most, in air of 5 %; it is for a word in a note, never for ea.
pub fn wet_bulb_c(air_c: f64, rh_pct: f64) -> Result<f64, Error> {
    within("air_c", air_c, -20.0, 50.0, "-20 to 50 °C")?;
    let rh = within("rh_pct", rh_pct, 5.0, 99.0, "5 to 99 %")?;
    Ok(air_c * atan(0.151977 * sqrt(rh + 8.313659)) + atan(air_c + rh) - atan(rh - 1.676331)
        + 0.00391838 * pow(rh, 1.5) * atan(0.023101 * rh)
        - 4.686035)
}
