//! The water book of one bed: the state at each midnight, days closed on it, and what it says now.
//!
//! Each closed day steps the balance by the day's ET0, rain and given water, and is then corrected toward
//! the probes by a filter that also learns how far the demand is off. "Now" is the last midnight carried on
//! by the part of the day that has passed, and corrected the same way; nothing of it is kept, so a late
//! reading re-derives everything from the midnights.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use agronomy::filter::Filter;
use agronomy::water::{self, BedDay, BedDayOut, Marks};

use crate::record::{Guess, Millis};
use crate::settings::garden::Bed;

use super::calendar::Calendar;
use super::sounding::Measured;

/// Depth of the surface layer that dries by evaporation, m (FAO-56: 0.10 to 0.15).
const SURFACE_M: f64 = 0.10;
/// Readily evaporable water at most, mm (FAO-56 table 19, loam 8-10: from memory).
const REW_MM: f64 = 9.0;
/// Share of the surplus over the full mark that drains in a day: half is gone in a day, nine tenths in three
/// (field capacity counts as reached after about two days; the figure is judgement).
const DRAINED_A_DAY: f64 = 0.55;
/// Beyond so many standard deviations two probes outvote the book.
const OUTVOTE: f64 = 3.0;
/// Error of a soil table's full mark, m³/m³ (Saxton & Rawls 2006 as two forms differ; judgement).
const TABLE_SD: f64 = 0.04;
/// What is believed at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Balance {
    /// The instant.
    pub at_ms: Millis,
    /// Depletion, mm over the rooted area.
    pub depletion_mm: f64,
    /// Factor on the book's demand.
    pub bias: f64,
    /// Covariance of the two.
    pub p: [[f64; 2]; 2],
    /// Water missing from the surface layer, mm.
    pub surface_depletion_mm: f64,
    /// Closed days in a row that ended past the refill mark.
    pub dry_days: u32,
    /// Begun from a soaking, not from a probe: rough.
    pub rough: bool,
    /// Days since a trusted probe last spoke.
    pub blind_days: u32,
    /// The full mark, m³/m³, that the depletion counts from; a mark that was learned since moves it.
    #[serde(default)]
    pub full: Option<f64>,
}

/// The book of one bed.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Book {
    /// What was believed at the start of each of the last days.
    pub midnights: BTreeMap<NaiveDate, Balance>,
}

/// What a step needs to know of a bed on a date.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ground {
    /// Rooted m².
    pub rooted_m2: f64,
    /// Leafed m².
    pub leafed_m2: f64,
    /// Soil that evaporates, m².
    pub exposed_m2: f64,
    /// Basal coefficient of full cover.
    pub kcb_full: f64,
    /// Most that soil and crop can pass on.
    pub kc_max: f64,
    /// Refill mark as a share of the stress mark.
    pub refill_share: f64,
    /// Leafed m² follows from the calendar, not from the tape.
    pub leaves_guessed: bool,
}

/// Water that came in during a span, mm over the rooted area.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Inflow {
    /// Rain.
    pub rain_mm: f64,
    /// Given.
    pub given_mm: f64,
}

/// One closed day of the book.
#[derive(Debug, Clone, PartialEq)]
pub struct ClosedDay {
    /// Flows.
    pub out: BedDayOut,
    /// The marks of the day.
    pub marks: Marks,
    /// What is believed at its end.
    pub end: Balance,
    /// The demand as the filter believes it: the book's times the bias.
    pub etc_mm: f64,
    /// Standard deviation of the depletion at its end.
    pub sd_mm: f64,
}

impl Balance {
    fn filter(&self, drainable_mm: f64) -> Filter {
        Filter { depletion_mm: self.depletion_mm, bias: self.bias, p: self.p, drainable_mm }
    }

    /// A first belief.
    pub fn begin(
        at_ms: Millis,
        depletion_mm: f64,
        sd_mm: f64,
        drainable_mm: f64,
        rough: bool,
    ) -> Option<Self> {
        let filter = Filter::new(depletion_mm, sd_mm, drainable_mm).ok()?;
        Some(Self {
            at_ms,
            depletion_mm: filter.depletion_mm,
            bias: filter.bias,
            p: filter.p,
            surface_depletion_mm: 0.0,
            dry_days: 0,
            rough,
            blind_days: 0,
            full: None,
        })
    }

    /// The same water, counted from the full mark that stands now. A book that no probe has corrected counts from
    /// full whatever that is called.
    fn counted_from(&self, bed: &Bed) -> Self {
        let moved = self.full.filter(|_| !self.rough).map_or(0.0, |full| bed.full - full);
        Self { depletion_mm: self.depletion_mm + 1000.0 * moved * bed.depth_m, ..*self }
    }
}

/// Most water above the full mark that the bed holds, mm.
pub fn drainable_mm(bed: &Bed) -> f64 {
    1000.0 * (bed.saturation - bed.full).max(0.0) * bed.depth_m
}

/// The marks of a bed at a day's demand.
pub fn marks(bed: &Bed, ground: &Ground, et0_mm: f64) -> Option<Marks> {
    let etc_leafed_mm = (ground.kcb_full * et0_mm).clamp(0.0, 30.0);
    let p = bed.crop.depletion_share;
    Marks::new(bed.full, bed.wilt, bed.depth_m, p, etc_leafed_mm, ground.refill_share).ok()
}

/// One step of the balance from `from` by a day or a part of it; `None` if the settings are outside what
/// the balance is valid for (they are checked, so this is a day of impossible weather).
pub fn advance(
    bed: &Bed,
    ground: &Ground,
    from: &Balance,
    et0_mm: f64,
    days: f64,
    inflow: Inflow,
    measured: Option<&Measured>,
) -> Option<ClosedDay> {
    let from = &from.counted_from(bed);
    let day_mm = if days > 0.0 { et0_mm / days } else { 0.0 };
    let marks = marks(bed, ground, day_mm)?;
    let drainable_mm = drainable_mm(bed);
    let tew_mm = 1000.0 * (bed.full - 0.5 * bed.wilt) * SURFACE_M;
    let out = water::step(&BedDay {
        et0_mm,
        rain_mm: inflow.rain_mm,
        given_mm: inflow.given_mm,
        wetted_share: 1.0,
        rooted_m2: ground.rooted_m2,
        leafed_m2: ground.leafed_m2,
        exposed_m2: ground.exposed_m2,
        kcb_full: ground.kcb_full,
        kc_max: ground.kc_max,
        depletion_mm: from.depletion_mm,
        surface_depletion_mm: from.surface_depletion_mm,
        rew_mm: REW_MM.min(0.5 * tew_mm),
        tew_mm,
        drainable_mm,
        drain_share: 1.0 - (1.0 - DRAINED_A_DAY).powf(days.max(0.0)),
        marks,
    })
    .ok()?;
    let mut filter = from.filter(drainable_mm);
    let inflow_mm = inflow.rain_mm + inflow.given_mm - out.drained_mm;
    filter.predict(out.etc_mm, inflow_mm, 24.0 * days).ok()?;
    filter.depletion_mm = filter.depletion_mm.min(marks.taw_mm);
    if let Some(measured) = measured {
        let expected_sd_mm = (filter.p[0][0] + measured.sd_mm * measured.sd_mm).sqrt();
        let off_mm = measured.depletion_mm - filter.depletion_mm;
        if measured.probes >= 2 && off_mm.abs() > OUTVOTE * expected_sd_mm {
            // Two probes that agree outvote the book: what it believed of the depletion counts little now, and
            // says nothing of the demand (water came or went that nobody logged).
            filter.p = [[filter.p[0][0] + off_mm * off_mm, 0.0], [0.0, filter.p[1][1]]];
        }
        filter.correct(measured.depletion_mm, measured.sd_mm).ok()?;
    }
    // The same for every day, so no part of the filter: a table's full mark moves all depletions alike.
    let mark_sd_mm = if bed.marks_guessed { 1000.0 * TABLE_SD * bed.depth_m } else { 0.0 };
    let sd_mm = filter.sd_mm().hypot(mark_sd_mm);
    let past_refill = filter.depletion_mm > marks.refill_mm;
    let end = Balance {
        at_ms: from.at_ms,
        full: Some(bed.full),
        depletion_mm: filter.depletion_mm,
        bias: filter.bias,
        p: filter.p,
        surface_depletion_mm: out.surface_depletion_mm,
        dry_days: if past_refill { from.dry_days.saturating_add(1) } else { 0 },
        rough: from.rough && measured.is_none(),
        blind_days: if measured.is_some() { 0 } else { from.blind_days.saturating_add(1) },
    };
    Some(ClosedDay { etc_mm: out.etc_mm * from.bias, out, marks, end, sd_mm })
}

/// Rain and given water of a span.
pub fn inflow(rain_mm: Option<f64>, given_litres: f64, rooted_m2: f64) -> Inflow {
    Inflow { rain_mm: rain_mm.unwrap_or(0.0), given_mm: given_litres / rooted_m2 }
}

/// What of a bed's day was estimated: the weather's guesses, and the soil where no probe spoke.
pub fn guesses(measured: bool, weather: &[Guess]) -> Vec<Guess> {
    let mut all = weather.to_vec();
    if !measured {
        all.push(Guess::Soil);
    }
    all
}

/// The civil days that are kept.
pub fn drop_old(book: &mut Book, calendar: &Calendar, now_ms: Millis) {
    let oldest = calendar.date(now_ms - super::HOURS_KEPT_MS);
    book.midnights.retain(|date, _| *date >= oldest);
}
