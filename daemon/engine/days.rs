//! Closing civil days: the weather first, then each bed's book; and deriving closed days anew when late
//! readings or day-book lines belong to them.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use agronomy::degree_days::{self, Cutoff, Limits};

use crate::record::{DayRecord, Millis};
use crate::settings::garden::Bed;

use super::Action;
use super::book::{self, ClosedDay};
use super::calendar::{HOUR_MS, MINUTE_MS, next_day, previous_day};
use super::core::Engine;
use super::foresee::AirOfDay;
use super::hours::Hours;
use super::stage;
use super::weather::{self, Day, Range};

/// A day is closed so long after its midnight: readings on the way may still come.
const GRACE_MS: Millis = 15 * MINUTE_MS;
/// Most days derived anew at once; the hours reach back no further.
const MOST_DAYS: i64 = 15;

impl Engine {
    /// Closes days that have ended, and derives anew what late readings touched.
    pub(super) fn close_due_days(&mut self, at_ms: Millis, actions: &mut Vec<Action>) {
        let Some(mut closed) = self.memory.closed_through else { return };
        if let Some(from) = self.memory.derive_from.take() {
            let oldest = closed - chrono::Days::new(MOST_DAYS.unsigned_abs() - 1);
            let mut date = from.max(oldest);
            while date <= closed {
                self.close_day(date, Some(at_ms), actions);
                date = next_day(date);
            }
        }
        let ended = previous_day(self.calendar.date(at_ms - GRACE_MS));
        while closed < ended {
            closed = next_day(closed);
            self.memory.closed_through = Some(closed);
            self.close_day(closed, None, actions);
            self.forget(at_ms);
        }
    }

    fn close_day(&mut self, date: NaiveDate, again_ms: Option<Millis>, actions: &mut Vec<Action>) {
        let again = again_ms.is_some();
        let day = weather::close(&self.scene(self.calendar.day_end(date)), date);
        weather::note_both_ways(&mut self.memory.both_ways, &day);
        if let (Some(air), false) = (day.air, again) {
            let of_day = AirOfDay { max_c: air.max, guess_sd_c: day.air_guess_sd_c };
            self.memory.foresee.learn_day(date, of_day);
        }
        let days = &mut self.memory.days;
        match days.binary_search_by_key(&date, |day| day.date) {
            Ok(at) => days[at] = day.clone(),
            Err(at) => days.insert(at, day.clone()),
        }
        for at in 0..self.garden.beds.len() {
            self.keep_warmth(at, &day);
            self.look_for_end(at, &day);
            if let Some(record) = self.close_bed(at, &day) {
                self.file(record, again_ms, actions);
            }
        }
        self.keep_batteries(&day);
        self.learn_marks(date);
        if !again {
            self.propose_marks(self.calendar.day_end(date));
        }
    }

    /// Hands a record out unless the same one was handed out before.
    fn file(&mut self, mut record: DayRecord, again_ms: Option<Millis>, actions: &mut Vec<Action>) {
        let filed = self.memory.records.entry(record.date).or_default();
        let old = filed.iter().position(|old| old.bed == record.bed);
        if let Some(old) = old.and_then(|at| filed.get_mut(at)) {
            (record.corrected, record.corrected_ms) = (old.corrected, old.corrected_ms);
            if *old == record {
                return;
            }
            record.corrected |= again_ms.is_some();
            record.corrected_ms = again_ms.or(record.corrected_ms);
            *old = record.clone();
        } else {
            filed.push(record.clone());
        }
        actions.push(Action::Day(Box::new(record)));
    }

    fn close_bed(&mut self, at: usize, day: &Day) -> Option<DayRecord> {
        let (from_ms, to_ms) = (self.calendar.day_start(day.date), self.calendar.day_end(day.date));
        let scene = self.scene(to_ms);
        let bed = scene.garden.beds.get(at)?;
        let ground = scene.ground(bed, day.date);
        let start = self.memory.books.get(at)?.midnights.get(&day.date).copied();
        let measured = scene.measure(bed, to_ms - 1);
        let closed = start.and_then(|start| {
            // The first day of a book begins within the day.
            let begun_ms = start.at_ms.max(from_ms);
            let share = super::daylight::demand_days(self.garden.place, &self.calendar, begun_ms, to_ms);
            let days = (to_ms - begun_ms) as f64 / (24.0 * HOUR_MS as f64);
            let inflow = scene.inflow(bed, &ground, begun_ms, to_ms);
            let share = share.min(1.0);
            let demand = book::Demand { et0_mm: day.et0_mm * share, sd_mm: day.et0_sd_mm * share };
            let mut closed = book::advance(bed, &ground, &start, demand, days, inflow, measured.as_ref())?;
            scene.feel(bed, &ground, begun_ms, to_ms, &mut closed);
            Some((closed, inflow))
        });
        let rooted_before_m2 = scene.facts.rooted_m2(bed, previous_day(day.date));
        let joined_l = closed.as_ref().zip(start).map(|((closed, _), start)| {
            let held_mm = closed.marks.taw_mm - start.depletion_mm.clamp(0.0, closed.marks.taw_mm);
            held_mm * (ground.rooted_m2 - rooted_before_m2).max(0.0)
        });
        let mut record = self.record(bed, day, closed.as_ref(), measured.is_some());
        record.joined_l = joined_l;
        let (name, ends) = (bed.name.clone(), closed.as_ref().map(|(closed, _)| closed.end));
        if let (Some(start), Some(end), Some(book)) = (start, ends, self.memory.books.get(at)) {
            let none = BTreeMap::new();
            let buried = self.memory.facts.buried.get(&name).unwrap_or(&none);
            let m2 = book::joins_m2(book, buried, &start, &end);
            self.memory.facts.join(&name, next_day(day.date), m2);
        }
        // A day that no bed can have had (a typed 20,000 L) moves nothing; the book goes on from where it was.
        let end = closed.map(|(closed, _)| closed.end).or(start);
        if let Some(end) = end {
            let end = book::Balance { at_ms: to_ms, ..end };
            self.memory.books.get_mut(at)?.midnights.insert(next_day(day.date), end);
        }
        Some(record)
    }

    fn record(
        &self,
        bed: &Bed,
        day: &Day,
        closed: Option<&(ClosedDay, book::Inflow)>,
        measured: bool,
    ) -> DayRecord {
        let (from_ms, to_ms) = (self.calendar.day_start(day.date), self.calendar.day_end(day.date));
        let soil = weather::shallowest(&self.garden, Some(&bed.name))
            .and_then(|probe| weather::range(&self.hours, probe, from_ms, to_ms))
            .or(day.soil);
        let limits = Limits::new(bed.crop.base_c, bed.crop.upper_c).ok();
        let soil_probe = weather::shallowest(&self.garden, Some(&bed.name)).or(self.patch.soil);
        let planted = self.memory.facts.is_growing(bed, day.date);
        let degree_days = |probe: Option<usize>, range: Option<Range>| {
            limits
                .filter(|_| planted)
                .and_then(|limits| self.degree_days(probe, range, from_ms, to_ms, &limits))
        };
        let air_probe = self.patch.air.filter(|_| day.air_guess_sd_c.is_none());
        let kc = closed.filter(|_| day.et0_mm > 0.0).map(|(closed, _)| closed.etc_mm / day.et0_mm);
        DayRecord {
            date: day.date,
            bed: bed.name.clone(),
            air_min_c: day.air.map(|air| air.min),
            air_max_c: day.air.map(|air| air.max),
            air_mean_c: day.air.map(|air| air.mean),
            rh_mean_pct: day.rh_mean_pct,
            wind_mean_m_s: day.wind_mean_m_s,
            solar_mj_m2: day.solar_mj_m2,
            soil_min_c: soil.map(|soil| soil.min),
            soil_mean_c: soil.map(|soil| soil.mean),
            soil_max_c: soil.map(|soil| soil.max),
            rain_mm: day.rain_mm,
            et0_mm: Some(day.et0_mm),
            et0_method: Some(day.et0_method),
            kc,
            etc_mm: closed.map(|(closed, _)| closed.etc_mm),
            given_mm: closed.map(|(_, inflow)| inflow.given_mm),
            drained_mm: closed.map(|(closed, _)| closed.out.drained_mm),
            // Water above the full mark is not depletion; it drains and stays in the book.
            depletion_mm: closed.map(|(closed, _)| closed.end.depletion_mm.max(0.0)),
            taw_mm: closed.map(|(closed, _)| closed.marks.taw_mm),
            raw_mm: closed.map(|(closed, _)| closed.marks.raw_mm),
            share_used: closed
                .map(|(closed, _)| (closed.end.depletion_mm / closed.marks.taw_mm).clamp(0.0, 1.0)),
            gdd_air_c: degree_days(air_probe, day.air),
            gdd_soil_c: degree_days(soil_probe, soil),
            heat_dh_c: air_probe.and_then(|probe| self.heat(probe, from_ms, to_ms, bed.shade_c)),
            coldest_c: day.coldest_c,
            data_share: self.data_share(&bed.name, from_ms, to_ms),
            // The book's own coefficients: kc, which is etc / et0, is (ks kcb + ke) times the learned bias.
            kcb: closed.map(|(closed, _)| closed.out.kcb),
            ke: closed.map(|(closed, _)| closed.out.ke),
            depletion_sd_mm: closed.map(|(closed, _)| closed.sd_mm),
            guessed: book::guesses(measured, &day.guessed),
            joined_l: None,
            corrected: false,
            corrected_ms: None,
        }
    }

    /// The hourly means of a probe over a span, `None` where nothing was read.
    fn hourly(&self, probe: usize, from_ms: Millis, to_ms: Millis) -> Vec<Option<f64>> {
        let mut means = vec![None; Hours::whole(from_ms, to_ms)];
        for (start_ms, hour) in self.hours.range(probe, from_ms, to_ms) {
            let at = usize::try_from((start_ms - from_ms) / HOUR_MS).unwrap_or(usize::MAX);
            if let Some(mean) = means.get_mut(at) {
                *mean = Some(hour.mean());
            }
        }
        means
    }

    /// Keeps the day's degree-days, planted or not: a setting out may be logged later.
    fn keep_warmth(&mut self, at: usize, day: &Day) {
        let Some(bed) = self.garden.beds.get(at) else { return };
        let (from_ms, to_ms) = (self.calendar.day_start(day.date), self.calendar.day_end(day.date));
        let probe = self.patch.air.filter(|_| day.air_guess_sd_c.is_none());
        let degree_days = Limits::new(bed.crop.base_c, bed.crop.upper_c)
            .ok()
            .and_then(|limits| self.degree_days(probe, day.air, from_ms, to_ms, &limits));
        self.memory.warmths.entry(stage::key(bed)).or_default().put(day.date, degree_days);
    }

    /// Degree-days from the hours; where too many are missing, by the single sine through the extremes.
    fn degree_days(
        &self,
        probe: Option<usize>,
        range: Option<Range>,
        from_ms: Millis,
        to_ms: Millis,
        limits: &Limits,
    ) -> Option<f64> {
        let by_hours = probe.and_then(|probe| {
            degree_days::hourly(&self.hourly(probe, from_ms, to_ms), limits, Cutoff::Horizontal)
                .ok()
                .flatten()
        });
        by_hours.or_else(|| {
            let range = range?;
            degree_days::single_sine(range.min, range.max, limits, Cutoff::Horizontal).ok()
        })
    }

    /// Degree-hours above a mark, if at least twenty hours of the day were seen.
    fn heat(&self, probe: usize, from_ms: Millis, to_ms: Millis, mark_c: f64) -> Option<f64> {
        weather::range(&self.hours, probe, from_ms, to_ms)?;
        let means = self.hourly(probe, from_ms, to_ms);
        degree_days::degree_hours_above(&means, mark_c, 1.0).ok().map(|above| above.degree_hours)
    }

    /// Share of the hours in which the probes of a bed and of the patch spoke.
    fn data_share(&self, bed: &str, from_ms: Millis, to_ms: Millis) -> Option<f64> {
        let (mut present, mut expected) = (0, 0);
        for (ix, probe) in self.garden.probes.iter().enumerate() {
            if probe.bed.as_deref().is_none_or(|of| of == bed) {
                // A day may hold one more piece of an hour than whole ones.
                let whole = Hours::whole(from_ms, to_ms);
                present += self.hours.present(ix, from_ms, to_ms).min(whole);
                expected += whole;
            }
        }
        (expected > 0).then(|| present as f64 / expected as f64)
    }
}
