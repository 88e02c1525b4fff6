//! Civil time of the garden: dates, hours, windows. Days have 23, 24 or 25 hours; nothing here assumes 24.

use chrono::{DateTime, Days, LocalResult, NaiveDate, NaiveTime, Offset, TimeZone, Utc};
use chrono_tz::Tz;

use crate::record::Millis;
use crate::settings::garden::Hours;

/// One hour, milliseconds.
pub const HOUR_MS: Millis = 3_600_000;
/// One minute, milliseconds.
pub const MINUTE_MS: Millis = 60_000;

/// Civil time of one zone.
#[derive(Debug, Clone)]
pub struct Calendar {
    zone: Tz,
}

impl Calendar {
    /// The calendar of a zone.
    pub fn new(zone: Tz) -> Self {
        Self { zone }
    }

    fn local(&self, ms: Millis) -> DateTime<Tz> {
        // Times beyond chrono's years come only from a broken clock; they stand at the epoch then.
        Utc.timestamp_millis_opt(ms).single().unwrap_or(DateTime::UNIX_EPOCH).with_timezone(&self.zone)
    }

    /// The civil date.
    pub fn date(&self, ms: Millis) -> NaiveDate {
        self.local(ms).date_naive()
    }

    /// The civil time of day.
    pub fn time(&self, ms: Millis) -> NaiveTime {
        self.local(ms).time()
    }

    /// Offset from UTC, milliseconds.
    fn offset_ms(&self, ms: Millis) -> Millis {
        Millis::from(self.local(ms).offset().fix().local_minus_utc()) * 1000
    }

    /// The instant a date's clock first shows `time`. A time that the clock skips stands for the instant
    /// of the skip; of a time shown twice the earlier is meant.
    pub fn at(&self, date: NaiveDate, time: NaiveTime) -> Millis {
        let wanted = date.and_time(time);
        match self.zone.from_local_datetime(&wanted) {
            LocalResult::Single(at) | LocalResult::Ambiguous(at, _) => at.timestamp_millis(),
            LocalResult::None => {
                // The offset of two hours before names the clock that still stood before the skip.
                let before = wanted.and_utc().timestamp_millis();
                let guess = before - self.offset_ms(before - 14 * HOUR_MS);
                let old = self.offset_ms(guess - 2 * HOUR_MS);
                before - old
            }
        }
    }

    /// First instant of a civil day.
    pub fn day_start(&self, date: NaiveDate) -> Millis {
        self.at(date, NaiveTime::MIN)
    }

    /// First instant of the civil day after `date`.
    pub fn day_end(&self, date: NaiveDate) -> Millis {
        self.day_start(next_day(date))
    }

    /// Start of the civil hour that holds `ms`. Where the clock is set by half an hour (Lord Howe Island), the
    /// hour of the change is cut in two, so that no two hours overlap.
    pub fn hour_start(&self, ms: Millis) -> Millis {
        let offset = self.offset_ms(ms);
        let start = ms - (ms + offset).rem_euclid(HOUR_MS);
        if self.offset_ms(start) == offset {
            return start;
        }
        let (mut before, mut after) = (start, ms);
        while after - before > 1 {
            let middle = i64::midpoint(before, after);
            if self.offset_ms(middle) == offset { after = middle } else { before = middle }
        }
        after
    }

    /// The civil hour that holds `ms`: start and end, or a shorter piece of it that holds `ms`.
    pub fn hour(&self, ms: Millis) -> (Millis, Millis) {
        let start = self.hour_start(ms);
        let whole = self.hour_start(start + HOUR_MS - 1) == start;
        (start, if whole { start + HOUR_MS } else { ms + 1 })
    }

    /// The next instant after `ms` at which the clock shows `time`.
    pub fn next(&self, time: NaiveTime, ms: Millis) -> Millis {
        let mut date = self.date(ms);
        loop {
            let at = self.at(date, time);
            if at > ms {
                return at;
            }
            date = next_day(date);
        }
    }

    /// The span of `hours` that holds `ms`, or the next to come.
    pub fn span(&self, hours: Hours, ms: Millis) -> (Millis, Millis) {
        let today = self.date(ms);
        for date in [previous_day(today), today, next_day(today)] {
            let from = self.at(date, hours.from);
            let to = if hours.to > hours.from {
                self.at(date, hours.to)
            } else {
                self.at(next_day(date), hours.to)
            };
            if to > ms {
                return (from, to);
            }
        }
        let from = self.next(hours.from, ms);
        (from, self.next(hours.to, from))
    }

    /// `ms` lies in `hours`.
    pub fn within(&self, hours: Hours, ms: Millis) -> bool {
        let time = self.time(ms);
        if hours.from <= hours.to {
            hours.from <= time && time < hours.to
        } else {
            time >= hours.from || time < hours.to
        }
    }
}

/// The day after. At the end of the calendar the same day.
pub fn next_day(date: NaiveDate) -> NaiveDate {
    date.checked_add_days(Days::new(1)).unwrap_or(date)
}

/// The day before. At the beginning of the calendar the same day.
pub fn previous_day(date: NaiveDate) -> NaiveDate {
    date.checked_sub_days(Days::new(1)).unwrap_or(date)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn days_of_23_24_and_25_hours() {
        let calendar = Calendar::new(chrono_tz::Europe::Berlin);
        // The last Sundays of March and October, EU directive 2000/84/EC.
        for (date, hours) in [("2027-03-28", 23), ("2027-06-01", 24), ("2027-10-31", 25)] {
            let date = day(date);
            assert_eq!(calendar.day_end(date) - calendar.day_start(date), hours * HOUR_MS, "{date}");
        }
    }

    #[test]
    fn a_midnight_that_the_clock_skips_is_the_instant_of_the_skip() {
        // Clocks in Santiago went from 24:00 to 01:00 on 2022-09-11 (tz database, zone America/Santiago).
        let calendar = Calendar::new(chrono_tz::America::Santiago);
        let start = calendar.day_start(day("2022-09-11"));
        assert_eq!(calendar.date(start), day("2022-09-11"));
        assert_eq!(calendar.date(start - 1), day("2022-09-10"));
    }

    #[test]
    fn hours_start_where_the_civil_hour_does() {
        let calendar = Calendar::new(chrono_tz::Asia::Kathmandu); // UTC+05:45
        let ms = calendar.at(day("2027-07-01"), NaiveTime::from_hms_opt(9, 20, 0).unwrap());
        assert_eq!(calendar.time(calendar.hour_start(ms)), NaiveTime::from_hms_opt(9, 0, 0).unwrap());
    }

    #[test]
    fn hours_do_not_overlap_where_the_clock_is_set_by_half_an_hour() {
        // 2027-04-04, 2 h daylight time became 1:30 (tz database, Australia/Lord_Howe).
        let calendar = Calendar::new(chrono_tz::Australia::Lord_Howe);
        let (from, to) = (calendar.day_start(day("2027-04-04")), calendar.day_end(day("2027-04-04")));
        let mut starts: Vec<_> = (from..to).step_by(600_000).map(|ms| calendar.hour_start(ms)).collect();
        starts.dedup();
        assert!(starts.is_sorted() && starts.len() == 25, "{starts:?}");
        assert!((from..to).step_by(600_000).all(|ms| {
            let (start, end) = calendar.hour(ms);
            start <= ms && ms < end && calendar.hour_start(end - 1) == start
        }));
    }

    #[test]
    fn spans_reach_over_midnight() {
        let calendar = Calendar::new(chrono_tz::Europe::Berlin);
        let t = |h, m| NaiveTime::from_hms_opt(h, m, 0).unwrap();
        let quiet = Hours { from: t(21, 30), to: t(6, 0) };
        let at = calendar.at(day("2027-07-02"), t(2, 0));
        let (from, to) = calendar.span(quiet, at);
        assert_eq!((calendar.date(from), calendar.time(from)), (day("2027-07-01"), t(21, 30)));
        assert_eq!((calendar.date(to), calendar.time(to)), (day("2027-07-02"), t(6, 0)));
        assert!(calendar.within(quiet, at) && !calendar.within(quiet, to));
    }
}
