//! Who is asked, and when they can act.

use chrono::{Duration, NaiveDate, NaiveTime};

use crate::record::Millis;
use crate::settings::garden::{Garden, Hours, Person, Role};

use super::calendar::{Calendar, HOUR_MS, MINUTE_MS};
use super::facts::Facts;

/// A letter for a working window goes out this long before the window begins.
const BEFORE_WINDOW_MS: Millis = HOUR_MS;
/// A letter that would fall into the quiet hours goes out this long before they begin.
const BEFORE_QUIET_MS: Millis = 30 * MINUTE_MS;
/// Less of a window than this is no chance to act any more.
const LEAST_WINDOW_MS: Millis = HOUR_MS;

/// A chance to work at the beds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// It begins.
    pub from_ms: Millis,
    /// It ends.
    pub to_ms: Millis,
    /// A letter for it goes out at this time, or at once when that has passed.
    pub letter_ms: Millis,
}

/// Who is asked on a date: the stand-in while the grower is away, else the grower.
pub fn asked<'a>(garden: &'a Garden, facts: &Facts, date: NaiveDate) -> Option<&'a Person> {
    let away = facts.is_away(date).then(|| garden.person(Role::StandIn)).flatten();
    away.or_else(|| garden.person(Role::Grower)).or_else(|| garden.people.first())
}

/// The hours of a person: their own, else the garden's windows.
pub fn hours_of<'a>(garden: &'a Garden, person: &'a Person) -> &'a [Hours] {
    if person.hours.is_empty() { &garden.windows } else { &person.hours }
}

/// The next chance of a person to act that has not all but passed, and the one after it.
pub fn next_windows(
    garden: &Garden,
    calendar: &Calendar,
    person: &Person,
    now_ms: Millis,
) -> (Window, Window) {
    let next = |after_ms: Millis| {
        hours_of(garden, person)
            .iter()
            .map(|hours| calendar.span(*hours, after_ms))
            .min()
            .unwrap_or((after_ms, after_ms + 3 * HOUR_MS))
    };
    let first = next(now_ms + LEAST_WINDOW_MS);
    let second = next(first.1 + LEAST_WINDOW_MS);
    (window(garden, calendar, first), window(garden, calendar, second))
}

fn window(garden: &Garden, calendar: &Calendar, (from_ms, to_ms): (Millis, Millis)) -> Window {
    let wanted = from_ms - BEFORE_WINDOW_MS;
    let letter_ms = if calendar.within(garden.quiet, wanted) {
        calendar.span(garden.quiet, wanted).0 - BEFORE_QUIET_MS
    } else {
        wanted
    };
    Window { from_ms, to_ms, letter_ms }
}

/// The earliest time from `ms` on that lies outside the quiet hours.
pub fn out_of_quiet(garden: &Garden, calendar: &Calendar, ms: Millis) -> Millis {
    if calendar.within(garden.quiet, ms) { calendar.span(garden.quiet, ms).1 } else { ms }
}

/// A person is free in the morning hours when a shade can still be put up in time.
pub fn is_free_between(garden: &Garden, person: &Person, from: NaiveTime, to: NaiveTime) -> bool {
    let mut time = from;
    let step = Duration::minutes(15);
    while time < to {
        let free = hours_of(garden, person).iter().any(|hours| {
            if hours.from <= hours.to {
                hours.from <= time && time < hours.to
            } else {
                time >= hours.from || time < hours.to
            }
        });
        if free {
            return true;
        }
        let (next, wrapped) = time.overflowing_add_signed(step);
        if wrapped != 0 {
            break;
        }
        time = next;
    }
    false
}
