//! Rain of one gauge: from what it sends to the millimetres of each reading.

use serde::{Deserialize, Serialize};

use crate::record::{Doubt, Millis};
use crate::settings::garden::RainForm;

use super::calendar::{Calendar, HOUR_MS, MINUTE_MS};

/// More than this in an hour is not believed: the limit of hourly rain in the quality rules of the
/// International Soil Moisture Network (Dorigo et al. 2013, Vadose Zone J. 12(3)).
pub const MOST_MM_HOUR: f64 = 100.0;

/// No more of such hours are believed at once, however long nothing was heard: 1000 mm.
const LONGEST_SHOWER_H: f64 = 10.0;

/// A rate stands for at most this long.
const LONGEST_RATE_MS: Millis = HOUR_MS;

/// A daily total that the node's own clock has not yet set back is forgiven this long after midnight.
const MIDNIGHT_SLACK_MS: Millis = 30 * MINUTE_MS;

/// What is remembered of a gauge.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Gauge {
    last: Option<(Millis, f64)>,
}

impl Gauge {
    /// The millimetres that a reading stands for, or why it is not believed.
    ///
    /// - Counter: the growth since the last one; a total that fell to half or less means the node began anew,
    ///   and the new total is the growth. One that fell by less ran backwards: it is not believed, and the
    ///   next grows from it. The first total ever seen stands for nothing: it is history.
    /// - Increment: the value.
    /// - Rate: the value times the time since the last reading, one hour at most.
    /// - Daily total: the growth, or the value itself on a new civil day.
    ///
    /// A reading older than the last one moves no total: its growth is already in a later one. `so_far_mm` is
    /// what its hour holds already: many small amounts make no shower that cannot be.
    pub fn amount(
        &mut self,
        form: RainForm,
        value: f64,
        at_ms: Millis,
        so_far_mm: f64,
        calendar: &Calendar,
    ) -> Result<f64, Doubt> {
        let last = self.last;
        let since_ms = last.map(|(last_ms, _)| at_ms - last_ms);
        let in_order = since_ms.is_none_or(|since| since > 0);
        let mm = match form {
            RainForm::Increment => value,
            _ if !in_order => 0.0,
            RainForm::Rate => value * since_ms.unwrap_or(0).min(LONGEST_RATE_MS) as f64 / HOUR_MS as f64,
            RainForm::Counter | RainForm::DailyTotal => {
                let growth = match form {
                    RainForm::Counter => last.map_or(Some(0.0), |(_, total)| growth(total, value)),
                    _ => daily_growth(last, value, at_ms, calendar),
                };
                let Some(mm) = growth else {
                    self.last = Some((at_ms, value));
                    return Err(Doubt::Step);
                };
                mm
            }
        };
        let hours = since_ms.map_or(1.0, |since| since as f64 / HOUR_MS as f64).clamp(1.0, LONGEST_SHOWER_H);
        if so_far_mm + mm > MOST_MM_HOUR * hours {
            return Err(Doubt::Burst);
        }
        if in_order {
            self.last = Some((at_ms, value));
        }
        Ok(mm)
    }
}

/// From a total to the next; `None` if it ran backwards. A node that began anew has counted little since
/// (half of the old total: judgement).
fn growth(total: f64, value: f64) -> Option<f64> {
    if value >= total { Some(value - total) } else { (value <= total / 2.0).then_some(value) }
}

fn daily_growth(last: Option<(Millis, f64)>, value: f64, at_ms: Millis, calendar: &Calendar) -> Option<f64> {
    let Some((last_ms, total)) = last else { return Some(0.0) };
    let midnight = calendar.day_start(calendar.date(at_ms));
    if last_ms >= midnight {
        return growth(total, value);
    }
    let not_yet_set_back = value == total && at_ms - midnight < MIDNIGHT_SLACK_MS;
    Some(if not_yet_set_back { 0.0 } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn calendar() -> Calendar {
        Calendar::new(chrono_tz::UTC)
    }

    fn run(form: RainForm, steps: &[(Millis, f64)]) -> Vec<f64> {
        let mut gauge = Gauge::default();
        steps.iter().map(|(at, value)| gauge.amount(form, *value, *at, 0.0, &calendar()).unwrap()).collect()
    }

    #[test]
    fn a_counter_that_falls_to_little_began_anew() {
        let hour = HOUR_MS;
        assert_eq!(
            run(RainForm::Counter, &[(0, 80.0), (hour, 82.0), (2 * hour, 1.5), (3 * hour, 2.0)]),
            [0.0, 2.0, 1.5, 0.5]
        );
    }

    /// Found when bad input was sent over the wire: a total of 12.0 mm that fell to 11.5 was taken for a node
    /// that had begun anew, and brought 11.5 mm of rain.
    #[test]
    fn a_total_that_runs_backwards_is_doubted_and_brings_no_rain() {
        for form in [RainForm::Counter, RainForm::DailyTotal] {
            let mut gauge = Gauge::default();
            let mut amount = |minute, value| gauge.amount(form, value, minute * MINUTE_MS, 0.0, &calendar());
            assert_eq!(amount(0, 10.0), Ok(0.0));
            assert_eq!(amount(10, 12.0), Ok(2.0));
            assert_eq!(amount(20, 11.5), Err(Doubt::Step));
            assert_eq!(amount(30, 12.5), Ok(1.0));
        }
    }

    #[test]
    fn a_late_total_moves_nothing() {
        let hour = HOUR_MS;
        assert_eq!(
            run(RainForm::Counter, &[(0, 10.0), (2 * hour, 14.0), (hour, 12.0), (3 * hour, 15.0)]),
            [0.0, 4.0, 0.0, 1.0]
        );
    }

    #[test]
    fn a_rate_counts_for_the_time_since_the_last() {
        let minute = MINUTE_MS;
        assert_eq!(run(RainForm::Rate, &[(0, 6.0), (10 * minute, 6.0), (20 * minute, 0.0)]), [0.0, 1.0, 0.0]);
    }

    #[test]
    fn a_daily_total_starts_anew_at_midnight_even_if_the_node_is_slow() {
        let day = 24 * HOUR_MS;
        let steps = [
            (day - 2 * HOUR_MS, 3.0),
            (day - HOUR_MS, 5.0),
            (day + MINUTE_MS, 5.0),
            (day + HOUR_MS, 0.0),
            (day + 2 * HOUR_MS, 1.0),
        ];
        assert_eq!(run(RainForm::DailyTotal, &steps), [0.0, 2.0, 0.0, 0.0, 1.0]);
    }

    #[test]
    fn no_shower_brings_more_than_100_mm_in_an_hour() {
        let mut gauge = Gauge::default();
        assert_eq!(gauge.amount(RainForm::Increment, 300.0, 0, 0.0, &calendar()), Err(Doubt::Burst));
        // Nor 1001 after a winter without a word.
        let mut old = Gauge { last: Some((0, 0.0)) };
        let spring = 4000 * HOUR_MS;
        assert_eq!(old.amount(RainForm::Increment, 1001.0, spring, 0.0, &calendar()), Err(Doubt::Burst));
        gauge.amount(RainForm::Counter, 10.0, 0, 0.0, &calendar()).unwrap();
        assert_eq!(gauge.amount(RainForm::Counter, 900.0, MINUTE_MS, 0.0, &calendar()), Err(Doubt::Burst));
        assert_eq!(gauge.amount(RainForm::Counter, 11.0, 2 * MINUTE_MS, 0.0, &calendar()), Ok(1.0));
    }
}
