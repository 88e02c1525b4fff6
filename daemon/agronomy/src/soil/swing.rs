//! The swing that warmth puts on a moisture probe's reading, learned from the day's wave of a soil thermometer.
//!
//! Capacitive probes drift by 0.001 to 0.005 m³/m³ a degree (from memory; published signs differ by soil and
//! frequency), which a day's wave shows as 1 to 5 points. The plants draw by day too, so a plain regression on
//! temperature would take real drying for swing: what has the shape of the day's demand, and any straight trend,
//! is taken out of both series first.

use alloc::vec::Vec;

use crate::error::{Error, within};

/// More than this is no swing, m³/m³ a degree (judgement: just over the largest drift told of).
pub const MOST_SWING_PER_C: f64 = 0.006;
/// Fewest hours of a day's wave.
const HOURS: usize = 18;
/// Fewest days.
const DAYS: usize = 5;
/// Less is not told from plants whose day differs a little from the course of demand, m³/m³ a degree (judgement:
/// a made bed without any swing, drawn on by another course, shows 0.0006).
const LEAST_PER_C: f64 = 0.000_8;
/// The thermometer must swing by so much around trend and demand, °C (standard deviation, judgement: demand takes
/// most of the wave).
const SWINGS_C: f64 = 0.1;
/// Share of the wave's variance that temperature must explain before anything is corrected (judgement).
const EXPLAINED: f64 = 0.25;

/// One day's wave of a moisture probe beside that of a thermometer: sums of what is left of each around trend
/// and demand.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Wave {
    /// Hours.
    pub hours: f64,
    /// Temperature squared, °C².
    pub cc: f64,
    /// Temperature by water content, °C m³/m³.
    pub cw: f64,
    /// Water content squared.
    pub ww: f64,
}

impl Wave {
    /// The wave of a day without water: hourly `theta` m³/m³ (0 to 1), `soil_c` °C (-60 to 60) and `drawn`, the
    /// share of the day's demand up to each hour (0 to 2), same hours in each, 18 to 50 of them.
    ///
    /// Taken out of both, by least squares: their mean, a straight trend, and the course of `drawn`. Anything
    /// outside is an [`Error`].
    pub fn of_day(theta: &[f64], soil_c: &[f64], drawn: &[f64]) -> Result<Self, Error> {
        let n = theta.len();
        within("hours", n as f64, HOURS as f64, 50.0, "18 to 50 hours")?;
        within("soil_c", soil_c.len() as f64, n as f64, n as f64, "as many hours as theta")?;
        within("drawn", drawn.len() as f64, n as f64, n as f64, "as many hours as theta")?;
        for at in 0..n {
            within("theta", theta[at], 0.0, 1.0, "0 to 1 m³/m³")?;
            within("soil_c", soil_c[at], -60.0, 60.0, "-60 to 60 °C")?;
            within("drawn", drawn[at], 0.0, 2.0, "0 to 2 days' demand")?;
        }
        let mut basis: Vec<Vec<f64>> = Vec::new();
        let level: Vec<f64> = (0..n).map(|_| 1.0).collect();
        let trend: Vec<f64> = (0..n).map(|at| at as f64 / n as f64).collect();
        for column in [level, trend, drawn.to_vec()] {
            let left = rest(column, &basis);
            let size = dot(&left, &left);
            // A course of demand that is straight (polar night) adds nothing.
            if size > 1e-9 {
                basis.push(left);
            }
        }
        let water = rest(theta.to_vec(), &basis);
        let warmth = rest(soil_c.to_vec(), &basis);
        Ok(Self {
            hours: n as f64,
            cc: dot(&warmth, &warmth),
            cw: dot(&warmth, &water),
            ww: dot(&water, &water),
        })
    }
}

/// What is left of `values` once each of the (orthogonal) `basis` is taken out.
fn rest(mut values: Vec<f64>, basis: &[Vec<f64>]) -> Vec<f64> {
    for one in basis {
        let share = dot(&values, one) / dot(one, one);
        for (value, along) in values.iter_mut().zip(one) {
            *value -= share * along;
        }
    }
    values
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// By how much a reading moves with each degree of the thermometer, m³/m³ a °C; `None` while too little is
/// known: under five days, a thermometer that hardly swings, a wave that temperature does not explain, or under
/// 0.0008 a degree, which plants make too.
///
/// Held within [`MOST_SWING_PER_C`] either way: a steeper wave is not the probe's. Sums that no days can have
/// (negative, or not finite) are an [`Error`].
pub fn swing_per_c(days: &[Wave]) -> Result<Option<f64>, Error> {
    let mut sum = Wave::default();
    for day in days {
        within("hours", day.hours, 1.0, 50.0, "1 to 50 hours")?;
        within("cc", day.cc, 0.0, 1e9, "0 to 1e9")?;
        within("cw", day.cw, -1e9, 1e9, "-1e9 to 1e9")?;
        within("ww", day.ww, 0.0, 1e9, "0 to 1e9")?;
        sum.hours += day.hours;
        sum.cc += day.cc;
        sum.cw += day.cw;
        sum.ww += day.ww;
    }
    let swings = sum.cc > SWINGS_C * SWINGS_C * sum.hours;
    if days.len() < DAYS || !swings || sum.cw * sum.cw < EXPLAINED * sum.cc * sum.ww {
        return Ok(None);
    }
    let per_c = sum.cw / sum.cc;
    Ok((per_c.abs() >= LEAST_PER_C).then(|| per_c.clamp(-MOST_SWING_PER_C, MOST_SWING_PER_C)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::real::{PI, cos};

    /// A day of a probe that swings by `per_c`, in a bed that dries by `dries`, all of it by day.
    fn day(per_c: f64, dries: f64) -> Wave {
        let hours: Vec<f64> = (0..24).map(f64::from).collect();
        let drawn: Vec<f64> =
            hours.iter().map(|h| (1.0 - cos(PI * ((h - 6.0) / 14.0).clamp(0.0, 1.0))) / 2.0).collect();
        let soil_c: Vec<f64> = hours.iter().map(|h| 20.0 + 3.0 * cos((h - 17.0) / 12.0 * PI)).collect();
        let theta: Vec<f64> =
            drawn.iter().zip(&soil_c).map(|(d, c)| 0.3 - dries * d + per_c * (c - 20.0)).collect();
        Wave::of_day(&theta, &soil_c, &drawn).unwrap()
    }

    #[test]
    fn a_swing_is_found_and_drying_is_not_taken_for_one() {
        for per_c in [0.002, -0.001] {
            let found = swing_per_c(&[day(per_c, 0.03); 5]).unwrap().unwrap();
            assert!((found - per_c).abs() < 1e-9, "{per_c} {found}");
        }
        // A bed that only dries, and steeply: rounding alone is left.
        let found = swing_per_c(&[day(0.0, 0.05); 8]).unwrap().unwrap_or(0.0);
        assert!(found.abs() < 1e-9, "{found}");
    }

    #[test]
    fn four_days_are_too_few_and_a_steep_one_is_held() {
        assert_eq!(swing_per_c(&[day(0.002, 0.0); 4]).unwrap(), None);
        assert_eq!(swing_per_c(&[day(0.02, 0.0); 6]).unwrap(), Some(MOST_SWING_PER_C));
        assert!(swing_per_c(&[Wave { cc: f64::NAN, ..day(0.002, 0.0) }]).is_err());
    }
}
