//! Soil water: what a soil holds, what a probe's number means, what a row of probes says of the root zone.
//!
//! Water content is m³ of water in m³ of soil. Inputs out of range are an [`Error`].

use alloc::vec;
use alloc::vec::Vec;

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

/// What a soil holds, from its texture (Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569, eq 1-5, 16, 18).
///
/// `sand` and `clay` shares of the mineral soil by weight, clay to 0.60, together at most 1;
/// `organic_pct` 0 to 8 % by weight. Take ±0.04 m³/m³ as its honest error. Compost-rich beds hold more than
/// it can say: read their full mark off the probe.
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

/// Water content from the apparent permittivity ε of a mineral soil (Topp, Davis, Annan 1980, Water
/// Resour. Res. 16:574; coefficients from memory): ±0.013 up to 0.55.
///
/// ε 2 to 81; beyond 0.55 it is only a continuation towards water. Organic soil reads low.
pub fn topp(permittivity: f64) -> Result<f64, Error> {
    let e = within("permittivity", permittivity, 2.0, 81.0, "2 to 81")?;
    Ok(-5.3e-2 + e * (2.92e-2 + e * (-5.5e-4 + e * 4.3e-6)))
}

/// A straight line through two known points of a raw probe. Counts may fall or rise with water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoPoint {
    /// Counts at the dry point.
    pub raw_dry: f64,
    /// Water content there (air-dry soil, weighed).
    pub theta_dry: f64,
    /// Counts at the wet point; not those of the dry one.
    pub raw_wet: f64,
    /// Water content there, above the dry one (drained soil at its full mark).
    pub theta_wet: f64,
}

/// A calibrated reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Calibrated {
    /// Water content, within 0 and the porosity.
    pub theta: f64,
    /// The line led outside 0 to porosity and was held at the limit: doubt the reading.
    pub held: bool,
}

impl TwoPoint {
    /// Water content of `raw` counts in a soil of `porosity` (0.2 to 1).
    pub fn theta(&self, raw: f64, porosity: f64) -> Result<Calibrated, Error> {
        const RAW: &str = "-1e12 to 1e12 counts";
        within("raw", raw, -1e12, 1e12, RAW)?;
        within("porosity", porosity, 0.2, 1.0, "0.2 to 1 m³/m³")?;
        within("raw_dry", self.raw_dry, -1e12, 1e12, RAW)?;
        within("raw_wet", self.raw_wet, -1e12, 1e12, RAW)?;
        within("theta_dry", self.theta_dry, 0.0, 1.0, "0 to 1 m³/m³")?;
        within("theta_wet", self.theta_wet, self.theta_dry + 0.01, 1.0, "at least 0.01 above theta_dry")?;
        let span = self.raw_wet - self.raw_dry;
        within("raw_wet", span.abs(), 1e-6, 2e12, "not the counts of the dry point")?;
        let theta = self.theta_dry + (raw - self.raw_dry) / span * (self.theta_wet - self.theta_dry);
        let kept = theta.clamp(0.0, porosity);
        Ok(Calibrated { theta: kept, held: kept != theta })
    }
}

/// One probe in the profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layer {
    /// Depth of the probe, m, 0 to 5.
    pub depth_m: f64,
    /// Water content there now.
    pub theta: f64,
    /// Water content there at the full mark.
    pub full: f64,
}

/// How many metres of the root zone each probe speaks for; they add up to `rooted_depth_m`.
///
/// Between two probes the water content is taken as a straight line, above the first and below the last
/// as level (trapezoids). A probe below the roots speaks only through the line towards it. Probes at one
/// depth share alike. `depths_m` 1 to 1000 depths of 0 to 5 m in any order, `rooted_depth_m` 0.05 to 3.
pub fn probe_weights_m(depths_m: &[f64], rooted_depth_m: f64) -> Result<Vec<f64>, Error> {
    let z = within("rooted_depth_m", rooted_depth_m, 0.05, 3.0, "0.05 to 3 m")?;
    within("depths_m", depths_m.len() as f64, 1.0, 1000.0, "1 to 1000 probes")?;
    for &depth in depths_m {
        within("depth_m", depth, 0.0, 5.0, "0 to 5 m")?;
    }
    let mut order: Vec<f64> = depths_m.to_vec();
    order.sort_by(f64::total_cmp);
    order.dedup();
    let mut spans = vec![0.0; order.len()];
    spans[0] += order[0].min(z);
    if let Some(last) = order.last() {
        spans[order.len() - 1] += (z - last).max(0.0);
    }
    for (at, pair) in order.windows(2).enumerate() {
        let width = pair[1] - pair[0];
        let length = (z - pair[0]).clamp(0.0, width);
        let lower = length * length / (2.0 * width);
        spans[at] += length - lower;
        spans[at + 1] += lower;
    }
    Ok(depths_m
        .iter()
        .map(|depth| {
            let alike = depths_m.iter().filter(|other| *other == depth).count() as f64;
            order.iter().position(|at| at == depth).map_or(0.0, |at| spans[at] / alike)
        })
        .collect())
}

/// Depletion of the root zone by its probes, mm: Σ 1000 (full - θ) over the metres each speaks for
/// (FAO-56 eq 87 over layers, weights of [`probe_weights_m`]).
///
/// Below 0 where the soil holds more than its full mark. `theta` and `full` 0 to 1; anything else, or no
/// probe, is an [`Error`].
pub fn profile_depletion_mm(layers: &[Layer], rooted_depth_m: f64) -> Result<f64, Error> {
    let depths: Vec<f64> = layers.iter().map(|layer| layer.depth_m).collect();
    let weights = probe_weights_m(&depths, rooted_depth_m)?;
    let mut sum_mm = 0.0;
    for (layer, weight_m) in layers.iter().zip(weights) {
        within("theta", layer.theta, 0.0, 1.0, "0 to 1 m³/m³")?;
        within("full", layer.full, 0.0, 1.0, "0 to 1 m³/m³")?;
        sum_mm += 1000.0 * (layer.full - layer.theta) * weight_m;
    }
    Ok(sum_mm)
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

    #[test]
    fn probes_speak_for_the_depth_between_them() {
        // 10 and 30 cm in 40 cm of roots: 10 + 10 cm each.
        let weights = probe_weights_m(&[0.3, 0.1], 0.4).unwrap();
        assert!((weights[0] - 0.2).abs() < 1e-12 && (weights[1] - 0.2).abs() < 1e-12);
        // The deeper lies below the roots: it speaks only through the line towards it.
        let weights = probe_weights_m(&[0.1, 0.5], 0.3).unwrap();
        assert!((weights[0] - 0.25).abs() < 1e-12 && (weights[1] - 0.05).abs() < 1e-12);
        // Two at one depth share.
        let weights = probe_weights_m(&[0.1, 0.1, 0.3], 0.4).unwrap();
        assert!((weights[0] - 0.1).abs() < 1e-12 && (weights[1] - 0.1).abs() < 1e-12);
        assert!(probe_weights_m(&[], 0.4).is_err());
        assert!(probe_weights_m(&[f64::NAN], 0.4).is_err());
    }

    #[test]
    fn one_probe_speaks_for_all() {
        let layer = Layer { depth_m: 0.1, theta: 0.25, full: 0.31 };
        assert!((profile_depletion_mm(&[layer], 0.4).unwrap() - 24.0).abs() < 1e-9);
    }

    #[test]
    fn a_line_outside_the_soil_is_held_and_said() {
        let probe = TwoPoint { raw_dry: 2800.0, theta_dry: 0.05, raw_wet: 1400.0, theta_wet: 0.35 };
        assert_eq!(probe.theta(3200.0, 0.5).unwrap(), Calibrated { theta: 0.0, held: true });
        assert!(!probe.theta(2100.0, 0.5).unwrap().held);
        assert!(TwoPoint { raw_wet: 2800.0, ..probe }.theta(2100.0, 0.5).is_err());
    }
}
