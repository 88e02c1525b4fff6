//! What the moisture probes of a bed say at an instant: readings to water, water to a depletion.

use std::collections::BTreeMap;

use agronomy::soil::{Layer, profile_depletion_mm};

use crate::quantities::Quantity;
use crate::record::Millis;
use crate::settings::garden::{Bed, Garden};

use super::book::drainable_mm;
use super::calendar::HOUR_MS;
use super::hours::Hours;
use super::marks::Known;

/// Random error of a calibrated moisture probe over the hours of a mean, m³/m³, where two depths agree, and where one
/// stands alone and has to speak for all of the depth (judgement; what is constant lives in the marks). In the layered
/// soil of made seasons two depths are 2.0 mm off with 0.012 and 1.75 with 0.008. One probe alone does better there
/// with 0.01, but on prairie-2022 that takes the error of the depletion from 3.5 to 4.2 mm, so it stays at 0.02.
const PROBE_SD: (f64, f64) = (0.008, 0.02);
/// Probes at one depth that differ by more than this disagree, m³/m³ (judgement).
const SIBLINGS_AGREE: f64 = 0.05;
/// Readings of so many hours make "now": one hour's value swings with the soil's temperature.
pub const NOW_HOURS: Millis = 3;

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

/// What the moisture probes of a bed say at `at_ms`: the mean of the last three hours of each, less what warmth
/// put on it, against its own full mark, by depth over the profile.
///
/// `known` holds what counts for each probe, `believed` tells which ones do, `swing` by how much warmth moved the
/// reading of a probe over a span, m³/m³.
pub fn measure(
    garden: &Garden,
    bed: &Bed,
    hours: &Hours,
    at_ms: Millis,
    known: &[Known],
    believed: impl Fn(usize) -> bool,
    swing: impl Fn(usize, Millis, Millis) -> f64,
) -> Option<Measured> {
    let mut depths: BTreeMap<i64, Vec<Heard>> = BTreeMap::new();
    let mut known_sd: f64 = 0.0;
    for (probe, settings) in garden.probes.iter().enumerate() {
        if settings.bed.as_deref() != Some(&bed.name) {
            continue;
        }
        let Some(depth_m) = settings.depth_m.filter(|_| believed(probe)) else { continue };
        let Some(known) = known.get(probe) else { continue };
        let spoken = |from_ms: Millis| Some((from_ms, hours.mean(probe, from_ms, at_ms + 1)?));
        let recent = spoken(at_ms - NOW_HOURS * HOUR_MS).or_else(|| spoken(at_ms - 2 * NOW_HOURS * HOUR_MS));
        let theta = match (settings.quantity, known.line) {
            (Quantity::SoilMoisture, _) => {
                recent.map(|(from_ms, theta)| (theta - swing(probe, from_ms, at_ms + 1)).max(0.0))
            }
            // Beyond its line a raw probe is held at dry or brimful soil.
            (Quantity::SoilCounts, Some(line)) => {
                recent.and_then(|(_, counts)| line.theta(counts, bed.saturation).ok()).map(|read| read.theta)
            }
            _ => continue,
        };
        let Some(theta) = theta else { continue };
        known_sd = known_sd.max(known.sd);
        depths.entry((depth_m * 50.0).round() as i64).or_default().push(Heard {
            probe,
            missing: known.full - theta,
            full: known.full,
        });
    }
    let mut layers = Vec::with_capacity(depths.len());
    let mut drier_probe = None;
    let mut probes = 0;
    for siblings in depths.values() {
        probes += siblings.len();
        let driest = siblings.iter().max_by(|a, b| a.missing.total_cmp(&b.missing))?;
        let wettest = siblings.iter().min_by(|a, b| a.missing.total_cmp(&b.missing))?;
        let depth_m = garden.probes.get(driest.probe)?.depth_m?;
        if driest.missing - wettest.missing > SIBLINGS_AGREE {
            drier_probe = garden.probes.get(driest.probe).map(|probe| probe.name.clone());
            layers.push(driest.layer(depth_m, driest.missing));
        } else {
            let mean = siblings.iter().map(|one| one.missing).sum::<f64>() / siblings.len() as f64;
            layers.push(driest.layer(depth_m, mean));
        }
    }
    let depletion_mm = profile_depletion_mm(&layers, bed.depth_m).ok()?.max(-drainable_mm(bed));
    let each = if layers.len() >= 2 { PROBE_SD.0 } else { PROBE_SD.1 }.max(known_sd);
    let sd_mm = 1000.0 * bed.depth_m * each / (layers.len() as f64).sqrt();
    Some(Measured { depletion_mm, sd_mm: sd_mm.max(0.5), probes, drier_probe })
}

/// What one probe says: water missing to its own full mark, m³/m³. Siblings are compared by that, since each has
/// an offset of its own.
#[derive(Debug, Clone, Copy)]
struct Heard {
    probe: usize,
    missing: f64,
    full: f64,
}

impl Heard {
    fn layer(&self, depth_m: f64, missing: f64) -> Layer {
        let full = self.full.max(missing);
        Layer { depth_m, theta: full - missing, full }
    }
}
