//! What the bed they stand in may take from single probes, and doubt in them: stand-ins, spread, hours above full.

use crate::quantities::Quantity;
use crate::record::{Millis, Rule};
use crate::settings::garden::Bed;

use super::super::Trust;
use super::super::calendar::HOUR_MS;
use super::super::scene::Scene;

/// Probes at one depth stand no further apart, m.
const ONE_DEPTH_M: f64 = 0.025;

/// Longest time without a reading that does not end a span of readings (judgement).
const GAP_MS: Millis = 4 * HOUR_MS;

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

    /// For how long every calibrated moisture probe of the bed has read above the full mark, up to three days;
    /// `None` under 24 h. A mark from a table errs by 0.05 m³/m³ and more (a bed rich in compost holds far more
    /// than its texture says), so there the probes must read over the middle between full and brimful.
    pub fn over_full_hours(&self, bed: &Bed) -> Option<f64> {
        let mark = if bed.marks_guessed { f64::midpoint(bed.full, bed.saturation) } else { bed.full };
        let mut least: Option<f64> = None;
        for (ix, probe) in self.garden.probes.iter().enumerate() {
            let of_bed = probe.quantity == Quantity::SoilMoisture && probe.bed.as_deref() == Some(&bed.name);
            if !of_bed || self.trusts.get(ix).is_some_and(|trust| *trust != Trust::Good) {
                continue;
            }
            let span = self.hours.range(ix, self.now_ms - 72 * HOUR_MS, self.now_ms + 1);
            let own = self.known.get(ix).filter(|known| known.own_full);
            let mark = own.map_or(mark, |known| known.full);
            // Hours in which nothing was read prove nothing: a longer gap ends the span.
            let mut reached_ms = self.now_ms;
            for (start_ms, hour) in span.rev() {
                if reached_ms - start_ms > GAP_MS || hour.min <= mark {
                    break;
                }
                reached_ms = *start_ms;
            }
            let hours = (self.now_ms - reached_ms) as f64 / HOUR_MS as f64;
            least = Some(least.map_or(hours, |least: f64| least.min(hours)));
        }
        least.filter(|hours| *hours >= 24.0)
    }
}
