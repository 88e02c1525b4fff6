//! What follows from the tapes of one fruit: mass, gain, curve, and whether its growth has checked.

use std::collections::BTreeMap;

use agronomy::fruit::{Density, Way};

use crate::daybook::FruitState;
use crate::growth::{self, Fit, Measure, NoFit};
use crate::record::Millis;

use super::super::calendar::HOUR_MS;
use super::{Fruit, Taped};

/// A tape so far below the largest before it is no growth (judgement: thrice what three tapes, each 1 % off,
/// put on the difference of two volumes).
const SHRUNK: f64 = 0.9;
/// Two tapes nearer to each other give no daily gain.
const LEAST_SPAN_DAYS: f64 = 0.5;
/// Spread of one tape around the curve where no fit has told it, as a share (judgement).
const TAPE_SD: f64 = 0.02;
/// A gain under this share of what was promised is a check of growth (judgement of the trade's common
/// practice), if promise and shortfall over the two are both more than [`SURE`] times what tapes and promise are
/// off by: near the end a curve promises less than a tape can tell.
pub const CHECKED_SHARE: f64 = 0.6;
const SURE: f64 = 2.0;
/// A curve is taken to go through tapes that lie so many times their usual spread about it (judgement).
const SLOWING_BY_TAPE_SD: f64 = 2.0;

/// What follows from the lines of a fruit.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Standing {
    /// When it was last taped, and the mass by that tape and one standard deviation, kg.
    pub mass: Option<(Millis, f64, f64)>,
    /// Mean gain between the last two usable tapes, kg/day.
    pub gain_kg_day: Option<f64>,
    /// The curve, or why there is none.
    pub fit: Option<Result<Fit, NoFit>>,
    /// Final mass with its 80 % interval, kg.
    pub final_kg: Option<(f64, f64, f64)>,
    /// The last two gains against what was promised.
    pub check: Option<Check>,
    /// The last tape was not used, because.
    pub note: Option<String>,
}

/// The last two gains of a fruit against what was promised for them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Check {
    /// Gains, kg/day, older first.
    pub gained_kg_day: [f64; 2],
    /// What its own curve, or the gain before them, promised for each.
    pub promised_kg_day: [f64; 2],
    /// The promise is that of a curve, fitted to the tapes before; else the gain before the two.
    pub by_curve: bool,
    /// Both are under the mark, by more than tapes and promise are off.
    pub checked: bool,
    /// When the second was measured.
    pub at_ms: Millis,
}

impl Fruit {
    /// The way most of its tapes were measured, the surest of several.
    fn usual_way(&self) -> Option<Way> {
        let mut counts: BTreeMap<Way, usize> = BTreeMap::new();
        for taped in self.tapes.values() {
            *counts.entry(taped.way()).or_default() += 1;
        }
        counts.into_iter().rev().max_by_key(|(_, count)| *count).map(|(way, _)| way)
    }

    /// The tapes of its growth in one way of measuring, and whether each is used.
    fn series(&self, way: Way) -> Vec<(Taped, bool)> {
        let cut = self.state.filter(|(_, state)| *state == FruitState::Cut).map(|(date, _)| date);
        let grown = self.tapes.iter().filter(|(date, _)| cut.is_none_or(|cut| **date <= cut));
        let tapes: Vec<Taped> = grown.map(|(_, taped)| *taped).filter(|taped| taped.way() == way).collect();
        let mut largest_l = 0.0_f64;
        let used = tapes.iter().enumerate().map(|(at, taped)| {
            let below = |other: &&Taped| other.volume_l < SHRUNK * taped.volume_l;
            let too_large = tapes.iter().skip(at + 1).take(2).filter(below).count() == 2;
            let used = !too_large && taped.volume_l >= SHRUNK * largest_l;
            if used {
                largest_l = largest_l.max(taped.volume_l);
            }
            (*taped, used)
        });
        used.collect()
    }

    /// Works it out anew, with the density of each way of measuring.
    pub(super) fn derive(&mut self, density: impl Fn(Way) -> Density) {
        let mut standing = Standing::default();
        if let Some(last) = self.tapes.values().next_back() {
            let mass = density(last.way()).mass_kg(last.volume_l).ok();
            standing.mass = mass.map(|(kg, sd_kg)| (last.at_ms, kg, sd_kg));
        }
        if let Some(way) = self.usual_way() {
            let density = density(way);
            let series = self.series(way);
            if let Some((last, false)) = series.last() {
                let before = series.iter().rev().find(|(_, used)| *used);
                standing.note = before.map(|(before, _)| {
                    format!(
                        "its last tape is {:.0} % below the one before; measure again, it is used for nothing",
                        100.0 * (1.0 - last.volume_l / before.volume_l)
                    )
                });
            }
            let used: Vec<(Millis, f64)> = series
                .iter()
                .filter(|(_, used)| *used)
                .map(|(taped, _)| (taped.at_ms, taped.volume_l * density.kg_l))
                .collect();
            standing.gain_kg_day = gains(&used).last().map(|gain| gain.kg_day);
            let fit = growth::fit(&measures(&used));
            standing.final_kg = fit.ok().and_then(|fit| fit.final_kg(density.sd_share()));
            standing.fit = Some(fit);
            standing.check = check(&used);
        }
        self.standing = standing;
    }
}

/// Days between two instants.
pub(super) fn days(from_ms: Millis, to_ms: Millis) -> f64 {
    (to_ms - from_ms) as f64 / (24.0 * HOUR_MS as f64)
}

/// Masses by the days since the first.
fn measures(used: &[(Millis, f64)]) -> Vec<Measure> {
    let first_ms = used.first().map_or(0, |one| one.0);
    used.iter().map(|(at_ms, kg)| Measure { day: days(first_ms, *at_ms), kg: *kg }).collect()
}

/// A gain between two tapes.
#[derive(Debug, Clone, Copy)]
struct Gain {
    from_ms: Millis,
    to_ms: Millis,
    kg_day: f64,
}

impl Gain {
    fn days(&self) -> f64 {
        days(self.from_ms, self.to_ms)
    }
}

/// Gains from tape to tape; of two tapes in half a day the first is passed over.
fn gains(used: &[(Millis, f64)]) -> Vec<Gain> {
    let mut gains = Vec::new();
    let mut before: Option<(Millis, f64)> = None;
    for (at_ms, kg) in used {
        if let Some((from_ms, from_kg)) = before {
            let span = days(from_ms, *at_ms);
            if span < LEAST_SPAN_DAYS {
                continue;
            }
            gains.push(Gain { from_ms, to_ms: *at_ms, kg_day: (kg - from_kg) / span });
        }
        before = Some((*at_ms, *kg));
    }
    gains
}

/// The last two gains against the curve through the tapes before them, or, where that has none, against the
/// gain before them.
fn check(used: &[(Millis, f64)]) -> Option<Check> {
    let gains = gains(used);
    let [.., earlier, first, second] = gains.as_slice() else { return None };
    let before: Vec<(Millis, f64)> =
        used.iter().copied().filter(|(at_ms, _)| *at_ms <= first.from_ms).collect();
    let fit = growth::fit(&measures(&before)).ok();
    let start_ms = used.first()?.0;
    let by_curve = |gain: &Gain| {
        let kg = |at_ms| fit.as_ref()?.curve.kg(days(start_ms, at_ms)).ok();
        Some((kg(gain.to_ms)? - kg(gain.from_ms)?) / days(gain.from_ms, gain.to_ms))
    };
    let promised = |gain: &Gain| by_curve(gain).unwrap_or(earlier.kg_day);
    let gained_kg_day = [first.kg_day, second.kg_day];
    let promised_kg_day = [promised(first), promised(second)];
    let total_kg = |of: [f64; 2]| of[0] * first.days() + of[1] * second.days();
    // How far two tapes and the promise itself may be off.
    let tape_sd = fit.as_ref().map_or(TAPE_SD, |fit| fit.residual_sd.clamp(TAPE_SD, 3.0 * TAPE_SD));
    let two_tapes_kg = |kg: f64| std::f64::consts::SQRT_2 * tape_sd * kg;
    let promise_off_kg = match &fit {
        Some(fit) => {
            // What is left to grow is off by as much as the final mass is, and the promise is a part of it.
            let final_kg = fit.curve.final_kg();
            let left_kg = final_kg - fit.curve.kg(days(start_ms, first.from_ms)).ok()?;
            fit.final_sd * final_kg * (total_kg(promised_kg_day) / left_kg.max(1e-6)).min(1.0)
        }
        None => {
            let before_kg = before.last().map_or(0.0, |one| one.1);
            two_tapes_kg(before_kg) / earlier.days() * (first.days() + second.days())
        }
    };
    let off_kg = two_tapes_kg(used.last()?.1).hypot(promise_off_kg);
    let under = gained_kg_day
        .iter()
        .zip(promised_kg_day)
        .all(|(gained, promised)| *gained < CHECKED_SHARE * promised);
    let (promised_kg, gained_kg) = (total_kg(promised_kg_day), total_kg(gained_kg_day));
    let sure = promised_kg.min(promised_kg - gained_kg) > SURE * off_kg;
    // Without a curve before them, a curve that takes all of them in says that the fruit slows as fruits do.
    let slows = fit.is_none()
        && growth::fit(&measures(used))
            .is_ok_and(|through| through.residual_sd < SLOWING_BY_TAPE_SD * TAPE_SD);
    let checked = under && sure && !slows;
    Some(Check { gained_kg_day, promised_kg_day, by_curve: fit.is_some(), checked, at_ms: second.to_ms })
}
