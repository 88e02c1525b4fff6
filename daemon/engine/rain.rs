//! Rain: from what a gauge sends to the millimetres of each hour, and what was read by eye beside it.
//!
//! Undercatch is put back where the settings name the rain of a tip, by the rate since the reading before; a gauge
//! of unknown make is taken at its word, since the loss hangs on its bucket.

use serde::{Deserialize, Serialize};

use agronomy::rain::{TIP_LOSS_S, true_rate_mm_h};

use crate::record::{Doubt, HOURS_KEPT_MS, Millis};
use crate::settings::garden::RainForm;

use super::calendar::{Calendar, HOUR_MS, MINUTE_MS};
use super::gauge::{Found, Rise};
use super::hours::Hours;

/// More than this in an hour is not believed: the limit of hourly rain in the quality rules of the
/// International Soil Moisture Network (Dorigo et al. 2013, Vadose Zone J. 12(3)).
pub const MOST_MM_HOUR: f64 = 100.0;

/// No more of such hours are believed at once, however long nothing was heard: 1000 mm.
const LONGEST_SHOWER_H: f64 = 10.0;

/// A rate stands for at most this long.
const LONGEST_RATE_MS: Millis = HOUR_MS;

/// A daily total that the node's own clock has not yet set back is forgiven this long after midnight.
const MIDNIGHT_SLACK_MS: Millis = 30 * MINUTE_MS;

/// After so long without a word the rain of a total fell some time in the gap, not in its last hour. An hourly node
/// that is late stays under it (judgement).
const GAP_MS: Millis = 90 * MINUTE_MS;

/// The rain of a longer gap is spread over its last day only (judgement).
const LONGEST_GAP_MS: Millis = 24 * HOUR_MS;

/// No loss is put back at a rate beyond this, mm/h: the bucket was tested to 175 (Duchon et al. 2014), and readings
/// that come faster are a queue that drains (judgement).
const MOST_TESTED_MM_H: f64 = 200.0;

/// Rain read by eye stands for the time since the reading by eye before it, so long at most: people look in the
/// morning.
const BY_EYE_MS: Millis = 24 * HOUR_MS;

/// A gauge that has shown less than this share of what was read by eye has missed the rest (judgement).
const GAUGE_MISSED: f64 = 0.5;

/// How a gauge tells of rain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tells {
    /// In which form.
    pub form: RainForm,
    /// Rain of one tip, mm, where known.
    pub tip_mm: Option<f64>,
}

/// Rain that a reading stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fall {
    /// Its depth, mm.
    pub mm: f64,
    /// It fell some time since, in a gap that nobody saw.
    pub gap_from_ms: Option<Millis>,
}

/// What is remembered of a gauge.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Gauge {
    last: Option<(Millis, f64)>,
    /// Why it is not to be believed, if so.
    #[serde(default)]
    pub found: Option<Found>,
    /// What the soil said of it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub signs: Vec<Rise>,
    /// From when to when it missed rain, so that rain is not known; no end: it still does.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unknown: Vec<(Millis, Option<Millis>)>,
}

impl Gauge {
    /// The millimetres that a reading stands for, or why it is not believed.
    ///
    /// - Counter: the growth since the last one; a total that fell to half or less means the node began anew,
    ///   and the new total is the growth. One that fell by less ran backwards: it is not believed, and the
    ///   next grows from it. The first total ever seen stands for nothing: it is history.
    /// - Increment: the value. It belongs to its own hour even after a gap: such a node speaks when its bucket tips.
    /// - Rate: the value times the time since the last reading, one hour at most.
    /// - Daily total: the growth, or the value itself on a new civil day.
    ///
    /// A reading older than the last one moves no total: its growth is already in a later one. `so_far_mm` is
    /// what its hour holds already: many small amounts make no shower that cannot be.
    ///
    /// The growth of a total after a gap is to be spread evenly over it ([`Fall::gap_from_ms`]).
    pub fn amount(
        &mut self,
        tells: Tells,
        value: f64,
        at_ms: Millis,
        so_far_mm: f64,
        calendar: &Calendar,
    ) -> Result<Fall, Doubt> {
        let form = tells.form;
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
        let whole_mm = match (form, since_ms) {
            (RainForm::Rate, _) => mm * undercatch(value, tells.tip_mm),
            (_, Some(since_ms)) => {
                let hours = since_ms.clamp(1, LONGEST_RATE_MS) as f64 / HOUR_MS as f64;
                mm * undercatch(mm / hours, tells.tip_mm)
            }
            (_, None) => mm,
        };
        Ok(Fall { mm: whole_mm, gap_from_ms: gap(form, last, mm, at_ms, calendar) })
    }
}

/// What a measured rate is to be multiplied by; 1 where the tip is not known, or the rate is beyond any that a
/// bucket was tested at.
fn undercatch(rate_mm_h: f64, tip_mm: Option<f64>) -> f64 {
    if rate_mm_h <= 0.0 || rate_mm_h > MOST_TESTED_MM_H {
        return 1.0;
    }
    let truth = tip_mm.and_then(|tip_mm| true_rate_mm_h(rate_mm_h, tip_mm, TIP_LOSS_S).ok());
    truth.map_or(1.0, |truth| truth / rate_mm_h)
}

/// Since when the rain of a total may have fallen, where its node was not heard for long; of a counter that stands where
/// it stood, since when none fell.
fn gap(
    form: RainForm,
    last: Option<(Millis, f64)>,
    mm: f64,
    at_ms: Millis,
    calendar: &Calendar,
) -> Option<Millis> {
    let (last_ms, _) = last?;
    let earliest_ms = match form {
        RainForm::Counter => last_ms,
        RainForm::DailyTotal => last_ms.max(calendar.day_start(calendar.date(at_ms))),
        RainForm::Increment | RainForm::Rate => return None,
    };
    // A total that stands where it stood says of the whole gap that none fell.
    let none_fell = form == RainForm::Counter && mm == 0.0;
    let from_ms = earliest_ms.max(at_ms - if none_fell { HOURS_KEPT_MS } else { LONGEST_GAP_MS });
    ((mm > 0.0 || none_fell) && at_ms - from_ms > GAP_MS).then_some(from_ms)
}

/// The parts of a span that lie in civil hours: start of the hour and share of the span.
pub fn shares(from_ms: Millis, to_ms: Millis, calendar: &Calendar) -> Vec<(Millis, f64)> {
    let mut shares = Vec::new();
    let (mut at_ms, whole_ms) = (from_ms, (to_ms - from_ms).max(1) as f64);
    while at_ms < to_ms {
        let start_ms = calendar.hour_start(at_ms);
        let end_ms = calendar.hour_start(start_ms + HOUR_MS).max(at_ms + MINUTE_MS).min(to_ms);
        shares.push((start_ms, (end_ms - at_ms) as f64 / whole_ms));
        at_ms = end_ms;
    }
    shares
}

/// Rain of the hours that start in `from_ms..to_ms`, mm; `None` without a gauge that spoke and with nobody looking.
///
/// The gauge counts, and beside it what it missed: rain read by eye stands for the time since the reading by eye
/// before it, a day at most, and where the gauge has shown less than half of it in that time, the rest is rain too,
/// on the day it was read. So a blocked funnel that says 0 does not make a wet day dry, the same rain is never
/// counted twice, and between two that agree the gauge is the finer one. Without a gauge the eye alone counts.
pub fn fallen_mm(
    hours: &Hours,
    gauge: Option<usize>,
    by_eye: &[(Millis, f64)],
    from_ms: Millis,
    to_ms: Millis,
) -> Option<f64> {
    let shown_mm = gauge.and_then(|probe| hours.sum(probe, from_ms, to_ms));
    let looks = looks(hours, gauge, by_eye).filter(|look| (from_ms..to_ms).contains(&look.at_ms));
    looks.fold(shown_mm, |sum_mm, look| {
        let missed = look.gauge_mm < GAUGE_MISSED * look.eye_mm;
        let more_mm = if missed { look.eye_mm - look.gauge_mm } else { 0.0 };
        Some(sum_mm.unwrap_or(0.0) + more_mm)
    })
}

/// [`fallen_mm`], but `None` where the gauge was silent for longer than it may be within the span, or missed rain
/// (`unknown`), unless somebody looked at the end of it: what was not seen is not known, and is never 0.
///
/// A gauge is heard in an hour with a reading, or with its part of what a counter made up for; a span with rain that a
/// counter made up for is known as far as that guess goes. `patience_ms` is what its
/// rhythm allows; a gap counts that is longer, and of which at least an hour lies within.
pub fn known_mm(
    hours: &Hours,
    gauge: Option<usize>,
    by_eye: &[(Millis, f64)],
    (from_ms, to_ms): (Millis, Millis),
    patience_ms: Millis,
    unknown: &[(Millis, Option<Millis>)],
) -> Option<f64> {
    let fallen_mm = fallen_mm(hours, gauge, by_eye, from_ms, to_ms)?;
    let looked = by_eye.iter().any(|(at_ms, _)| (from_ms..to_ms).contains(at_ms));
    let Some(probe) = gauge.filter(|_| !looked) else { return Some(fallen_mm) };
    let guessed = hours.is_guessed(probe, from_ms, to_ms);
    let missed = |(since_ms, until_ms): &(Millis, Option<Millis>)| {
        *since_ms < to_ms && until_ms.is_none_or(|until_ms| until_ms > from_ms)
    };
    let mut heard_ms = from_ms - 2 * HOURS_KEPT_MS;
    let mut silent = false;
    let mut gap = |from: Millis, to: Millis| {
        silent |= to - from > patience_ms && to.min(to_ms) - from.max(from_ms) >= HOUR_MS;
    };
    for (start_ms, _) in hours.range(probe, from_ms - 2 * LONGEST_GAP_MS, to_ms) {
        gap(heard_ms, *start_ms);
        heard_ms = start_ms + HOUR_MS;
    }
    gap(heard_ms, to_ms);
    let heard = !silent || guessed;
    (heard && !unknown.iter().any(missed)).then_some(fallen_mm)
}

/// One reading by eye beside what the gauge showed of the same rain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// When it was read.
    pub at_ms: Millis,
    /// By eye, mm.
    pub eye_mm: f64,
    /// By the gauge over the same time, mm; 0 when it did not speak.
    pub gauge_mm: f64,
    /// The gauge spoke in that time.
    pub heard: bool,
}

/// All readings by eye, oldest first.
pub fn looks(hours: &Hours, gauge: Option<usize>, by_eye: &[(Millis, f64)]) -> impl Iterator<Item = Look> {
    let mut sorted = by_eye.to_vec();
    sorted.sort_by_key(|(at_ms, _)| *at_ms);
    let befores: Vec<Millis> = std::iter::once(Millis::MIN).chain(sorted.iter().map(|(at, _)| *at)).collect();
    sorted.into_iter().zip(befores).map(move |((at_ms, eye_mm), before_ms)| {
        let since_ms = before_ms.max(at_ms - BY_EYE_MS);
        // The hour that a reading by eye falls into belongs to the time before it.
        let gauge_mm = gauge.and_then(|probe| hours.sum(probe, since_ms + 1, at_ms + 1)).unwrap_or(0.0);
        let heard = gauge.is_some_and(|probe| hours.present(probe, since_ms + 1, at_ms + 1) > 0);
        Look { at_ms, eye_mm, gauge_mm, heard }
    })
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

    fn plain(form: RainForm) -> Tells {
        Tells { form, tip_mm: None }
    }

    fn run(form: RainForm, steps: &[(Millis, f64)]) -> Vec<f64> {
        let mut gauge = Gauge::default();
        let mm = |(at, value): &(Millis, f64)| {
            gauge.amount(plain(form), *value, *at, 0.0, &calendar()).unwrap().mm
        };
        steps.iter().map(mm).collect()
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
            let mut amount = |minute, value| {
                let fall = gauge.amount(plain(form), value, minute * MINUTE_MS, 0.0, &calendar());
                fall.map(|fall| fall.mm)
            };
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
        assert_eq!(gauge.amount(plain(RainForm::Increment), 300.0, 0, 0.0, &calendar()), Err(Doubt::Burst));
        // Nor 1001 after a winter without a word.
        let mut old = Gauge { last: Some((0, 0.0)), ..Gauge::default() };
        let spring = 4000 * HOUR_MS;
        assert_eq!(
            old.amount(plain(RainForm::Increment), 1001.0, spring, 0.0, &calendar()),
            Err(Doubt::Burst)
        );
        gauge.amount(plain(RainForm::Counter), 10.0, 0, 0.0, &calendar()).unwrap();
        assert_eq!(
            gauge.amount(plain(RainForm::Counter), 900.0, MINUTE_MS, 0.0, &calendar()),
            Err(Doubt::Burst)
        );
        assert_eq!(
            gauge.amount(plain(RainForm::Counter), 11.0, 2 * MINUTE_MS, 0.0, &calendar()),
            Ok(Fall { mm: 1.0, gap_from_ms: None })
        );
    }

    #[test]
    fn a_known_bucket_gets_back_what_it_lost_and_an_unknown_one_does_not() {
        let caught = |tip_mm| {
            let mut gauge = Gauge::default();
            let tells = Tells { form: RainForm::Counter, tip_mm };
            let mut amount = |minutes, total| {
                gauge.amount(tells, total, minutes * MINUTE_MS, 0.0, &calendar()).unwrap().mm
            };
            [amount(0, 0.0), amount(6, 10.0), amount(16, 10.0), amount(76, 12.0)]
        };
        assert_eq!(caught(None), [0.0, 10.0, 0.0, 2.0]);
        let [_, downpour, none, drizzle] = caught(Some(0.254));
        // 10 mm in six minutes are 100 mm/h: 4.92 % lost; 2 mm in an hour: 0.1 %.
        assert!((downpour - 10.0 / (1.0 - 0.0492)).abs() < 0.001, "{downpour}");
        assert_eq!(none, 0.0);
        assert!(drizzle > 2.0 && drizzle < 2.003, "{drizzle}");
    }

    /// A node that speaks at each tip, and the same tips out of a queue that waited at the broker.
    #[test]
    fn single_tips_are_put_right_by_the_time_between_them_and_a_drained_queue_is_not() {
        for (apart_ms, factor) in [(9144_i64, 1.0 / (1.0 - 0.0492)), (60_000, 1.0 / (1.0 - 0.0075)), (3, 1.0)]
        {
            let mut gauge = Gauge::default();
            let tells = Tells { form: RainForm::Increment, tip_mm: Some(0.254) };
            let mut tip = |n: Millis| gauge.amount(tells, 0.254, n * apart_ms, 0.0, &calendar()).unwrap().mm;
            assert_eq!(tip(0), 0.254);
            let second = tip(1);
            assert!((second - 0.254 * factor).abs() < 1e-4, "{apart_ms} ms: {second}");
        }
    }

    #[test]
    fn shares_of_a_span_lie_in_its_hours_and_make_the_whole() {
        let half = HOUR_MS / 2;
        let parts = shares(half, 3 * HOUR_MS, &calendar());
        assert_eq!(parts, [(0, 0.2), (HOUR_MS, 0.4), (2 * HOUR_MS, 0.4)]);
        let zone: chrono_tz::Tz = "Australia/Lord_Howe".parse().unwrap();
        let from = chrono::DateTime::parse_from_rfc3339("2027-04-03T12:10:00Z").unwrap().timestamp_millis();
        let parts = shares(from, from + 7 * HOUR_MS, &Calendar::new(zone));
        assert!((parts.iter().map(|(_, share)| share).sum::<f64>() - 1.0).abs() < 1e-9);
        assert!(parts.windows(2).all(|pair| pair[0].0 < pair[1].0) && parts.len() <= 9, "{parts:?}");
    }
}
