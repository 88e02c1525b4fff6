//! Soil water: what a soil holds, what a probe's number means, what a row of probes says of the root zone,
//! and what a bed's own probes teach about its marks.
//!
//! Water content is m³ of water in m³ of soil. Inputs out of range are an [`Error`].

mod calibration;
mod learning;
mod profile;
mod swing;

pub use calibration::{Calibrated, CountsLine, TwoPoint, counts_line, topp, topp_permittivity};
pub use learning::{
    DRAINED_PER_H, Learned, MOST_CHANGE_PER_H, MOST_RISE_PER_H, NEAR_HIGHEST, fall_per_h, full_mark, settled,
    still_draining,
};
pub use profile::{Layer, probe_weights_m, profile_depletion_mm};
pub use swing::{MOST_SWING_PER_C, Wave, swing_per_c};

use crate::error::{Error, within};
use crate::real::{ln, pow};

/// The twelve texture classes of the USDA triangle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "the names are the classes")]
pub enum Texture {
    Sand,
    LoamySand,
    SandyLoam,
    Loam,
    SiltLoam,
    Silt,
    SandyClayLoam,
    ClayLoam,
    SiltyClayLoam,
    SiltyClay,
    SandyClay,
    Clay,
}

use Texture as T;

/// Class, key, sand and clay share (Saxton & Rawls 2006, table 3), readily evaporable water mm (middle of
/// FAO-56 table 19, from memory; the three clay loams and clays FAO leaves out stand beside their kin).
const CLASSES: [(Texture, &str, f64, f64, f64); 12] = [
    (T::Sand, "sand", 0.88, 0.05, 4.5),
    (T::LoamySand, "loamy-sand", 0.80, 0.05, 6.0),
    (T::SandyLoam, "sandy-loam", 0.65, 0.10, 8.0),
    (T::Loam, "loam", 0.40, 0.20, 9.0),
    (T::SiltLoam, "silt-loam", 0.20, 0.15, 9.5),
    (T::Silt, "silt", 0.10, 0.05, 9.5),
    (T::SandyClayLoam, "sandy-clay-loam", 0.60, 0.25, 9.0),
    (T::ClayLoam, "clay-loam", 0.30, 0.35, 9.5),
    (T::SiltyClayLoam, "silty-clay-loam", 0.10, 0.35, 9.5),
    (T::SiltyClay, "silty-clay", 0.10, 0.45, 10.0),
    (T::SandyClay, "sandy-clay", 0.50, 0.40, 10.0),
    (T::Clay, "clay", 0.25, 0.50, 10.0),
];

impl Texture {
    /// The class of a key such as `sandy-loam`; `None` for any other word.
    pub fn from_key(key: &str) -> Option<Self> {
        CLASSES.iter().find(|row| row.1 == key).map(|row| row.0)
    }

    /// All keys, from sand to clay.
    pub fn keys() -> impl Iterator<Item = &'static str> {
        CLASSES.iter().map(|row| row.1)
    }

    fn row(self) -> &'static (Texture, &'static str, f64, f64, f64) {
        // Rows stand in the order of the variants; `classes_stand_in_order` holds them to it.
        &CLASSES[self as usize]
    }

    /// The key.
    pub fn key(self) -> &'static str {
        self.row().1
    }

    /// Readily evaporable water of the surface, mm (FAO-56 table 19, from memory, ±2 mm).
    pub fn readily_evaporable_mm(self) -> f64 {
        self.row().4
    }

    /// What a soil of this class holds, `organic_pct` % of organic matter by weight, 0 to 8; see
    /// [`retention`].
    pub fn retention(self, organic_pct: f64) -> Result<Retention, Error> {
        let &(_, _, sand, clay, _) = self.row();
        retention(sand, clay, organic_pct)
    }
}

/// What a soil holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Retention {
    /// Water content at the wilting point (1500 kPa).
    pub wilt: f64,
    /// Water content at field capacity (33 kPa): the full mark, until the bed has shown its own.
    pub full: f64,
    /// Water content with all pores filled.
    pub saturated: f64,
    /// Saturated conductivity, mm/h: water given faster runs off.
    pub intake_mm_h: f64,
}

/// What a soil holds, from its texture (Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569): eq 1 wilting point,
/// eq 2 field capacity, eq 3 and 5 saturation, eq 16 and 18 conductivity; eq 4 (air entry) is not wanted here.
/// Coefficients from memory, confirmed by the class table and one case that public pages print.
///
/// `sand` and `clay` shares of the mineral soil by weight, clay to 0.60, together at most 1; `organic_pct` 0 to
/// 8 % by weight; outside, and in corners of the triangle where the form gives no order of the marks, an
/// [`Error`]. Take ±0.04 m³/m³ as its honest error. Variants: a neural-network fit (Rosetta v3) agrees in
/// available water within 0.03 m³/m³ in six classes and differs more in field capacity (clay 0.07 lower); FAO-56
/// table 19 gives only ranges. Ours is a closed form that knows organic matter. Compost-rich beds (over 8 %)
/// hold more than any of them says: their full mark is learned ([`full_mark`]).
pub fn retention(sand: f64, clay: f64, organic_pct: f64) -> Result<Retention, Error> {
    let c = within("clay", clay, 0.0, 0.60, "0 to 0.60")?;
    let s = within("sand", sand, 0.0, 1.0 - clay, "0 to 1, with clay at most 1")?;
    let om = within("organic_pct", organic_pct, 0.0, 8.0, "0 to 8 %")?;
    let t = -0.024 * s + 0.487 * c + 0.006 * om + 0.005 * s * om - 0.013 * c * om + 0.068 * s * c + 0.031;
    let wilt = t + (0.14 * t - 0.02);
    let t = -0.251 * s + 0.195 * c + 0.011 * om + 0.006 * s * om - 0.027 * c * om + 0.452 * s * c + 0.299;
    let full = t + (1.283 * t * t - 0.374 * t - 0.015);
    let t = 0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om - 0.584 * s * c + 0.078;
    let saturated = full + t + (0.636 * t - 0.107) - 0.097 * s + 0.043;
    // Corners of the triangle can fall out of the form; better refused than a soil that holds nothing.
    within("wilt", wilt, 0.001, full - 0.01, "the texture is outside what the form can say")?;
    within("full", full, 0.01, saturated - 0.005, "the texture is outside what the form can say")?;
    let b = (ln(1500.0) - ln(33.0)) / (ln(full) - ln(wilt));
    let intake_mm_h = 1930.0 * pow(saturated - full, 3.0 - 1.0 / b);
    Ok(Retention { wilt, full, saturated, intake_mm_h })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_stand_in_order() {
        for (at, row) in CLASSES.iter().enumerate() {
            assert_eq!(row.0 as usize, at);
            assert_eq!(Texture::from_key(row.1), Some(row.0));
            let held = row.0.retention(2.5).unwrap();
            assert!(held.wilt < held.full && held.full < held.saturated && held.intake_mm_h > 0.0);
        }
    }
}
