//! What a closed day teaches of each moisture probe: where it settled after water, counts beside the book's
//! depletion, the swing of its day.
//!
//! Each is a function of the hours and of the book of a few days, kept by its date, so that a day closed again
//! replaces what it taught and nothing is learned twice. Days whose hours are half gone keep what they taught.

use std::collections::BTreeMap;

use agronomy::soil::{self, Wave};
use chrono::NaiveDate;

use crate::quantities::Quantity;
use crate::record::Millis;
use crate::settings::garden::{Bed, Garden, Probe};

use super::super::Trust;
use super::super::book::Book;
use super::super::calendar::{HOUR_MS, next_day, previous_day};
use super::super::core::Engine;
use super::super::daylight::demand_before;
use super::super::scene::Scene;
use super::{DayWave, ProbeMarks, Settled};

/// Rain of an hour that counts as water, mm (judgement: less does not leave the leaves).
const RAIN_MM: f64 = 0.5;
/// Water of an event: what fell or was given within so long of its end.
const EVENT_MS: Millis = 24 * HOUR_MS;
/// Less water than this share of the held water makes no event (judgement).
const SMALLEST: f64 = 0.1;
/// At least this share, and no less than the bed lacked by so much of it, fills the bed.
const FILLS: (f64, f64) = (0.3, 0.1);
/// The small hours, after midnight; and the night around them from which its fall is read: before and after.
const SMALL_H: Millis = 5;
const NIGHT_H: (Millis, Millis) = (3, 6);
/// The window after the last water, hours.
const WINDOW_H: (Millis, Millis) = (24, 48);
/// Hours a day reaches back for what it teaches.
const LOOKS_BACK_MS: Millis = 4 * 24 * HOUR_MS;
/// Events, nights and waves kept.
const KEPT: (usize, usize, usize) = (12, 40, 50);
/// Hours that the day's wave takes for a metre down: 24 / (2π d) with d = 0.12 m, the damping depth of moist loam
/// (0.08 to 0.15 m: from memory).
const LATE_H_M: f64 = 32.0;
/// Hours of a day that the swing is read from, at least.
const WAVE_HOURS: usize = 20;

impl Engine {
    /// Learns what a closed day shows of each moisture probe.
    pub(in super::super) fn learn_marks(&mut self, date: NaiveDate) {
        let start_ms = self.calendar.day_start(date);
        if start_ms - LOOKS_BACK_MS < self.hours.newest_ms().saturating_sub(super::super::HOURS_KEPT_MS) {
            return;
        }
        let mut marks = std::mem::take(&mut self.memory.marks);
        marks.probes.resize(self.garden.probes.len(), ProbeMarks::default());
        let scene = self.scene(self.calendar.day_end(date));
        for (ix, of_probe) in marks.probes.iter_mut().enumerate() {
            let Some(probe) = scene.garden.probes.get(ix) else { continue };
            if !matches!(probe.quantity, Quantity::SoilMoisture | Quantity::SoilCounts) {
                continue;
            }
            let bed =
                probe.bed.as_deref().and_then(|bed| scene.garden.beds.iter().position(|b| b.name == bed));
            let Some((bed, book)) =
                bed.and_then(|at| Some((scene.garden.beds.get(at)?, self.memory.books.get(at)?)))
            else {
                continue;
            };
            let lesson = Lesson { scene, bed, book, ix, raw: probe.quantity == Quantity::SoilCounts, date };
            keep(&mut of_probe.settled, date, self.settled(&lesson), KEPT.0);
            if lesson.raw {
                keep(&mut of_probe.nights, date, lesson.night(), KEPT.1);
            } else {
                keep(&mut of_probe.waves, date, lesson.wave(), KEPT.2);
            }
        }
        self.memory.marks = marks;
    }

    /// Where the probe stood in the night of the date, if it had settled after water.
    fn settled(&self, lesson: &Lesson<'_>) -> Option<Settled> {
        let Lesson { scene, bed, .. } = lesson;
        let start_ms = scene.calendar.day_start(lesson.date);
        let small = scene.hours.range(lesson.ix, start_ms, start_ms + SMALL_H * HOUR_MS);
        let small: Vec<(Millis, f64)> = small.map(|(at_ms, hour)| (*at_ms, hour.mean())).collect();
        let water_ms = lesson.last_water_ms(start_ms + SMALL_H * HOUR_MS)?;
        let in_window = |(at_ms, _): &&(Millis, f64)| {
            at_ms - water_ms >= WINDOW_H.0 * HOUR_MS && at_ms + HOUR_MS - water_ms <= WINDOW_H.1 * HOUR_MS
        };
        let window: Vec<f64> = small.iter().filter(in_window).map(|(_, value)| *value).collect();
        if window.len() < 3 || !lesson.may_be_believed(start_ms) {
            return None;
        }
        let held_mm = 1000.0 * (bed.full - bed.wilt) * bed.depth_m;
        let came_mm = lesson.water_mm(water_ms - EVENT_MS, water_ms + 1);
        if came_mm < SMALLEST * held_mm {
            return None;
        }
        let before = scene.calendar.date(water_ms - EVENT_MS);
        let missing_mm = lesson.book.midnights.get(&before).map(|balance| balance.depletion_mm);
        let filled = came_mm >= FILLS.0 * held_mm
            && missing_mm.is_some_and(|missing_mm| came_mm >= missing_mm - FILLS.1 * held_mm);
        let drawn_mm = self.drawn_mm(bed, water_ms, start_ms)?;
        let drawn = drawn_mm / (1000.0 * bed.depth_m);
        let at = if lesson.raw {
            // Counts may have no scale yet: what was drawn is added once they have.
            let mut sorted = window;
            sorted.sort_by(f64::total_cmp);
            sorted.get(sorted.len() / 2).copied()
        } else {
            let night =
                scene.hours.range(lesson.ix, start_ms - NIGHT_H.0 * HOUR_MS, start_ms + NIGHT_H.1 * HOUR_MS);
            let night: Vec<(f64, f64)> = night
                .map(|(at_ms, hour)| ((at_ms - start_ms) as f64 / HOUR_MS as f64, hour.mean()))
                .collect();
            let falls = soil::fall_per_h(&night).ok().flatten()?;
            soil::settled(&window, falls, drawn.clamp(0.0, 0.3)).ok().flatten()
        };
        at.map(|at| Settled { at, filled, drawn_mm: if lesson.raw { drawn_mm } else { 0.0 } })
    }

    /// What the bed has used between two instants by its closed days, mm; `None` where one is missing.
    fn drawn_mm(&self, bed: &Bed, from_ms: Millis, to_ms: Millis) -> Option<f64> {
        let mut sum_mm = 0.0;
        let mut date = self.calendar.date(from_ms);
        while self.calendar.day_start(date) < to_ms {
            let used_mm = self.memory.records.get(&date)?.iter().find(|day| day.bed == bed.name)?.etc_mm?;
            let before = |ms| demand_before(self.garden.place, date, &self.calendar, ms);
            sum_mm += used_mm * (before(to_ms) - before(from_ms));
            date = next_day(date);
        }
        Some(sum_mm)
    }
}

/// One probe and one closed day.
struct Lesson<'a> {
    scene: Scene<'a>,
    bed: &'a Bed,
    book: &'a Book,
    ix: usize,
    raw: bool,
    date: NaiveDate,
}

impl Lesson<'_> {
    /// Good, and the soil not near freezing.
    fn may_be_believed(&self, at_ms: Millis) -> bool {
        self.scene.believed(self.ix, at_ms) == Trust::Good
            && !self.scene.frozen(self.bed, at_ms + SMALL_H * HOUR_MS)
    }

    /// End of the last hour of rain, or of the last water given, before an instant; within three days.
    fn last_water_ms(&self, before_ms: Millis) -> Option<Millis> {
        let from_ms = before_ms - 3 * EVENT_MS;
        let facts = self.scene.facts;
        let given_ms = facts.last_given_ms(&self.bed.name, before_ms).filter(|at_ms| *at_ms >= from_ms);
        let rained_ms = match self.scene.patch.rain {
            Some(gauge) => {
                let mut hours = self.scene.hours.range(gauge, from_ms, before_ms).rev();
                hours.find(|(_, hour)| hour.sum >= RAIN_MM).map(|(at_ms, _)| at_ms + HOUR_MS)
            }
            None => {
                facts.rain_by_eye.iter().map(|(at_ms, _)| *at_ms).filter(|at_ms| *at_ms < before_ms).max()
            }
        };
        given_ms.max(rained_ms)
    }

    fn water_mm(&self, from_ms: Millis, to_ms: Millis) -> f64 {
        let ground = self.scene.ground(self.bed, self.scene.calendar.date(to_ms - 1));
        let inflow = self.scene.inflow(self.bed, &ground, from_ms, to_ms);
        inflow.rain_mm + inflow.given_mm
    }

    /// Depletion of the book at the midnight before, and the counts of the small hours.
    fn night(&self) -> Option<(f64, f64)> {
        let start_ms = self.scene.calendar.day_start(self.date);
        let counts = self.scene.hours.mean(self.ix, start_ms, start_ms + SMALL_H * HOUR_MS)?;
        // A book that began later that day said nothing of its night.
        let midnight = self.book.midnights.get(&self.date).filter(|balance| balance.at_ms <= start_ms)?;
        let depletion_mm = midnight.depletion_mm;
        let wet = self.water_mm(start_ms - EVENT_MS, start_ms + SMALL_H * HOUR_MS) >= RAIN_MM;
        (self.may_be_believed(start_ms) && !wet && depletion_mm >= 0.0).then_some((depletion_mm, counts))
    }

    /// The wave of a day without water, beside that of the bed's nearest thermometer.
    fn wave(&self) -> Option<DayWave> {
        let Scene { calendar, hours, garden, .. } = self.scene;
        let (start_ms, end_ms) = (calendar.day_start(self.date), calendar.day_end(self.date));
        let (thermometer, late_ms) = thermometer(garden, self.ix)?;
        if self.water_mm(start_ms - EVENT_MS / 2, end_ms) > 0.0 || !self.may_be_believed(start_ms) {
            return None;
        }
        let warm: BTreeMap<Millis, f64> = hours
            .range(thermometer, start_ms - late_ms, end_ms - late_ms)
            .map(|(at_ms, hour)| (at_ms + late_ms, hour.mean()))
            .collect();
        let (mut theta, mut soil_c, mut drawn) = (Vec::new(), Vec::new(), Vec::new());
        for (at_ms, hour) in hours.range(self.ix, start_ms, end_ms) {
            let Some(c) = warm.get(at_ms) else { continue };
            theta.push(hour.mean());
            soil_c.push(*c);
            drawn.push(demand_before(garden.place, self.date, calendar, at_ms + HOUR_MS / 2));
        }
        if theta.len() < WAVE_HOURS {
            return None;
        }
        Wave::of_day(&theta, &soil_c, &drawn).ok().map(DayWave::from)
    }
}

/// The thermometer in the soil that stands nearest to a probe (in its bed, else any), and how much later its wave
/// comes to the probe where that lies deeper. Where it lies higher the same hour has to do: the wave to come is
/// not known.
pub fn thermometer(garden: &Garden, ix: usize) -> Option<(usize, Millis)> {
    let probe = garden.probes.get(ix)?;
    let depth_m = probe.depth_m?;
    let deeper_m = |other: &Probe| depth_m - other.depth_m.unwrap_or(depth_m);
    let far = |other: &Probe| deeper_m(other).abs() + if other.bed == probe.bed { 0.0 } else { 10.0 };
    let soil = garden.probes.iter().enumerate();
    let soil = soil.filter(|(_, other)| other.quantity == Quantity::SoilTemperature);
    let (at, other) = soil.min_by(|(_, a), (_, b)| far(a).total_cmp(&far(b)))?;
    let late_h = (deeper_m(other) * LATE_H_M).round().clamp(0.0, 8.0);
    Some((at, late_h as Millis * HOUR_MS))
}

/// Sets or takes away what a date taught, and forgets the oldest beyond `most`.
fn keep<T>(kept: &mut BTreeMap<NaiveDate, T>, date: NaiveDate, taught: Option<T>, most: usize) {
    match taught {
        Some(taught) => {
            kept.insert(date, taught);
        }
        None => {
            kept.remove(&date);
        }
    }
    while kept.len() > most {
        kept.pop_first();
    }
}

/// The small hours of the night that a reading of an instant is held against: those before it.
pub fn dawn(scene: &Scene<'_>, at_ms: Millis) -> (Millis, Millis) {
    let date = scene.calendar.date(at_ms);
    let start_ms = scene.calendar.day_start(date);
    let start_ms = if at_ms < start_ms + SMALL_H * HOUR_MS {
        scene.calendar.day_start(previous_day(date))
    } else {
        start_ms
    };
    (start_ms, start_ms + SMALL_H * HOUR_MS)
}
