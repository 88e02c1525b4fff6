//! Rises of a bed's moisture probes: the hours at which water arrived that neither rain nor earlier water
//! accounts for, and how much.
//!
//! The hours are laid out as rows of equal length; at each hour the three before are held against three later
//! ones, soon, settled, and where it sinks in slowly. A rise belongs to the hour from which most of it is seen.

use agronomy::arrival::{self, Arrival, Depth, Meanwhile, SPAN_HOURS};

use chrono::NaiveDate;

use crate::quantities::Quantity;
use crate::record::{Millis, Rule};
use crate::settings::garden::Bed;

use super::calendar::HOUR_MS;
use super::scene::Scene;
use super::weather::{Day, expected_et0};
use super::{Trust, daylight};

/// Hours from the first rise to the spans it is looked at in: soon, settled, and where it sinks in slowly.
const LAGS: [usize; 3] = [1, 3, 6];
/// Two rises so near are one.
const APART_H: usize = 6;
/// Hours of the past that tell what a probe does of its own accord.
pub const PAST_H: usize = 72;
/// Water that came earlier still sinks: so much of it is left to arrive after each hour.
const SINKS_H: f64 = 6.0;
/// For so many hours back it is reckoned with.
const SINKS_LONG_H: usize = 36;
/// Error of water accounted for, as a share of it.
const KNOWN_ERROR: f64 = 0.5;
/// A rise between two hours under this share of the whole has settled.
const SETTLED_SHARE: f64 = 0.15;
/// Of the hours from which nearly the most is seen, it began in the last.
const NEAR_MOST: f64 = 0.9;
/// A rise climbs so long after its steepest hour.
const CLIMBS_H: usize = 1;
/// From so many hours before it a rise can be seen.
const LOOKS_H: usize = LAGS[2] + SPAN_HOURS;

/// The hours of one bed as rows of equal length.
pub(super) struct Rows<'a> {
    scene: &'a Scene<'a>,
    bed: &'a Bed,
    /// Start of the first hour.
    start_ms: Millis,
    probes: Vec<Row>,
    /// Rain of each hour, mm.
    rain_mm: Vec<f64>,
    /// Rooted m² on the first day that is looked at.
    pub rooted_m2: f64,
}

struct Row {
    depth_m: f64,
    theta: Vec<Option<f64>>,
    /// What it does of its own accord by each lag; `None` while it is new.
    sway: [Option<f64>; LAGS.len()],
}

/// A rise: the hour it began, as a place in the rows, and what arrived.
pub(super) struct Rise {
    /// Its hour.
    pub at: usize,
    /// What arrived.
    pub came: Arrival,
}

impl<'a> Rows<'a> {
    /// The rows of a bed from `PAST_H` before `from_ms` to `to_ms`; `None` without a believed probe.
    pub fn of(scene: &'a Scene<'a>, bed: &'a Bed, from_ms: Millis, to_ms: Millis) -> Option<Self> {
        let start_ms = scene.calendar.hour_start(from_ms) - PAST_H as Millis * HOUR_MS;
        let n = usize::try_from((to_ms - start_ms) / HOUR_MS).ok()? + 1;
        let place =
            |at_ms: Millis| usize::try_from((at_ms - start_ms).div_euclid(HOUR_MS)).unwrap_or(usize::MAX);
        let mut probes = Vec::new();
        for (ix, probe) in scene.garden.probes.iter().enumerate() {
            let of_bed = probe.quantity == Quantity::SoilMoisture && probe.bed.as_deref() == Some(&bed.name);
            let Some(depth_m) = probe.depth_m.filter(|_| of_bed) else { continue };
            // What it said while it was doubted or condemned says nothing of water; salts are looked at apart. But a
            // rise that is doubted because nobody logged water may be just that.
            let belief = scene.watches.get(ix).map(|watch| &watch.belief);
            let good = |at_ms: Millis| {
                belief.and_then(|belief| belief.at(at_ms)).is_none_or(|span| {
                    let asks = span.trust == Trust::Doubtful && span.rule == Rule::RiseWithoutWater;
                    asks || span.trust == Trust::Good
                })
            };
            let mut theta = vec![None; n];
            for (at_ms, hour) in scene.hours.range(ix, start_ms, to_ms).filter(|(at_ms, _)| good(*at_ms)) {
                if let Some(row) = theta.get_mut(place(*at_ms)) {
                    *row = Some(hour.mean()).filter(|theta| (0.0..=1.0).contains(theta));
                }
            }
            // The past, and the day before the one that is looked at: all of it is over.
            let past = &theta[..(PAST_H + 24).min(n)];
            let sway = LAGS.map(|lag| arrival::sway(past, lag).ok().flatten());
            probes.push(Row { depth_m, theta, sway });
        }
        if probes.is_empty() {
            return None;
        }
        let mut rain_mm = vec![0.0; n];
        if let Some(gauge) = scene.patch.rain {
            for (at_ms, hour) in scene.hours.range(gauge, start_ms, to_ms) {
                if let Some(row) = rain_mm.get_mut(place(*at_ms)) {
                    *row += hour.sum.max(0.0);
                }
            }
        }
        for (at_ms, mm) in &scene.facts.rain_by_eye {
            // Read by eye it may have fallen at any hour since the day before.
            if let (Some(row), None) = (rain_mm.get_mut(place(*at_ms)), scene.patch.rain) {
                *row += mm;
            }
        }
        let rooted_m2 = scene.ground(bed, scene.calendar.date(from_ms)).rooted_m2;
        Some(Self { scene, bed, start_ms, probes, rain_mm, rooted_m2 })
    }

    /// Start of the hour at a place.
    pub fn ms(&self, at: usize) -> Millis {
        self.start_ms + at as Millis * HOUR_MS
    }

    /// The place of an instant, if it lies in the rows.
    pub fn place(&self, at_ms: Millis) -> Option<usize> {
        usize::try_from((at_ms - self.start_ms).div_euclid(HOUR_MS))
            .ok()
            .filter(|at| *at < self.rain_mm.len())
    }

    /// The most any probe rose from before `at` to its span at `lag`, m³/m³, and whether each of them has said
    /// enough there.
    fn rise(&self, at: usize, lag: usize) -> Option<f64> {
        let mean = |row: &[Option<f64>]| {
            let read: Vec<f64> = row.iter().flatten().copied().collect();
            (!read.is_empty()).then(|| (read.iter().sum::<f64>() / read.len() as f64, read))
        };
        let mut most: Option<f64> = None;
        for probe in &self.probes {
            let before = mean(probe.theta.get(at.checked_sub(SPAN_HOURS)?..at)?);
            let end = (at + lag + SPAN_HOURS).min(probe.theta.len());
            let after = mean(probe.theta.get(at + lag..end)?);
            let (Some((before, _)), Some((after, read))) = (before, after) else { continue };
            let rise = after - before;
            // Of a span that is not over yet, two hours that agree say enough.
            let settled = match read.as_slice() {
                [_, _, _] => true,
                [first, second] => (second - first).abs() <= SETTLED_SHARE * rise,
                _ => false,
            };
            if settled {
                most = Some(most.map_or(rise, |most| most.max(rise)));
            }
        }
        most
    }

    /// What arrived from `at` on, by one lag, less rain and earlier water; `known`: only by probes whose own ways
    /// are known.
    fn came(&self, at: usize, which: usize, earlier: &[(usize, f64)], known: bool) -> Option<Arrival> {
        let lag = LAGS[which];
        let end = (at + lag + SPAN_HOURS).min(self.rain_mm.len());
        let depths: Vec<Depth<'_>> = self
            .probes
            .iter()
            .filter(|probe| !known || probe.sway[which].is_some())
            .filter_map(|probe| {
                Some(Depth {
                    depth_m: probe.depth_m,
                    before: probe.theta.get(at.checked_sub(SPAN_HOURS)?..at)?,
                    after: probe.theta.get(at + lag..end)?,
                    saturated: self.bed.saturation,
                    sway: probe.sway[which].unwrap_or(arrival::SWAY_UNKNOWN),
                })
            })
            .collect();
        let rained = (at.saturating_sub(SINKS_LONG_H)..end).map(|hour| (hour, self.rain_mm[hour]));
        let known: f64 = rained.chain(earlier.iter().copied()).map(|(hour, mm)| mm * left(hour, at)).sum();
        let meanwhile = Meanwhile {
            drying_mm: self.drying_mm(at, lag),
            known_mm: known.min(4000.0),
            known_sd_mm: (KNOWN_ERROR * known).min(4000.0),
        };
        arrival::arrived(&depths, self.bed.depth_m, &meanwhile).ok().flatten()
    }

    /// What plant and air drew between the middles of the two spans.
    fn drying_mm(&self, at: usize, lag: usize) -> f64 {
        let (from_ms, to_ms) = (self.ms(at) - 3 * HOUR_MS / 2, self.ms(at + lag) + 3 * HOUR_MS / 2);
        let date = self.scene.calendar.date(from_ms);
        let et0_mm = self.scene.et0_mm(date);
        let ground = self.scene.ground(self.bed, date);
        let days = daylight::demand_days(self.scene.garden.place, self.scene.calendar, from_ms, to_ms);
        (ground.kcb_full * ground.leafed_m2 / ground.rooted_m2 * et0_mm * days).clamp(0.0, 200.0)
    }

    /// The best of the lags that says it is water; `over` is the hour by which the rise was at its steepest, and
    /// what comes before its end is no level yet.
    fn best(&self, at: usize, over: usize, earlier: &[(usize, f64)]) -> Option<Arrival> {
        let came = |which: usize| {
            let lag = LAGS[which];
            let rose = at + lag > over && self.rise(at, lag).is_some_and(|rise| rise > arrival::SWAY_FLOOR);
            let came = rose.then(|| self.came(at, which, earlier, true)).flatten()?;
            came.is_significant().then_some(came)
        };
        // Settled is the truest amount; soon is too much where it is wet, too little where it is dry.
        came(1).or_else(|| came(2)).or_else(|| came(0))
    }

    /// What arrived from an instant on once it has settled, less rain; `None` before.
    pub fn shown(&self, at_ms: Millis) -> Option<Arrival> {
        let at = self.place(at_ms)?;
        let over = at + LAGS[1] + SPAN_HOURS <= self.rain_mm.len();
        over.then(|| self.came(at, 1, &[], false)).flatten()
    }

    /// The rises in the order of time; `logged` waterings still sink after their hours.
    pub fn rises(&self, logged: &[(usize, f64)]) -> Vec<Rise> {
        let to = self.rain_mm.len();
        let mut found: Vec<Rise> = Vec::new();
        let mut at = PAST_H;
        while at < to {
            let mut earlier: Vec<(usize, f64)> =
                found.iter().map(|rise| (rise.at, rise.came.total_mm)).collect();
            earlier.extend(logged.iter().filter(|(hour, _)| hour + APART_H <= at));
            if self.best(at, at, &earlier).is_none() {
                at += 1;
                continue;
            }
            // The same rise is seen from hours before it; it began shortly before its steepest hour. While it
            // still climbs neither its hour nor its amount can be told.
            let steepest = self.steepest(at);
            if steepest + CLIMBS_H > self.last() {
                break;
            }
            let looks: Vec<(usize, Arrival)> = (steepest.saturating_sub(SPAN_HOURS).max(at)..=steepest)
                .filter_map(|hour| Some((hour, self.best(hour, steepest, &earlier)?)))
                .collect();
            let most = looks.iter().map(|(_, came)| came.total_mm).fold(0.0, f64::max);
            let last = looks.into_iter().rev().find(|(_, came)| came.total_mm >= NEAR_MOST * most);
            let Some((onset, came)) = last else {
                at += 1;
                continue;
            };
            found.push(Rise { at: onset, came });
            at = onset + APART_H;
        }
        found
    }

    /// The hour of the steepest rise among those that can be seen from `at`.
    fn steepest(&self, at: usize) -> usize {
        // Two hours against the two before: one hour's step is as much noise as rise.
        let mean = |probe: &Row, hours: std::ops::Range<usize>| {
            let read = probe.theta.get(hours)?.iter().flatten();
            let (sum, n) = read.fold((0.0, 0.0), |(sum, n), theta| (sum + theta, n + 1.0));
            (n > 0.0).then(|| sum / n)
        };
        let step = |hour: usize| {
            let rose =
                |probe: &Row| Some(mean(probe, hour..hour + 2)? - mean(probe, hour.checked_sub(2)?..hour)?);
            self.probes.iter().filter_map(rose).fold(0.0, f64::max)
        };
        (at..at + LOOKS_H)
            .fold((at, 0.0), |best, hour| {
                let step = step(hour);
                if step > best.1 { (hour, step) } else { best }
            })
            .0
    }

    /// The last hour in which a probe spoke.
    fn last(&self) -> usize {
        let last = |probe: &Row| probe.theta.iter().rposition(Option::is_some);
        self.probes.iter().filter_map(last).max().unwrap_or(0)
    }
}

impl Scene<'_> {
    /// Reference evapotranspiration to be expected of a date from the days before it, mm: the same whether the
    /// date is over or not.
    fn et0_mm(&self, date: NaiveDate) -> f64 {
        let days: Vec<&Day> = self.days.iter().filter(|day| day.date < date).collect();
        expected_et0(&days, self.garden.place, date).0
    }
}

/// How much of the water of an hour is still to arrive at `at`: all until two hours before, then ever less.
fn left(hour: usize, at: usize) -> f64 {
    let age_h = at.saturating_sub(hour + 2);
    if age_h == 0 { 1.0 } else { (-(age_h as f64) / SINKS_H).exp() }
}
