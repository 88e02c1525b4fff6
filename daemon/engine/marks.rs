//! The marks of each probe: what its bed has shown, what the grower accepted or set by hand, and the garden as it
//! is seen with them.
//!
//! Every moisture probe keeps its own full mark (and wilt mark, where one was set): two probes in one bed rarely
//! read alike. The bed's mark is theirs, weighted by depth. A mark counts from the time it was accepted or set;
//! days before are derived with what counted then. What closed days teach is in `learning.rs`, what is done with
//! it in `proposals.rs`.

pub mod feel;
mod learning;
mod proposals;

use std::collections::BTreeMap;
use std::sync::Arc;

use agronomy::soil::{self, CountsLine, TwoPoint, Wave};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::quantities::Quantity;
use crate::record::Millis;
use crate::settings::garden::{Bed, Garden};

pub use learning::{dawn, thermometer};
pub use proposals::Proposal;

/// Error of water content by a line that the book taught, m³/m³ (judgement: the book's own demand is in it).
const TAUGHT_SD: f64 = 0.03;
/// The full mark stands at least so far above the wilt mark and under the brim, m³/m³ (judgement).
const APART: f64 = 0.03;
/// Days whose waves make a swing.
const SWING_DAYS: u64 = 30;

/// What is remembered of the marks.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Marks {
    /// By probe, in the order of the settings.
    pub probes: Vec<ProbeMarks>,
    /// What waits for an answer, and what was applied of itself not long ago.
    pub proposals: Vec<Proposal>,
}

/// What is remembered of one probe. Marks are readings of the probe as it is kept: water content, or counts of a
/// raw probe.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ProbeMarks {
    /// Full marks, each with the time from which it counts.
    full: Vec<(Millis, f64)>,
    /// Wilt marks set by hand.
    dry: Vec<(Millis, f64)>,
    /// Counts for each mm of depletion, and counts at the full mark: a raw probe's line, as the book taught it.
    line: Vec<(Millis, f64, f64)>,
    /// Where it settled after water, by the date of the night.
    settled: BTreeMap<NaiveDate, Settled>,
    /// Depletion of the book and counts of a raw probe, by the date of the night.
    nights: BTreeMap<NaiveDate, (f64, f64)>,
    /// The day's wave beside that of the nearest thermometer.
    waves: BTreeMap<NaiveDate, DayWave>,
    /// A proposal that the grower declined.
    declined: Option<f64>,
}

/// Where a probe settled after one watering or rain.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Settled {
    at: f64,
    /// The water was enough to fill the bed.
    filled: bool,
    /// What was drawn since the water and is still to be added, mm (counts).
    #[serde(default)]
    drawn_mm: f64,
}

/// `agronomy::soil::Wave`, to be kept: hours, °C², °C by water, water².
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct DayWave(f64, f64, f64, f64);

impl From<Wave> for DayWave {
    fn from(wave: Wave) -> Self {
        Self(wave.hours, wave.cc, wave.cw, wave.ww)
    }
}

impl From<DayWave> for Wave {
    fn from(DayWave(hours, cc, cw, ww): DayWave) -> Self {
        Self { hours, cc, cw, ww }
    }
}

/// The value that counts at an instant.
fn at<T: Copy>(dated: &[(Millis, T)], ms: Millis) -> Option<T> {
    dated.iter().rev().find(|(from_ms, _)| *from_ms <= ms).map(|(_, value)| *value)
}

/// Puts a value among the others by its time; a later word on the same time stands.
fn put<T>(dated: &mut Vec<(Millis, T)>, from_ms: Millis, value: T) {
    dated.retain(|(known_ms, _)| *known_ms != from_ms);
    let place = dated.partition_point(|(known_ms, _)| *known_ms < from_ms);
    dated.insert(place, (from_ms, value));
}

/// What counts for one moisture probe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    /// Water content at its full mark: its own, else that of its bed's settings.
    pub full: f64,
    /// The full mark is its own, accepted or set by hand.
    pub own_full: bool,
    /// From counts to water, where a raw probe has learned it.
    pub line: Option<TwoPoint>,
    /// Its error beside that of any probe, m³/m³.
    pub sd: f64,
}

/// The garden from an instant on.
#[derive(Debug, Clone)]
pub struct View {
    /// Since when.
    pub from_ms: Millis,
    /// Settings, with the beds' marks as they count then.
    pub garden: Arc<Garden>,
    /// What counts for each probe.
    pub known: Vec<Known>,
}

/// The garden as it is seen from each change of a mark on; the first is as the settings have it.
pub fn views(settings: &Arc<Garden>, marks: &Marks) -> Vec<View> {
    let mut changes: Vec<Millis> = vec![Millis::MIN];
    for probe in &marks.probes {
        changes.extend(probe.full.iter().chain(&probe.dry).map(|(ms, _)| *ms));
        changes.extend(probe.line.iter().map(|(ms, ..)| *ms));
    }
    changes.sort_unstable();
    changes.dedup();
    changes.into_iter().map(|from_ms| view(settings, marks, from_ms)).collect()
}

fn view(settings: &Arc<Garden>, marks: &Marks, from_ms: Millis) -> View {
    let mut garden = Garden::clone(settings);
    let mut known: Vec<Known> = Vec::with_capacity(settings.probes.len());
    for (ix, probe) in settings.probes.iter().enumerate() {
        let bed = probe.bed.as_deref().and_then(|bed| settings.bed(bed));
        let of_probe = marks.probes.get(ix);
        known.push(bed.map_or(Known { full: 0.0, own_full: false, line: None, sd: 0.0 }, |bed| {
            of_probe.map_or(Known::of_bed(bed), |marks| marks.known(bed, probe.quantity, from_ms))
        }));
    }
    for bed in &mut garden.beds {
        join(settings, marks, &known, bed, from_ms);
    }
    View { from_ms, garden: Arc::new(garden), known }
}

/// The bed's marks: those of its probes, each for the depth it speaks for.
fn join(settings: &Garden, marks: &Marks, known: &[Known], bed: &mut Bed, at_ms: Millis) {
    let of_bed = |(_, probe): &(usize, &crate::settings::garden::Probe)| {
        probe.quantity == Quantity::SoilMoisture && probe.bed.as_deref() == Some(&bed.name)
    };
    let probes: Vec<_> = settings.probes.iter().enumerate().filter(of_bed).collect();
    let depths: Vec<f64> = probes.iter().filter_map(|(_, probe)| probe.depth_m).collect();
    let Ok(weights) = soil::probe_weights_m(&depths, bed.depth_m) else { return };
    let whole: f64 = weights.iter().sum();
    let weighted = |of: &dyn Fn(usize) -> f64| {
        let each = probes.iter().zip(&weights).map(|((ix, _), weight)| of(*ix) * weight);
        each.sum::<f64>() / whole
    };
    let full = weighted(&|ix| known.get(ix).map_or(bed.full, |known| known.full));
    let dry = |ix: usize| marks.probes.get(ix).and_then(|probe| at(&probe.dry, at_ms));
    let wilt = weighted(&|ix| dry(ix).unwrap_or(bed.wilt));
    // Marks out of order are none: what the settings say stands.
    if full.is_finite() && wilt.is_finite() && wilt + APART <= full {
        let own = |(ix, _): &(usize, _)| known.get(*ix).is_some_and(|known: &Known| known.own_full);
        bed.marks_guessed &= !probes.iter().any(own);
        (bed.full, bed.wilt) = (full, wilt);
        bed.saturation = bed.saturation.max(full + APART);
    }
}

impl Known {
    fn of_bed(bed: &Bed) -> Self {
        Self { full: bed.full, own_full: false, line: None, sd: 0.0 }
    }
}

impl ProbeMarks {
    fn known(&self, bed: &Bed, quantity: Quantity, at_ms: Millis) -> Known {
        let plain = Known::of_bed(bed);
        match quantity {
            Quantity::SoilMoisture => {
                let own = at(&self.full, at_ms).filter(|full| *full >= bed.wilt + APART && *full < 1.0);
                Known { full: own.unwrap_or(bed.full), own_full: own.is_some(), ..plain }
            }
            Quantity::SoilCounts => {
                let (line, taught) = self.counts(bed, at_ms).unzip();
                Known { line, sd: if taught == Some(true) { TAUGHT_SD } else { 0.0 }, ..plain }
            }
            _ => plain,
        }
    }

    /// A raw probe's two points: marks by hand before what the book taught. The flag says that the slope is the
    /// book's.
    fn counts(&self, bed: &Bed, at_ms: Millis) -> Option<(TwoPoint, bool)> {
        let line = self.line_at(at_ms);
        let raw_wet = at(&self.full, at_ms).or(line.map(|line| line.at_full))?;
        let by_hand = at(&self.dry, at_ms);
        let available_mm = 1000.0 * (bed.full - bed.wilt) * bed.depth_m;
        let raw_dry = by_hand.or(line.map(|line| raw_wet + line.per_mm * available_mm))?;
        let points = TwoPoint { raw_dry, theta_dry: bed.wilt, raw_wet, theta_wet: bed.full };
        // Two marks alike make no line.
        points.theta(raw_wet, 1.0).ok()?;
        Some((points, by_hand.is_none()))
    }

    fn line_at(&self, at_ms: Millis) -> Option<CountsLine> {
        let known = self.line.iter().rev().find(|(from_ms, ..)| *from_ms <= at_ms);
        known.map(|(_, per_mm, at_full)| CountsLine { at_full: *at_full, per_mm: *per_mm, sd_counts: 0.0 })
    }

    /// By how much its reading moves with each degree of its thermometer, as the days before a date showed.
    pub fn swing_per_c(&self, date: NaiveDate) -> Option<f64> {
        let from = date.checked_sub_days(chrono::Days::new(SWING_DAYS))?;
        let waves: Vec<Wave> = self.waves.range(from..date).map(|(_, wave)| Wave::from(*wave)).collect();
        soil::swing_per_c(&waves).ok().flatten()
    }
}

impl Marks {
    /// The clock had stood ahead: what was set then counts from now.
    pub fn set_back(&mut self, now_ms: Millis) {
        for probe in &mut self.probes {
            let fulls_and_dries = probe.full.iter_mut().chain(&mut probe.dry).map(|(ms, _)| ms);
            for ms in fulls_and_dries.chain(probe.line.iter_mut().map(|(ms, ..)| ms)) {
                *ms = (*ms).min(now_ms);
            }
        }
    }

    /// A probe was moved: what it showed says nothing of where it is now. The marks that count stay until others
    /// are accepted.
    pub fn moved(&mut self, ix: usize, name: &str) {
        if let Some(probe) = self.probes.get_mut(ix) {
            let (full, dry) = (std::mem::take(&mut probe.full), std::mem::take(&mut probe.dry));
            *probe = ProbeMarks { full, dry, line: std::mem::take(&mut probe.line), ..ProbeMarks::default() };
        }
        self.proposals.retain(|known| !known.waits_for(name));
    }
}
