//! The finger test: `felt long dry | damp | wet` as a wide measurement of the whole bed.
//!
//! Judgement: at 10 cm dry is past the stress mark, damp between refill and stress, wet above refill. A finger
//! says between which marks the bed is, no figure: where the book agrees nothing changes, else the middle of the
//! span it names counts as a depletion with a fifth of the held water as its error. Water that came after it was
//! felt is taken off.

use agronomy::filter::Filter;
use agronomy::water::Marks;

use crate::daybook::Feel;

use super::super::book::ClosedDay;

/// Standard deviation of a finger, as a share of the held water.
pub const FELT_SD: f64 = 0.2;

/// The depletion that a feel stands for, mm: from, to, middle.
pub fn span_mm(feel: Feel, marks: &Marks) -> (f64, f64, f64) {
    let (refill, stress, held) = (marks.refill_mm, marks.raw_mm, marks.taw_mm);
    match feel {
        // The top dries first: not halfway to wilting.
        Feel::Dry => (stress, f64::INFINITY, stress + 0.25 * (held - stress)),
        Feel::Damp => (refill, stress, f64::midpoint(refill, stress)),
        Feel::Wet => (f64::NEG_INFINITY, refill, 0.5 * refill),
    }
}

/// Corrects the end of a day, or of now, by what was felt; `since_mm` came in after that.
pub fn correct(closed: &mut ClosedDay, feel: Feel, since_mm: f64, drainable_mm: f64) {
    let (from_mm, to_mm, middle_mm) = span_mm(feel, &closed.marks);
    let then_mm = closed.end.depletion_mm + since_mm;
    if (from_mm..=to_mm).contains(&then_mm) {
        return;
    }
    let (depletion_mm, bias, p) = (closed.end.depletion_mm, closed.end.bias, closed.end.p);
    let mut filter = Filter { depletion_mm, bias, p, drainable_mm };
    let sd_mm = (FELT_SD * closed.marks.taw_mm).max(1.0);
    if filter.correct(middle_mm - since_mm, sd_mm).is_ok() {
        (closed.end.depletion_mm, closed.end.bias, closed.end.p) =
            (filter.depletion_mm.min(closed.marks.taw_mm), filter.bias, filter.p);
        closed.sd_mm = closed.sd_mm.min(filter.sd_mm());
    }
}
