//! Moist air: vapour pressure, humidity, dewpoint (FAO-56 chapter 3).
//!
//! Temperature °C, vapour and air pressure kPa, relative humidity %, altitude m above the sea. Vapour
//! pressure is over water at every temperature: below 0 °C it is a little above that over ice (0.421
//! against 0.402 kPa at -5 °C), and *dewpoint* here is not the frost point. Inputs out of range are an
//! [`Error`].

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

/// Saturation vapour pressure e°(T), kPa (FAO-56 eq 11), -60 to 60 °C.
pub fn saturation_kpa(air_c: f64) -> Result<f64, Error> {
    Ok(tetens_kpa(air("air_c", air_c)?))
}

/// Mean saturation vapour pressure es of a day, kPa, from its extremes (FAO-56 eq 12).
///
/// Never from the mean temperature: that reads low.
pub fn mean_saturation_kpa(air_min_c: f64, air_max_c: f64) -> Result<f64, Error> {
    let (low, high) = air_range(air_min_c, air_max_c)?;
    Ok((tetens_kpa(low) + tetens_kpa(high)) / 2.0)
}

/// Slope of the saturation curve Δ, kPa/°C (FAO-56 eq 13), -60 to 60 °C.
pub fn saturation_slope(air_c: f64) -> Result<f64, Error> {
    let from_zero = air("air_c", air_c)? + 237.3;
    Ok(4098.0 * tetens_kpa(air_c) / (from_zero * from_zero))
}

/// Air pressure P at an altitude, kPa (FAO-56 eq 7), -430 to 6000 m.
pub fn pressure_kpa(altitude_m: f64) -> Result<f64, Error> {
    within("altitude_m", altitude_m, -430.0, 6000.0, "-430 to 6000 m")?;
    Ok(101.3 * pow((293.0 - 0.0065 * altitude_m) / 293.0, 5.26))
}

/// Psychrometric constant γ, kPa/°C (FAO-56 eq 8), 40 to 110 kPa.
pub fn psychrometric(pressure_kpa: f64) -> Result<f64, Error> {
    Ok(0.000665 * within("pressure_kpa", pressure_kpa, 40.0, 110.0, "40 to 110 kPa")?)
}

/// Actual vapour pressure ea from the dewpoint, kPa (FAO-56 eq 14).
pub fn ea_from_dewpoint(dewpoint_c: f64) -> Result<f64, Error> {
    Ok(tetens_kpa(air("dewpoint_c", dewpoint_c)?))
}

/// ea from a psychrometer, kPa (FAO-56 eq 15-16): `coefficient` 0.000662 ventilated, 0.0008 natural,
/// 0.0012 indoors (0.0005 to 0.002). A wet bulb too cold for its dry bulb gives 0.
pub fn ea_from_wet_bulb(dry_c: f64, wet_c: f64, pressure_kpa: f64, coefficient: f64) -> Result<f64, Error> {
    air("dry_c", dry_c)?;
    within("wet_c", wet_c, -60.0, dry_c, "at most the dry bulb")?;
    within("pressure_kpa", pressure_kpa, 40.0, 110.0, "40 to 110 kPa")?;
    within("coefficient", coefficient, 0.0005, 0.002, "0.0005 to 0.002 per °C")?;
    Ok((tetens_kpa(wet_c) - coefficient * pressure_kpa * (dry_c - wet_c)).max(0.0))
}

/// ea from the humidity extremes of a day, kPa (FAO-56 eq 17); the best of the humidity forms.
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

/// ea from the highest humidity of a day and its lowest temperature, kPa (FAO-56 eq 18).
pub fn ea_from_humidity_max(air_min_c: f64, rh_max_pct: f64) -> Result<f64, Error> {
    Ok(tetens_kpa(air("air_min_c", air_min_c)?) * humidity("rh_max_pct", rh_max_pct)? / 100.0)
}

/// ea from the mean humidity of a day, kPa (FAO-56 eq 19): reads high, the last choice.
pub fn ea_from_humidity_mean(air_min_c: f64, air_max_c: f64, rh_mean_pct: f64) -> Result<f64, Error> {
    Ok(mean_saturation_kpa(air_min_c, air_max_c)? * humidity("rh_mean_pct", rh_mean_pct)? / 100.0)
}

/// Vapour pressure deficit of one moment, kPa: e°(T) (1 - RH/100).
///
/// The mean of these over a day is not es - ea of the day; say which is meant.
pub fn deficit_kpa(air_c: f64, rh_pct: f64) -> Result<f64, Error> {
    Ok(saturation_kpa(air_c)? * (1.0 - humidity("rh_pct", rh_pct)? / 100.0))
}

/// Dewpoint, °C: the exact inverse of FAO-56 eq 11 (ASCE 2005 prints one 0.01 °C lower).
///
/// `ea_kpa` 0.001 to 20.
pub fn dewpoint_c(ea_kpa: f64) -> Result<f64, Error> {
    let l = ln(within("ea_kpa", ea_kpa, 0.001, 20.0, "0.001 to 20 kPa")? / 0.6108);
    Ok(237.3 * l / (17.27 - l))
}

/// Wet-bulb temperature near sea level, °C (Stull 2011, J. Appl. Meteor. Climatol. 50:2267; coefficients
/// from memory). -20 to 50 °C and 5 to 99 %; up to 0.5 °C off a full psychrometric solution.
pub fn wet_bulb_c(air_c: f64, rh_pct: f64) -> Result<f64, Error> {
    within("air_c", air_c, -20.0, 50.0, "-20 to 50 °C")?;
    let rh = within("rh_pct", rh_pct, 5.0, 99.0, "5 to 99 %")?;
    Ok(air_c * atan(0.151977 * sqrt(rh + 8.313659)) + atan(air_c + rh) - atan(rh - 1.676331)
        + 0.00391838 * pow(rh, 1.5) * atan(0.023101 * rh)
        - 4.686035)
}
