//! What the moisture probes of a bed say at an instant: readings to water, water to a depletion.

use std::collections::BTreeMap;

use agronomy::soil::{Layer, profile_depletion_mm};

use crate::quantities::Quantity;
use crate::record::Millis;
use crate::settings::garden::{Bed, Garden};

use super::book::drainable_mm;
use super::calendar::HOUR_MS;
use super::hours::Hours;

/// Random error of a calibrated moisture probe, m³/m³, where two depths agree, and where one stands alone
/// (judgement; systematic errors live in the marks).
const PROBE_SD: (f64, f64) = (0.012, 0.02);
/// Probes at one depth that differ by more than this disagree, m³/m³ (judgement).
const SIBLINGS_AGREE: f64 = 0.05;
/// Readings of so many hours make "now": one hour's value swings with the soil's temperature.
const NOW_HOURS: Millis = 3;

/// What the probes of a bed say.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Depletion over the profile, mm.
    pub depletion_mm: f64,
    /// Its standard deviation, mm.
    pub sd_mm: f64,
    /// How many probes spoke.
    pub probes: usize,
    /// The probe that stands for its depth because its siblings disagree.
    pub drier_probe: Option<String>,
}

/// What the moisture probes of a bed say at `at_ms`: the mean of the last three hours of each, by depth over
/// the profile. `believed` tells which probes count.
pub fn measure(
    garden: &Garden,
    bed: &Bed,
    hours: &Hours,
    at_ms: Millis,
    believed: impl Fn(usize) -> bool,
) -> Option<Measured> {
    let mut depths: BTreeMap<i64, Vec<(usize, f64)>> = BTreeMap::new();
    for (probe, settings) in garden.probes.iter().enumerate() {
        if settings.quantity != Quantity::SoilMoisture || settings.bed.as_deref() != Some(&bed.name) {
            continue;
        }
        let Some(depth_m) = settings.depth_m.filter(|_| believed(probe)) else { continue };
        let to_ms = at_ms + 1;
        let recent = hours.mean(probe, at_ms - NOW_HOURS * HOUR_MS, to_ms);
        let Some(theta) = recent.or_else(|| hours.mean(probe, at_ms - 2 * NOW_HOURS * HOUR_MS, to_ms)) else {
            continue;
        };
        depths.entry((depth_m * 50.0).round() as i64).or_default().push((probe, theta));
    }
    let mut layers = Vec::with_capacity(depths.len());
    let mut drier_probe = None;
    let mut probes = 0;
    for siblings in depths.values() {
        probes += siblings.len();
        let driest = siblings.iter().min_by(|(_, a), (_, b)| a.total_cmp(b))?;
        let wettest = siblings.iter().max_by(|(_, a), (_, b)| a.total_cmp(b))?;
        let depth_m = garden.probes.get(driest.0)?.depth_m?;
        if wettest.1 - driest.1 > SIBLINGS_AGREE {
            drier_probe = garden.probes.get(driest.0).map(|probe| probe.name.clone());
            layers.push(Layer { depth_m, theta: driest.1, full: bed.full });
        } else {
            let mean = siblings.iter().map(|(_, theta)| theta).sum::<f64>() / siblings.len() as f64;
            layers.push(Layer { depth_m, theta: mean, full: bed.full });
        }
    }
    let depletion_mm = profile_depletion_mm(&layers, bed.depth_m).ok()?.max(-drainable_mm(bed));
    let each = if layers.len() >= 2 { PROBE_SD.0 } else { PROBE_SD.1 };
    let sd_mm = 1000.0 * bed.depth_m * each / (layers.len() as f64).sqrt();
    Some(Measured { depletion_mm, sd_mm: sd_mm.max(0.5), probes, drier_probe })
}
