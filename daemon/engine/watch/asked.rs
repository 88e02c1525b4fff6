//! What doubt in single probes means for the bed they stand in.

use crate::quantities::Quantity;
use crate::record::{Millis, Rule};
use crate::settings::garden::Bed;

use super::super::Trust;
use super::super::calendar::HOUR_MS;
use super::super::scene::Scene;

/// Probes at one depth stand no further apart, m.
const ONE_DEPTH_M: f64 = 0.025;

impl Scene<'_> {
    /// A good probe at the depth of a doubtful one speaks for both.
    pub fn stood_in_for(&self, probe: usize, at_ms: Millis) -> bool {
        let Some(of) = self.garden.probes.get(probe) else { return false };
        let near = |depth_m: f64| of.depth_m.is_some_and(|of_m| (of_m - depth_m).abs() <= ONE_DEPTH_M);
        self.garden.probes.iter().enumerate().any(|(ix, other)| {
            ix != probe
                && other.quantity == of.quantity
                && other.bed == of.bed
                && other.depth_m.is_some_and(near)
                && self.believed(ix, at_ms) == Trust::Good
                && self.hours.present(ix, at_ms - 3 * HOUR_MS, at_ms + 1) > 0
        })
    }

    /// By how much the spread of a bed's measure grows because of doubtful probes among those that count: a
    /// doubtful one errs twice as much (judgement). Where the only probe rose, water that nobody logged is likelier
    /// than a fault, and a book that lagged would ask for it again the same evening: it counts in full until it is
    /// condemned.
    pub fn doubt_factor(&self, bed: &Bed, at_ms: Millis, counts: impl Fn(usize) -> bool) -> f64 {
        let (mut all, mut squares, mut rose) = (0.0, 0.0, false);
        for (ix, probe) in self.garden.probes.iter().enumerate() {
            let of_bed = probe.quantity == Quantity::SoilMoisture && probe.bed.as_deref() == Some(&bed.name);
            if of_bed && counts(ix) {
                all += 1.0;
                let span = self.watches.get(ix).and_then(|watch| watch.belief.at(at_ms));
                rose |= span.is_some_and(|span| span.rule == Rule::RiseWithoutWater);
                squares += if self.believed(ix, at_ms) == Trust::Doubtful { 4.0 } else { 1.0 };
            }
        }
        let alone = all == 1.0 && rose;
        if all > 0.0 && !alone { f64::sqrt(squares / all) } else { 1.0 }
    }
}
