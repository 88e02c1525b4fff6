//! A row of probes down the root zone: how deep each speaks for, what they say together.

use alloc::vec;
use alloc::vec::Vec;

use crate::error::{Error, within};

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
}
