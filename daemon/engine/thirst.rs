//! What days that have not closed are reckoned to draw, held against the days that have.

use chrono::{Datelike, NaiveDate};

use crate::record::Et0Method;

use super::foresee::Look;
use super::scene::Scene;
use super::weather::Range;

impl Scene<'_> {
    /// ET0 of today as a share of that of the last five days, from the maximum foreseen for today: by the form
    /// of Hargreaves and Samani (FAO-56 eq 52), with a minimum that rises half as much as the maximum
    /// (judgement). 1 until the first look of the day; within 0.7 and 1.4.
    pub(super) fn today_share(&self, date: NaiveDate) -> f64 {
        let foreseen = Look::ALL.iter().rev().find_map(|look| self.foresee.maximum(*look, date));
        let last: Vec<Range> = self.days.iter().rev().take(5).filter_map(|day| day.air).collect();
        let Some(foreseen) = foreseen.filter(|_| !last.is_empty()) else { return 1.0 };
        let mean = |of: fn(&Range) -> f64| last.iter().map(of).sum::<f64>() / last.len() as f64;
        let (min_c, max_c) = (mean(|air| air.min), mean(|air| air.max));
        let form = |min_c: f64, max_c: f64| {
            (f64::midpoint(min_c, max_c) + 17.8).max(1.0) * (max_c - min_c).max(1.0).sqrt()
        };
        let warmer_c = foreseen.value_c - max_c;
        (form(min_c + 0.5 * warmer_c, foreseen.value_c) / form(min_c, max_c)).clamp(0.7, 1.4)
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
