//! The full mark as a bed's own probes show it: where the water stands a day or two after a soaking.
//!
//! Field capacity as water content after about 48 h of draining (FAO glossary; two to three days in pervious
//! soil, and Jabro et al. 2009, Irrig. Sci. 27:223, saw 50 h in a sandy loam and 450 h in a clay loam). Which
//! waterings count, and how they are joined, is this project's judgement, held against a made layered soil.

use alloc::vec::Vec;

use crate::error::{Error, within};
use crate::real::pow;

/// A night that changes faster is not settled, m³/m³ an hour (judgement: 10 mm a day over 0.4 m).
pub const MOST_CHANGE_PER_H: f64 = 0.001;
/// A night that rises faster is not settled either, m³/m³ an hour (judgement: water is still on its way down to a
/// probe that the soaking did not reach in full).
pub const MOST_RISE_PER_H: f64 = 0.000_2;
/// Draining has all but stopped, m³/m³ an hour: 2 mm a day over 0.4 m (common practice is 1 to 2 mm a day).
pub const DRAINED_PER_H: f64 = 0.000_2;
/// Exponent b of W = a t^-b, by which a wet soil drains (Richards, Gardner, Ogata 1956, Soil Sci. Soc. Am. Proc.
/// 20:310; 0.03 in sand to 0.15 in clay: from memory). The middle, as a judgement: the probe shows the true one,
/// but not within one night.
const DRAIN_EXPONENT: f64 = 1.0 / 17.0;
/// Fewest readings of a window.
const READINGS: usize = 3;
/// An event counts when it settles within this of the highest, m³/m³ (judgement): a soaking that did not reach
/// so deep leaves less, and only the full ones show the mark.
pub const NEAR_HIGHEST: f64 = 0.025;
/// Of those events the median of the last 3 to 5 is the mark.
const EVENTS: (usize, usize) = (3, 5);

/// What the events of a probe show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Learned {
    /// The mark.
    pub mark: f64,
    /// From the lowest to the highest of the events it rests on.
    pub spread: f64,
    /// How many those are.
    pub events: usize,
}

/// How fast a reading fell within a night, m³/m³ an hour; below 0 where it rose. The least-squares line through
/// (hours, m³/m³).
///
/// `None` with under four readings or within less than three hours. Hours -1e6 to 1e6, water content 0 to 1, at
/// most 1000 readings; anything else is an [`Error`]. One probe's noise of 0.0015 makes about 0.0003 of it.
pub fn fall_per_h(night: &[(f64, f64)]) -> Result<Option<f64>, Error> {
    within("night", night.len() as f64, 0.0, 1000.0, "at most 1000 readings")?;
    for (hour, theta) in night {
        within("hour", *hour, -1e6, 1e6, "-1e6 to 1e6 h")?;
        within("theta", *theta, 0.0, 1.0, "0 to 1 m³/m³")?;
    }
    let first = night.iter().map(|(hour, _)| *hour).fold(f64::INFINITY, f64::min);
    let last = night.iter().map(|(hour, _)| *hour).fold(f64::NEG_INFINITY, f64::max);
    if night.len() < 4 || last - first < 3.0 {
        return Ok(None);
    }
    let n = night.len() as f64;
    let mean_h = night.iter().map(|(hour, _)| hour).sum::<f64>() / n;
    let mean = night.iter().map(|(_, theta)| theta).sum::<f64>() / n;
    let (mut hh, mut hw) = (0.0, 0.0);
    for (hour, theta) in night {
        hh += (hour - mean_h) * (hour - mean_h);
        hw += (hour - mean_h) * (theta - mean);
    }
    Ok(Some(-hw / hh))
}

/// Water content once draining has all but stopped, from a content that at night still falls by `fall_per_h`.
///
/// W = a t^-b gives θ × ([`DRAINED_PER_H`] / fall)^(b/(1+b)) with b = 1/17. At a slower fall, and in a night that
/// rises, `theta` comes back unchanged. `theta` 0 to 1 m³/m³, `fall_per_h` -1 to 1; anything else is an [`Error`].
pub fn still_draining(theta: f64, fall_per_h: f64) -> Result<f64, Error> {
    within("theta", theta, 0.0, 1.0, "0 to 1 m³/m³")?;
    within("fall_per_h", fall_per_h, -1.0, 1.0, "-1 to 1 m³/m³ an hour")?;
    if fall_per_h <= DRAINED_PER_H {
        return Ok(theta);
    }
    Ok(theta * pow(DRAINED_PER_H / fall_per_h, DRAIN_EXPONENT / (1.0 + DRAIN_EXPONENT)))
}

/// Where a probe has settled after water, m³/m³.
///
/// `window`: readings of the small hours (00-05 h, when plants draw nothing) that lie 24 to 48 h after the last
/// water. `fall_per_h`: how fast the reading fell in that night. `drawn`: what the plants have drawn since the
/// water, m³/m³ by the water book, which is added back. The median of the window, carried on by
/// [`still_draining`], and that. `None` with under three readings, or where the night fell by more than
/// [`MOST_CHANGE_PER_H`] or rose by more than [`MOST_RISE_PER_H`]. `window` 0 to 1, at most 1000 readings, `fall_per_h` -1 to 1, `drawn` 0 to 0.3;
/// anything else is an [`Error`].
pub fn settled(window: &[f64], fall_per_h: f64, drawn: f64) -> Result<Option<f64>, Error> {
    within("window", window.len() as f64, 0.0, 1000.0, "at most 1000 readings")?;
    for theta in window {
        within("theta", *theta, 0.0, 1.0, "0 to 1 m³/m³")?;
    }
    within("fall_per_h", fall_per_h, -1.0, 1.0, "-1 to 1 m³/m³ an hour")?;
    within("drawn", drawn, 0.0, 0.3, "0 to 0.3 m³/m³")?;
    if window.len() < READINGS || !(-MOST_RISE_PER_H..=MOST_CHANGE_PER_H).contains(&fall_per_h) {
        return Ok(None);
    }
    Ok(median(window).map(|theta| still_draining(theta, fall_per_h)).transpose()?.map(|theta| theta + drawn))
}

/// The mark that settled events show, oldest first; water counts upward (hand in counts that fall with water
/// with their sign turned).
///
/// Only events within `near` of the highest count ([`NEAR_HIGHEST`] for m³/m³); of those the median of the last
/// three to five. `None` with under three. Events -1e12 to 1e12, at most 1000, `near` 0 to 1e12; anything else is an
/// [`Error`].
pub fn full_mark(events: &[f64], near: f64) -> Result<Option<Learned>, Error> {
    within("events", events.len() as f64, 0.0, 1000.0, "at most 1000 events")?;
    within("near", near, 0.0, 1e12, "0 to 1e12")?;
    for event in events {
        within("event", *event, -1e12, 1e12, "-1e12 to 1e12")?;
    }
    let highest = events.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let full: Vec<f64> = events.iter().copied().filter(|event| *event >= highest - near).collect();
    let last = &full[full.len().saturating_sub(EVENTS.1)..];
    if last.len() < EVENTS.0 {
        return Ok(None);
    }
    let low = last.iter().copied().fold(f64::INFINITY, f64::min);
    let high = last.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Ok(median(last).map(|mark| Learned { mark, spread: high - low, events: last.len() }))
}

fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    let upper = sorted.get(middle)?;
    Some(if sorted.len() % 2 == 1 {
        *upper
    } else {
        f64::midpoint(*upper, *sorted.get(middle.checked_sub(1)?)?)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_soaking_too_small_to_fill_the_bed_does_not_lower_the_mark() {
        let learned = full_mark(&[0.31, 0.27, 0.305, 0.25, 0.315], NEAR_HIGHEST).unwrap().unwrap();
        assert_eq!((learned.mark, learned.events), (0.31, 3));
        assert_eq!(full_mark(&[0.31, 0.27, 0.25, 0.315], NEAR_HIGHEST).unwrap(), None);
    }

    #[test]
    fn the_last_five_count() {
        let events = [0.310, 0.312, 0.300, 0.301, 0.302, 0.303, 0.304];
        let learned = full_mark(&events, NEAR_HIGHEST).unwrap().unwrap();
        assert_eq!((learned.mark, learned.events), (0.302, 5));
    }

    #[test]
    fn a_night_that_still_runs_is_not_settled() {
        let window = [0.33, 0.329, 0.328];
        assert_eq!(settled(&window, 0.0012, 0.0).unwrap(), None);
        assert_eq!(settled(&window, -0.0003, 0.0).unwrap(), None, "water is still on its way");
        assert_eq!(settled(&window[..2], 0.0, 0.0).unwrap(), None);
        assert_eq!(settled(&window, 0.0001, 0.01).unwrap(), Some(0.339));
        assert!(settled(&window, f64::NAN, 0.0).is_err() && settled(&[1.2], 0.0, 0.0).is_err());
    }

    #[test]
    fn a_night_too_short_has_no_fall() {
        assert_eq!(fall_per_h(&[(0.0, 0.3), (1.0, 0.3), (2.0, 0.3)]).unwrap(), None);
        assert_eq!(fall_per_h(&[(0.0, 0.3), (0.5, 0.3), (1.0, 0.3), (1.5, 0.3)]).unwrap(), None);
        let falls = fall_per_h(&[(0.0, 0.304), (1.0, 0.303), (2.0, 0.302), (4.0, 0.3)]).unwrap().unwrap();
        assert!((falls - 0.001).abs() < 1e-12, "{falls}");
    }

    #[test]
    fn what_still_drains_stands_lower_when_it_has_drained() {
        let drained = still_draining(0.344, 0.0005).unwrap();
        assert!((0.322..0.330).contains(&drained), "{drained}");
        assert_eq!(still_draining(0.3, -0.0005).unwrap(), 0.3);
    }
}
