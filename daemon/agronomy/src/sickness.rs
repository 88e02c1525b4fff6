//! Weather in which leaves fall sick: how long they were wet, and whether that suits a sickness.
//!
//! Weather is no disease: without spores nothing happens, and nothing here says that there are any. It tells when
//! a look under the leaves is worth the walk. Air °C, humidity %, wind m/s, times in hours; inputs out of range
//! are an [`Error`].
//!
//! **Which wet hour.** Three rules are here. [`wet_by_humidity`] has published scores and needs one sensor;
//! [`wet_by_depression`] is remembered; the regression [`wet_by_regression`] needs wind among the leaves, which no
//! garden has, and its coefficients are remembered. rindwatch goes by humidity or rain, for that reason.

use alloc::vec::Vec;

use crate::air::{dewpoint_c, saturation_kpa};
use crate::error::{Error, air, within};
use crate::real::{pow, sqrt};

/// An hour of this humidity or more wets leaves, %.
///
/// Right in 0.87 to 0.92 of hours over four regions, false alarms up to 0.31 (Sentelhas et al., XVI Brazilian
/// congress of agrometeorology; the digits were read from a damaged copy). A limit fitted to the site does better.
pub const WET_RH_PCT: f64 = 90.0;

/// Leaves get wet at this dewpoint depression or less, and are dry again above the second, °C (from memory).
pub const WET_DEPRESSION_C: (f64, f64) = (2.0, 3.8);

/// No powdery mildew at this heat, °C: its threads die on the leaf (Cornell, University of Massachusetts and
/// Purdue vegetable leaflets).
pub const POWDERY_STOPPED_C: f64 = 38.0;

/// Dewpoint depression T - Td, °C: 0 in saturated air. Air -60 to 60 °C, humidity 1 to 103 % (over 100 is taken as
/// 100: probes overshoot).
pub fn depression_c(air_c: f64, rh_pct: f64) -> Result<f64, Error> {
    let rh = within("rh_pct", rh_pct, 1.0, 103.0, "1 to 103 %")?.min(100.0);
    let air_c = air("air_c", air_c)?;
    let ea_kpa = (saturation_kpa(air_c)? * rh / 100.0).max(0.001);
    Ok((air_c - dewpoint_c(ea_kpa)?).max(0.0))
}

/// Leaves are wet by an hour's mean humidity, 0 to 103 %: [`WET_RH_PCT`] or more.
pub fn wet_by_humidity(rh_pct: f64) -> Result<bool, Error> {
    Ok(within("rh_pct", rh_pct, 0.0, 103.0, "0 to 103 %")? >= WET_RH_PCT)
}

/// Leaves are wet by the dewpoint depression, °C 0 to 80: wet at 2 or less, dry above 3.8, between the two as they
/// were before ([`WET_DEPRESSION_C`]; from memory).
pub fn wet_by_depression(was_wet: bool, depression_c: f64) -> Result<bool, Error> {
    let depression = within("depression_c", depression_c, 0.0, 80.0, "0 to 80 °C")?;
    let (wet_c, dry_c) = WET_DEPRESSION_C;
    Ok(depression <= wet_c || (was_wet && depression <= dry_c))
}

/// Leaves are wet by classification tree and regression (Kim, Taylor, Gleason, Koehler 2002, Plant Disease 86:179;
/// form and coefficients from memory).
///
/// Dry at a depression of 3.7 °C or more. In wind under 2.5 m/s wet where
/// 1.6064 √T + 0.0036 T² + 0.1531 RH - 0.4599 u DPD - 0.0035 T RH > 14.4674; else wet where RH ≥ 87.8 and
/// 0.7921 √T + 0.0046 RH - 2.3889 u - 0.0390 T u + 1.0613 u DPD > 37.0, which at usual winds hardly happens.
///
/// Air above 0 to 60 °C (√T), humidity 0 to 103 %, depression 0 to 80 °C, wind 0 to 60 m/s at the leaves. Frozen
/// air is an error, not dry.
pub fn wet_by_regression(air_c: f64, rh_pct: f64, depression_c: f64, wind_m_s: f64) -> Result<bool, Error> {
    let (score, mark) = regression_score(air_c, rh_pct, depression_c, wind_m_s)?;
    Ok(score > mark)
}

/// The regression of [`wet_by_regression`] and the mark it must pass; where the tree says dry without one, minus
/// and plus infinity.
pub fn regression_score(
    air_c: f64,
    rh_pct: f64,
    depression_c: f64,
    wind_m_s: f64,
) -> Result<(f64, f64), Error> {
    let t = within("air_c", air_c, f64::MIN_POSITIVE, 60.0, "above 0 to 60 °C")?;
    let rh = within("rh_pct", rh_pct, 0.0, 103.0, "0 to 103 %")?.min(100.0);
    let dpd = within("depression_c", depression_c, 0.0, 80.0, "0 to 80 °C")?;
    let u = within("wind_m_s", wind_m_s, 0.0, 60.0, "0 to 60 m/s")?;
    Ok(if dpd >= 3.7 {
        (f64::NEG_INFINITY, f64::INFINITY)
    } else if u < 2.5 {
        (1.6064 * sqrt(t) + 0.0036 * t * t + 0.1531 * rh - 0.4599 * u * dpd - 0.0035 * t * rh, 14.4674)
    } else if rh >= 87.8 {
        (0.7921 * sqrt(t) + 0.0046 * rh - 2.3889 * u - 0.0390 * t * u + 1.0613 * u * dpd, 37.0)
    } else {
        (f64::NEG_INFINITY, f64::INFINITY)
    })
}

/// Leaves in one hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeafHour {
    /// They were wet.
    pub wet: bool,
    /// Mean air, °C.
    pub air_c: f64,
}

/// A run of wet hours; midnight does not part it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spell {
    /// Place of its first hour.
    pub from: usize,
    /// How many hours, the unseen ones among them.
    pub hours: usize,
    /// Mean air over the hours seen, °C.
    pub mean_c: f64,
}

/// The wet spells of hours in a row, oldest first; `None` = not seen.
///
/// One unseen hour between two wet ones is taken as wet (judgement: a message lost in the night would halve it);
/// two end the spell. A spell still running at the end is given as far as it has come. Air -60 to 60 °C.
pub fn wet_spells(hours: &[Option<LeafHour>]) -> Result<Vec<Spell>, Error> {
    let mut spells: Vec<Spell> = Vec::new();
    // Place, sum of air and hours seen of the spell that runs; the place of its last wet hour.
    let mut running: Option<(usize, f64, usize, usize)> = None;
    let mut end = |running: &mut Option<(usize, f64, usize, usize)>| {
        if let Some((from, sum_c, seen, last)) = running.take() {
            spells.push(Spell { from, hours: last + 1 - from, mean_c: sum_c / seen as f64 });
        }
    };
    for (at, hour) in hours.iter().enumerate() {
        match hour {
            Some(LeafHour { wet: true, air_c }) => {
                let air_c = air("air_c", *air_c)?;
                if running.is_some_and(|(.., last)| at - last > 2) {
                    end(&mut running);
                }
                running = Some(match running {
                    Some((from, sum_c, seen, _)) => (from, sum_c + air_c, seen + 1, at),
                    None => (at, air_c, 1, at),
                });
            }
            Some(_) => end(&mut running),
            None => {}
        }
    }
    end(&mut running);
    Ok(spells)
}

/// How air suits powdery mildew.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Favour {
    /// Hot enough to stop it.
    Stops,
    /// Not at all.
    None,
    /// It can infect.
    Possible,
    /// It spreads fastest.
    Best,
}

/// How an hour's air suits powdery mildew of cucurbits (*Podosphaera xanthii*): best 20 to 27 °C, possible 10 to
/// 32, stopped from 38 on ([`POWDERY_STOPPED_C`]). Air -60 to 60 °C.
///
/// It needs no wet leaf and infects in air under 50 % humidity, so air alone decides; spots show 3 to 7 days later,
/// first on shaded lower leaves, from fruit set on (Cornell, University of Massachusetts and Purdue leaflets).
pub fn powdery(air_c: f64) -> Result<Favour, Error> {
    let t = air("air_c", air_c)?;
    Ok(match t {
        _ if t >= POWDERY_STOPPED_C => Favour::Stops,
        _ if (20.0..=27.0).contains(&t) => Favour::Best,
        _ if (10.0..=32.0).contains(&t) => Favour::Possible,
        _ => Favour::None,
    })
}

/// Hours of wet leaves that downy mildew (*Pseudoperonospora cubensis*) needs at a mean air over them, °C; `None`
/// where it does not infect.
///
/// 2 h above 15 to 25 °C, 6 h from 10 to 15, 12 h from 5 to under 10: inoculated cucumber at six temperatures, three
/// lengths and four doses (Cohen 1977, Can. J. Bot.; author from memory). The experiment tried 2 h at its optimum,
/// 20 °C; that they suffice over all of 15 to 25 is the reading that misses least. Above 25 °C it is rare, and counts
/// as none. Other trials agree on the optimum (19.5 to 21.7 °C, Arauz et al. 2010, Phytopathology 100:959).
pub fn downy_wet_hours(mean_c: f64) -> Result<Option<f64>, Error> {
    let t = air("mean_c", mean_c)?;
    Ok(match t {
        _ if !(5.0..=25.0).contains(&t) => None,
        _ if t < 10.0 => Some(12.0),
        _ if t <= 15.0 => Some(6.0),
        _ => Some(2.0),
    })
}

/// A wet spell, hours from 0 to 10,000 at a mean air, lets gummy stem blight (*Stagonosporopsis*) infect: from 1 h on
/// at 20 to 28 °C, best 24 to 25 (Arny & Rowe 1991, Phytopathology 81:206; Cornell). Wetness matters more than
/// warmth, and it spreads only in longer spells.
pub fn gummy_stem(wet_hours: f64, mean_c: f64) -> Result<bool, Error> {
    Ok(spell(wet_hours)? >= 1.0 && (20.0..=28.0).contains(&air("mean_c", mean_c)?))
}

/// A wet spell, hours from 0 to 10,000 at a mean air, lets leaf blight (*Alternaria cucumerina*) infect muskmelon
/// well: 8 h or more at 15 to 21 °C (Evans, Nyquist, Latin 1992, Phytopathology 82:890; it lives from 12 to 30 °C,
/// best 18).
pub fn alternaria(wet_hours: f64, mean_c: f64) -> Result<bool, Error> {
    Ok(spell(wet_hours)? >= 8.0 && (15.0..=21.0).contains(&air("mean_c", mean_c)?))
}

fn spell(wet_hours: f64) -> Result<f64, Error> {
    within("wet_hours", wet_hours, 0.0, 10_000.0, "0 to 10,000 h")
}

/// Wet hours that an infection needs by the generic form of Magarey, Sutton, Thayer 2005 (Phytopathology 95:92; form
/// from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Infection {
    min_c: f64,
    best_c: f64,
    max_c: f64,
    least_h: f64,
}

impl Infection {
    /// Lowest, best and highest air, °C in that order, and the wet hours that suffice at the best, above 0 to 100.
    ///
    /// With the downy-like 1, 20, 30 °C and 2 h (assumed, no publication's) the form follows the table of
    /// [`downy_wet_hours`]; rindwatch goes by the table, which was measured.
    pub fn new(min_c: f64, best_c: f64, max_c: f64, least_h: f64) -> Result<Self, Error> {
        air("min_c", min_c)?;
        air("max_c", max_c)?;
        let rule = "between the lowest and the highest, a tenth of a degree from each";
        within("best_c", best_c, min_c + 0.1, max_c - 0.1, rule)?;
        within("least_h", least_h, f64::MIN_POSITIVE, 100.0, "above 0 to 100 h")?;
        Ok(Self { min_c, best_c, max_c, least_h })
    }

    /// Response f(T), 0 to 1: ((Tmax - T) / (Tmax - Topt)) ((T - Tmin) / (Topt - Tmin))^((Topt - Tmin) / (Tmax - Topt)),
    /// 0 outside Tmin to Tmax.
    pub fn response(&self, air_c: f64) -> Result<f64, Error> {
        let t = air("air_c", air_c)?;
        if t <= self.min_c || t >= self.max_c {
            return Ok(0.0);
        }
        let (below, above) = (self.best_c - self.min_c, self.max_c - self.best_c);
        Ok((self.max_c - t) / above * pow((t - self.min_c) / below, below / above))
    }

    /// Wet hours needed at a temperature, least / f(T); `None` where f is 0 or more than `most_h` would be needed.
    /// `most_h` up to 1000.
    pub fn wet_hours(&self, air_c: f64, most_h: f64) -> Result<Option<f64>, Error> {
        within("most_h", most_h, 0.0, 1000.0, "0 to 1000 h")?;
        let response = self.response(air_c)?;
        let hours = self.least_h / response;
        Ok((response > 0.0 && hours <= most_h).then_some(hours))
    }
}
