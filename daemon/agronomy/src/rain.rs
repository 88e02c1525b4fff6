//! Rain: totals, classes of intensity, dry spells, and what a tipping-bucket gauge loses.
//!
//! Depths mm, rates mm/h. A value that was not seen is `None`, never 0. Inputs out of range are an [`Error`].

use crate::error::{Error, within};

/// A day with less is dry: the wet day of the climate-change indices (ETCCDI, "consecutive dry days": rain under
/// 1 mm; from memory).
pub const DRY_DAY_MM: f64 = 1.0;

/// Time in which a bucket that tips lets rain run past it, s a tip: measured in the laboratory by Duchon et al.
/// 2014 (J. Atmos. Oceanic Technol. 31:1330), over their gauges. Others print 0.3 to 0.6 s (from memory).
pub const TIP_LOSS_S: f64 = 0.450;

/// A rate counts as from one tip over the time since the one before, this long at most, s: water that stood in
/// the bucket from an earlier shower would make the rate of the next one vanish (judgement).
pub const LONGEST_TIP_S: f64 = 3600.0;

/// Most of the true rain that a bucket may lose here. One that loses more tips faster than any that was tested;
/// more likely its switch bounces.
const MOST_LOST: f64 = 0.5;

/// Most rain of one value, mm, and of one rate, mm/h, that a function here is asked about.
const MOST_MM: f64 = 10_000.0;

/// How hard it rains.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Intensity {
    /// None.
    Dry,
    /// Up to 2.5 mm/h.
    Light,
    /// Over 2.5 to 10 mm/h.
    Moderate,
    /// Over 10 to 50 mm/h.
    Heavy,
    /// Over 50 mm/h.
    Violent,
}

/// Class of a rate in mm/h, 0 to 10,000, by the limits of the World Meteorological Organization (2.5, 10 and
/// 50 mm/h, each limit belonging to the lower class; as a public page prints them).
///
/// The glossary of the American Meteorological Society parts moderate from heavy at 7.6 mm/h and has no violent
/// rain; the wider scale is ours because a bed takes 5 to 20 mm/h, so that the step which tells run-off lies at
/// 10. Classes are of a rate, best over an hour: a shower of minutes is violent long before it is much.
pub fn intensity(rate_mm_h: f64) -> Result<Intensity, Error> {
    let rate = rain("rate_mm_h", rate_mm_h)?;
    Ok(match rate {
        _ if rate <= 0.0 => Intensity::Dry,
        _ if rate <= 2.5 => Intensity::Light,
        _ if rate <= 10.0 => Intensity::Moderate,
        _ if rate <= 50.0 => Intensity::Heavy,
        _ => Intensity::Violent,
    })
}

/// A sum of rain and how much of its time was seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Total {
    /// Sum over the values seen, mm.
    pub mm: f64,
    /// How many values were seen.
    pub seen: usize,
    /// How many were not: with any, the sum is at least this.
    pub unseen: usize,
}

/// Sum of hours or days; `None` when not one was seen. Each value 0 to 10,000 mm.
pub fn total(values_mm: &[Option<f64>]) -> Result<Option<Total>, Error> {
    let mut sum = Total { mm: 0.0, seen: 0, unseen: 0 };
    for value in values_mm {
        match value {
            Some(mm) => {
                sum.mm += rain("rain_mm", *mm)?;
                sum.seen += 1;
            }
            None => sum.unseen += 1,
        }
    }
    Ok((sum.seen > 0).then_some(sum))
}

/// Dry days in a row up to the last of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DrySpell {
    /// So many.
    pub days: usize,
    /// A wet day was seen before them; else the record, or what was seen of it, begins with them and they are at
    /// least so many.
    pub ended_rain: bool,
}

/// Length of the dry spell that the last day of `days_mm` (oldest first) stands in: days with less than
/// `under_mm` ([`DRY_DAY_MM`] is usual), counted back to the first that is not, or was not seen.
///
/// `under_mm` above 0 to 100. No day, a wet or an unseen last day: 0 days.
pub fn dry_spell(days_mm: &[Option<f64>], under_mm: f64) -> Result<DrySpell, Error> {
    within("under_mm", under_mm, f64::MIN_POSITIVE, 100.0, "above 0 to 100 mm")?;
    let mut days = 0;
    for day in days_mm.iter().rev() {
        match day {
            Some(mm) if rain("rain_mm", *mm)? < under_mm => days += 1,
            Some(_) => return Ok(DrySpell { days, ended_rain: true }),
            None => break,
        }
    }
    Ok(DrySpell { days, ended_rain: false })
}

/// Rate of a tip, mm/h: its rain over the time since the tip before, one hour at most ([`LONGEST_TIP_S`]).
///
/// `tip_mm` 0.01 to 5; `since_s` above 0. At 100 mm/h tips of 0.2, 0.254 and 0.5 mm come every 7.2, 9.1 and 18 s;
/// faster than 0.1 s is a switch that bounces, and an error.
pub fn tip_rate_mm_h(tip_mm: f64, since_s: f64) -> Result<f64, Error> {
    within("tip_mm", tip_mm, 0.01, 5.0, "0.01 to 5 mm")?;
    within("since_s", since_s, 0.1, f64::MAX, "at least 0.1 s")?;
    Ok(tip_mm * 3600.0 / since_s.min(LONGEST_TIP_S))
}

/// Share of the true rain that a tipping bucket loses while it measures a rate: t_u Rm / (3600 d).
///
/// t_u [`TIP_LOSS_S`] is the time lost a tip, Rm the measured rate mm/h, d the rain of a tip, mm; so many tips an
/// hour, so much of the hour lost. Duchon et al. 2014 print 0.98 % at 19.9 mm/h and 8.78 % at 175.2; the line
/// gives 0.98 and 8.62 for tips of 0.254 mm (that gauge, and that the rates are the gauge's, is assumed; were they
/// true rates it would give 7.94). Wind takes 2 to 10 % more at gauges above the ground (from memory), which this
/// leaves alone.
///
/// `measured_mm_h` 0 to 10,000, `tip_mm` 0.01 to 5, `lost_s` 0 to 2. A share above one half is an error: no bucket
/// was tested there.
pub fn share_lost(measured_mm_h: f64, tip_mm: f64, lost_s: f64) -> Result<f64, Error> {
    let rate = rain("measured_mm_h", measured_mm_h)?;
    within("tip_mm", tip_mm, 0.01, 5.0, "0.01 to 5 mm")?;
    within("lost_s", lost_s, 0.0, 2.0, "0 to 2 s")?;
    let share = lost_s * rate / (3600.0 * tip_mm);
    within("measured_mm_h", share, 0.0, MOST_LOST, "a rate at which a bucket loses no more than half")
        .map_err(|error| Error { value: measured_mm_h, ..error })
}

/// True rate from a measured one, mm/h: R = Rm / (1 - Rm t_u / (3600 d)), with [`share_lost`] and its range. Never
/// below the measured rate.
///
/// It needs a rate of minutes: from an hour's mean it puts back too little, never too much.
pub fn true_rate_mm_h(measured_mm_h: f64, tip_mm: f64, lost_s: f64) -> Result<f64, Error> {
    Ok(measured_mm_h / (1.0 - share_lost(measured_mm_h, tip_mm, lost_s)?))
}

fn rain(what: &'static str, value: f64) -> Result<f64, Error> {
    within(what, value, 0.0, MOST_MM, "rain from 0 to 10,000 mm")
}
