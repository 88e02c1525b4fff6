//! What days that have not closed are reckoned to draw, held against the days that have.

use chrono::{Datelike, NaiveDate};

use crate::record::Et0Method;

use super::daylight;
use super::foresee::Look;
use super::scene::Scene;
use super::weather::{self, Day, MOST_ET0_MM, Range};

/// The mean that a day's ET0 falls back to is that of so many days before it.
const MEAN_DAYS: usize = 10;
/// A day that lies off that mean leaves so much of it to the next (judgement: on prairie-2022 the error of the day
/// after falls from 1.39 to 1.21 mm against the mean of five days alone; shares of 0.5 to 0.7 do alike).
const KEPT: f64 = 0.6;
/// Days from which such errors are known.
const KNOWN_FROM_DAYS: usize = 10;
/// Errors of so many days count.
const ERRORS_OF_DAYS: usize = 30;
/// A hot day draws at least so much more than expected.
const HOT_LEAST: f64 = 1.15;
/// From this share of a day's demand on the day is over for what it draws.
const DONE_SHARE: f64 = 0.9;
/// The demand of a day that is not over is that of the last days: a cloud more or less (judgement, share).
const NOW_ET0_ERROR: f64 = 0.25;

/// ET0 of the day that is and of what is still to come, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Outlook {
    /// Today: measured once the day is over for it, before that by the maximum foreseen.
    pub today_mm: f64,
    /// Its standard deviation.
    pub today_sd_mm: f64,
    /// The day that most of what is to come falls in: today before noon, tomorrow after.
    pub coming_mm: f64,
    /// The same if it is hotter than nine of ten such days would be.
    pub coming_hot_mm: f64,
}

/// The day `ahead` days after the last of `et0_mm`, mm: the mean of the last ten, and of what the last one lies
/// off it as much as weather keeps.
fn expected(et0_mm: &[f64], ahead: i32) -> Option<f64> {
    let last = et0_mm.last()?;
    let recent = &et0_mm[et0_mm.len().saturating_sub(MEAN_DAYS)..];
    let mean = recent.iter().sum::<f64>() / recent.len() as f64;
    Some(mean + KEPT.powi(ahead) * (last - mean))
}

/// By how much nine of ten days stayed under what was expected of them, or more, mm; `None` before it is known.
fn hotter(et0_mm: &[f64], ahead: usize) -> Option<f64> {
    let from = et0_mm.len().saturating_sub(ERRORS_OF_DAYS).max(MEAN_DAYS / 2 + ahead);
    let mut over: Vec<f64> = (from..et0_mm.len())
        .filter_map(|at| Some(et0_mm[at] - expected(&et0_mm[..=at - ahead], ahead as i32)?))
        .collect();
    over.sort_by(f64::total_cmp);
    over.get(over.len().saturating_sub(1) * 9 / 10).copied().filter(|_| et0_mm.len() >= KNOWN_FROM_DAYS)
}

impl Scene<'_> {
    /// The weather of today, once its light is all but gone and twenty of its hours were seen: had the same way
    /// as yesterday's.
    pub(super) fn tonight(&self, date: NaiveDate) -> Option<Day> {
        let yesterday = self.yesterday()?;
        if daylight::demand_before(self.garden.place, date, self.calendar, self.now_ms) < DONE_SHARE {
            return None;
        }
        let day = weather::close(self, date);
        (day.et0_method == yesterday.et0_method && day.date > yesterday.date).then_some(day)
    }

    /// What today draws and what comes after; `recent` is the mean of the last days and a hot one to it.
    pub(super) fn outlook(
        &self,
        date: NaiveDate,
        tonight: Option<&Day>,
        recent_mm: f64,
        recent_hot_mm: f64,
    ) -> Outlook {
        let last = &self.days[self.days.len().saturating_sub(ERRORS_OF_DAYS + MEAN_DAYS)..];
        let mut et0_mm: Vec<f64> = last.iter().map(|day| day.et0_mm).collect();
        let tomorrow = daylight::demand_before(self.garden.place, date, self.calendar, self.now_ms) > 0.5;
        let foreseen_mm = self.today_share(date).map(|share| (share * recent_mm).min(MOST_ET0_MM));
        let today_mm = tonight
            .map(|day| day.et0_mm)
            .or(foreseen_mm)
            .or_else(|| expected(&et0_mm, 1))
            .unwrap_or(recent_mm);
        let unsure_mm = NOW_ET0_ERROR * recent_mm;
        let today_sd_mm = tonight
            .map(|day| day.et0_sd_mm)
            .or_else(|| self.yesterday().map(|day| day.et0_sd_mm.max(unsure_mm)))
            .unwrap_or(unsure_mm);
        let ahead = if tomorrow && tonight.is_none() { 2 } else { 1 };
        let hotter_mm = hotter(&et0_mm, ahead);
        let coming_mm = if tomorrow {
            et0_mm.push(today_mm);
            expected(&et0_mm, 1).unwrap_or(today_mm)
        } else {
            today_mm
        };
        let hot_mm = hotter_mm.map_or(recent_hot_mm, |more_mm| coming_mm + more_mm);
        Outlook {
            today_mm,
            today_sd_mm,
            coming_mm,
            coming_hot_mm: hot_mm.max(HOT_LEAST * coming_mm).min(MOST_ET0_MM),
        }
    }

    /// ET0 of today as a share of that of the last five days, from the maximum foreseen for today: by the form
    /// of Hargreaves and Samani (FAO-56 eq 52), with a minimum that rises half as much as the maximum
    /// (judgement). `None` until the first look of the day; within 0.7 and 1.4.
    pub(super) fn today_share(&self, date: NaiveDate) -> Option<f64> {
        let foreseen = Look::ALL.iter().rev().find_map(|look| self.foresee.maximum(*look, date));
        let last: Vec<Range> = self.days.iter().rev().take(5).filter_map(|day| day.air).collect();
        let foreseen = foreseen.filter(|_| !last.is_empty())?;
        let mean = |of: fn(&Range) -> f64| last.iter().map(of).sum::<f64>() / last.len() as f64;
        let (min_c, max_c) = (mean(|air| air.min), mean(|air| air.max));
        let form = |min_c: f64, max_c: f64| {
            (f64::midpoint(min_c, max_c) + 17.8).max(1.0) * (max_c - min_c).max(1.0).sqrt()
        };
        let warmer_c = foreseen.value_c - max_c;
        Some((form(min_c + 0.5 * warmer_c, foreseen.value_c) / form(min_c, max_c)).clamp(0.7, 1.4))
    }

    /// The usual ET0 of place and season as a share of the mean of the last five days, if any of these was
    /// guessed from the soil: soil that lies open to the sun swings far wider than the air, one under leaves
    /// less, and the guess cannot tell.
    pub(super) fn usual_share(&self, date: NaiveDate) -> Option<f64> {
        let last = &self.days[self.days.len().saturating_sub(5)..];
        if last.iter().all(|day| day.et0_method != Et0Method::HargreavesSoil) {
            return None;
        }
        let day_of_year = u16::try_from(date.ordinal()).ok()?;
        let usual = agronomy::climate::usual(self.garden.place.latitude_deg, day_of_year).ok()?;
        let mean_mm = last.iter().map(|day| day.et0_mm).sum::<f64>() / last.len() as f64;
        (mean_mm > 0.0).then(|| (usual.et0_mm / mean_mm).clamp(0.5, 1.5))
    }
}
