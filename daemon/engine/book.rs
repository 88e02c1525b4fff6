//! The water book of one bed: the state at each midnight, days closed on it, and what it says now.
//!
//! Each closed day steps the balance by the day's ET0, rain and given water, and is then corrected toward
//! the probes by a filter that also learns how far the demand is off. "Now" is the last midnight carried on
//! by the part of the day that has passed, and corrected the same way; nothing of it is kept, so a late
//! reading re-derives everything from the midnights.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use agronomy::filter::{BIAS_PRIOR_SD, Filter};
use agronomy::water::{self, BedDay, BedDayOut, Marks};

use crate::record::{Guess, Millis};
use crate::settings::garden::Bed;

use super::calendar::Calendar;
use super::sounding::Measured;

/// Depth of the surface layer that dries by evaporation, m (FAO-56: 0.10 to 0.15).
const SURFACE_M: f64 = 0.10;
/// Readily evaporable water where the settings name no texture, mm: a loam's (FAO-56 table 19, 8-10: from
/// memory).
const REW_MM: f64 = 9.0;
/// A buried node takes so many days with a moist surface to root (judgement)...
const ROOTS_IN_DAYS: u32 = 10;
/// ...and then draws from so much more soil, m² (judgement).
const NODE_M2: f64 = 0.05;
/// Share of the surplus over the full mark that drains in a day: half is gone in a day, nine tenths in three
/// (field capacity counts as reached after about two days; the figure is judgement).
const DRAINED_A_DAY: f64 = 0.55;
/// Beyond so many standard deviations two probes outvote the book.
const OUTVOTE: f64 = 3.0;
/// Error of a soil table's full mark, m³/m³ (Saxton & Rawls 2006 as two forms differ; judgement).
const TABLE_SD: f64 = 0.04;
/// Share of the error of a day's ET0 that is of that day alone; the rest stays the same and is the bias's (judgement).
const SCATTER: f64 = 0.5;
/// Error of water that came in, as a share of it: gauge, cans filled by eye (judgement).
const INFLOW_ERROR: f64 = 0.1;
/// The usual ET0 of a place errs by so much of itself for a given month (judgement: coast and inland of one
/// latitude differ so).
const USUAL_SD: f64 = 0.25;

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
    /// Days since the book began that ended with a moist surface.
    #[serde(default)]
    pub moist_days: u32,
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
    /// The usual ET0 of place and season as a share of the one guessed from the soil of late; `None` where air
    /// is measured.
    pub usual_share: Option<f64>,
}

/// Reference evapotranspiration of a span, mm, and how far it may be off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Demand {
    /// The figure.
    pub et0_mm: f64,
    /// Its standard deviation; it differs from day to day.
    pub sd_mm: f64,
}

/// Water that came in during a span, mm over the rooted area.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Inflow {
    /// Rain.
    pub rain_mm: f64,
    /// Given: logged, and recognised from the soil.
    pub given_mm: f64,
    /// Standard deviation of both together.
    pub sd_mm: f64,
}

impl Inflow {
    /// Of rain, logged litres, and recognised litres with their standard deviation.
    pub fn of(rain_mm: f64, logged_litres: f64, recognised: (f64, f64), rooted_m2: f64) -> Self {
        let (litres, litres_sd) = recognised;
        let errors =
            [INFLOW_ERROR * rain_mm, INFLOW_ERROR * logged_litres / rooted_m2, litres_sd / rooted_m2];
        Self {
            rain_mm,
            given_mm: (logged_litres + litres) / rooted_m2,
            sd_mm: errors.iter().map(|sd| sd * sd).sum::<f64>().sqrt(),
        }
    }
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
    /// What a leafed m² truly draws, as a share of Kcb × ET0: the learned bias, which is what the probes have
    /// seen of it, and where ET0 is guessed from the soil what the place's usual ET0 says of that guess, each
    /// by its certainty. Within half and one and a half (judgement: more is no error of ET0). Where the leafed
    /// m² is itself a guess the bias is mostly its error, and says nothing.
    pub fn leaf_share(&self, ground: &Ground) -> f64 {
        let prior = BIAS_PRIOR_SD * BIAS_PRIOR_SD;
        let (learned, variance) =
            if ground.leaves_guessed { (1.0, prior) } else { (self.bias, self.p[1][1].clamp(1e-4, prior)) };
        let share = match ground.usual_share {
            Some(usual) => {
                let weight = variance / (variance + USUAL_SD * USUAL_SD);
                learned + weight * (usual - learned)
            }
            None => learned,
        };
        share.clamp(0.5, 1.5)
    }

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
            moist_days: 0,
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

/// Readily evaporable water of the bed's surface, mm.
fn rew_mm(bed: &Bed) -> f64 {
    bed.texture.map_or(REW_MM, agronomy::soil::Texture::readily_evaporable_mm)
}

/// The soil that nodes buried earlier root on the day that `day_end` closes, m²: a node needs ten days on
/// which the surface ends moist (its readily evaporable water not used up). One that has not got them while
/// the midnights reach back to it does not root.
pub fn joins_m2(book: &Book, buried: &BTreeMap<NaiveDate, u32>, start: &Balance, end: &Balance) -> f64 {
    let rooted = buried.iter().filter(|(date, _)| {
        let before = book.midnights.get(*date).map_or(u32::MAX, |midnight| midnight.moist_days);
        let days = |balance: &Balance| balance.moist_days.saturating_sub(before);
        days(start) < ROOTS_IN_DAYS && days(end) >= ROOTS_IN_DAYS
    });
    rooted.map(|(_, nodes)| NODE_M2 * f64::from(*nodes)).sum()
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
    demand: Demand,
    days: f64,
    inflow: Inflow,
    measured: Option<&Measured>,
) -> Option<ClosedDay> {
    let from = &from.counted_from(bed);
    let et0_mm = demand.et0_mm;
    let day_mm = if days > 0.0 { et0_mm / days } else { 0.0 };
    let marks = marks(bed, ground, from.leaf_share(ground) * day_mm)?;
    let drainable_mm = drainable_mm(bed);
    let tew_mm = 1000.0 * (bed.full - 0.5 * bed.wilt) * SURFACE_M;
    let rew_mm = rew_mm(bed).min(0.5 * tew_mm);
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
        rew_mm,
        tew_mm,
        drainable_mm,
        drain_share: 1.0 - (1.0 - DRAINED_A_DAY).powf(days.max(0.0)),
        marks,
    })
    .ok()?;
    let mut filter = from.filter(drainable_mm);
    let inflow_mm = inflow.rain_mm + inflow.given_mm - out.drained_mm;
    let error = if et0_mm > 0.0 { SCATTER * (demand.sd_mm / et0_mm).min(1.0) } else { 0.0 };
    let use_sd_mm = from.bias * out.etc_mm * error;
    filter.pass(out.etc_mm, use_sd_mm, inflow_mm, inflow.sd_mm, 24.0 * days).ok()?;
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
        moist_days: from.moist_days.saturating_add(u32::from(out.surface_depletion_mm <= rew_mm)),
        blind_days: if measured.is_some() { 0 } else { from.blind_days.saturating_add(1) },
    };
    Some(ClosedDay { etc_mm: out.etc_mm * from.bias, out, marks, end, sd_mm })
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
