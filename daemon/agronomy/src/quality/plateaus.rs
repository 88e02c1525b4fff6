//! Plateaus: flags D09, D10 and exact repeats. They look past gaps, as the network's code does.

use alloc::vec::Vec;

use super::{Flag, Flags, HALF_DAY, REPEATED_H, known, variance};

/// Shortest low plateau, h.
const LOW_H: usize = 13;
/// Relative variance (variance/mean) under which soil stands still, m³/m³ (0.001 in percent).
const STILL: f64 = 1e-5;
/// Shortest high plateau, h, and the variance under which it is one, (m³/m³)² (0.05 in percent²).
const HIGH: (usize, f64) = (12, 5e-6);
/// Steepest rise at its beginning at least, m³/m³ an hour (0.25 in percent).
const HIGH_RISE: f64 = 0.0025;
/// Its mean is over this share of the highest value.
const HIGH_SHARE: f64 = 0.95;

/// D09: from a break downward whose next 13 hours stand still, until they no longer do.
pub fn low(theta: &[Option<f64>], flags: &mut [Flags]) {
    let present: Vec<(usize, f64)> =
        theta.iter().enumerate().filter_map(|(at, value)| Some((at, (*value)?))).collect();
    let relative: Vec<Option<f64>> = (0..present.len())
        .map(|at| {
            let window = present.get(at..at + LOW_H)?;
            let mean = tenth_thousandths(window.iter().map(|(_, value)| value).sum::<f64>() / LOW_H as f64);
            let spread = tenth_thousandths(variance(window.iter().map(|(_, value)| *value))? * 100.0) / 100.0;
            if window.iter().all(|(_, value)| *value == 0.0) { Some(0.0) } else { Some(spread / mean) }
        })
        .collect();
    let mut stands = false;
    let mut until = 0;
    for (at, (hour, _)) in present.iter().enumerate() {
        let (here, before) = (known(&relative, at), at.checked_sub(1).and_then(|at| known(&relative, at)));
        let Some(of) = flags.get_mut(*hour) else { continue };
        let begins = of.has(Flag::D07) && here.is_some_and(|here| here < STILL);
        let ends = here.zip(before).is_some_and(|(here, before)| here - before >= STILL);
        stands = begins || (stands && !ends);
        if stands {
            until = at + LOW_H;
        }
        if at < until {
            of.set(Flag::D09);
        }
    }
}

/// Rounded to four digits of percent.
fn tenth_thousandths(value: f64) -> f64 {
    libm::rint(value * 1e6) / 1e6
}

/// D10: a span of little variance with a rise before it and a fall after it, near the highest value.
pub fn high(theta: &[Option<f64>], slopes: &[Option<f64>], flags: &mut [Flags]) {
    let present: Vec<(usize, f64)> =
        theta.iter().enumerate().filter_map(|(at, value)| Some((at, (*value)?))).collect();
    let highest = present.iter().map(|(_, value)| *value).filter(|value| *value < super::MOST);
    let Some(highest) = highest.reduce(f64::max) else { return };
    let still = |at: usize| {
        let window = present.get(at..at + HIGH.0)?;
        Some(variance(window.iter().map(|(_, value)| *value))? <= HIGH.1)
    };
    let slope = |at: usize| present.get(at).and_then(|(hour, _)| known(slopes, *hour));
    let mut at = 0;
    while at < present.len() {
        let first = at;
        while still(at) == Some(true) {
            at += 1;
        }
        if at == first {
            at += 1;
            continue;
        }
        let last = at - 1;
        let steepest = (first.saturating_sub(HALF_DAY)..=first + HALF_DAY).filter_map(slope).reduce(f64::max);
        let fall = (last..=last + 2 * HALF_DAY).filter_map(slope).reduce(f64::min);
        let end = (last + HIGH.0).min(present.len());
        let Some(span) = present.get(first..end) else { continue };
        let mean = span.iter().map(|(_, value)| value).sum::<f64>() / span.len() as f64;
        // The rise is held against its mark as the network rounds it, to 0.001 percent an hour.
        let rises = steepest.is_some_and(|slope| libm::rint(slope * 1e5) / 1e5 >= HIGH_RISE);
        let falls = fall.is_some_and(|slope| libm::rint(slope * 1e5) / 1e5 < 0.0);
        if rises && falls && mean > HIGH_SHARE * highest {
            for (hour, _) in span {
                if let Some(of) = flags.get_mut(*hour) {
                    of.set(Flag::D10);
                }
            }
        }
    }
}

/// Ours: the exactly same value for a day and more.
pub fn repeated(theta: &[Option<f64>], flags: &mut [Flags]) {
    let present: Vec<(usize, f64)> =
        theta.iter().enumerate().filter_map(|(at, value)| Some((at, (*value)?))).collect();
    for run in present.chunk_by(|(_, a), (_, b)| a == b).filter(|run| run.len() >= REPEATED_H) {
        for (hour, _) in run {
            if let Some(of) = flags.get_mut(*hour) {
                of.set(Flag::Repeated);
            }
        }
    }
}
