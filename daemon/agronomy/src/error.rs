//! The one error of this crate: an input that no formula may be asked about.

use core::fmt;

/// An input outside the range its formula is valid in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Error {
    /// Which input, with its unit last, such as `depth_m`.
    pub what: &'static str,
    /// What was given; may be NaN or infinite.
    pub value: f64,
    /// The rule it broke, in words.
    pub rule: &'static str,
}

impl fmt::Display for Error {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} = {}: {}", self.what, self.value, self.rule)
    }
}

impl core::error::Error for Error {}

/// `value` when it lies in `low..=high`; NaN and infinities never do.
pub(crate) fn within(
    what: &'static str,
    value: f64,
    low: f64,
    high: f64,
    rule: &'static str,
) -> Result<f64, Error> {
    if value >= low && value <= high { Ok(value) } else { Err(Error { what, value, rule }) }
}

/// An air temperature, °C, between the coldest and hottest a formula of this crate is asked about.
pub(crate) fn air(what: &'static str, value_c: f64) -> Result<f64, Error> {
    within(what, value_c, -60.0, 60.0, "an air temperature from -60 to 60 °C")
}

/// A lowest and a highest air temperature of one day, °C, in that order.
pub(crate) fn air_range(min_c: f64, max_c: f64) -> Result<(f64, f64), Error> {
    air("air_min_c", min_c)?;
    air("air_max_c", max_c)?;
    if min_c <= max_c {
        Ok((min_c, max_c))
    } else {
        Err(Error { what: "air_min_c", value: min_c, rule: "at most the day's highest temperature" })
    }
}
