//! The time of a reading: read from the payload in the form the settings name, and held against ours.

use chrono::{DateTime, Duration, LocalResult, NaiveDateTime, TimeZone};
use chrono_tz::Tz;

use crate::record::{Doubt, Millis};
use crate::settings::garden::TimeForm;

use super::Steps;

/// Own times before this are refused: 2020-01-01 UTC. Clocks that were never set say 1970 or 2000.
const EARLIEST_MS: Millis = 1_577_836_800_000;
/// Own times from this on are refused even while our own clock is not trusted: 2100-01-01 UTC. A counter
/// that ran over says 2106.
const LATEST_MS: Millis = 4_102_444_800_000;
/// A node's clock may run this far ahead of ours without being doubted: 5 minutes (judgement).
const AHEAD_KEPT_MS: Millis = 300_000;
/// Further ahead than this is refused: 1 day.
const AHEAD_REFUSED_MS: Millis = 86_400_000;

/// A time as it stands in a payload.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Written<'a> {
    /// A JSON number without a fraction.
    Whole(i64),
    /// Any other JSON number.
    Number(f64),
    /// A JSON string.
    Words(&'a str),
}

/// Reads a payload's own time, milliseconds since 1970. The error says what was expected.
pub(super) fn read(
    written: Written<'_>,
    form: &TimeForm,
    zone: Tz,
    steps: &mut impl Steps,
) -> Result<Millis, String> {
    match (form, written) {
        (TimeForm::EpochSeconds, _) => epoch_ms(written, 1000.0, "seconds since 1970"),
        (TimeForm::EpochMillis, _) => epoch_ms(written, 1.0, "milliseconds since 1970"),
        (TimeForm::Rfc3339, Written::Words(words)) => rfc3339_ms(words.trim())
            .ok_or_else(|| format!("time {words:?} is not RFC 3339 (like 2027-07-01T06:00:00Z)")),
        (TimeForm::Local, Written::Words(words)) => local_ms(words.trim(), zone, steps),
        (TimeForm::Arrival, _) => Err("the settings name no form for the payload's time".to_owned()),
        (TimeForm::Rfc3339 | TimeForm::Local, _) => {
            Err("the time is a number, the settings expect a written date and time".to_owned())
        }
    }
}

fn epoch_ms(written: Written<'_>, ms_per_unit: f64, unit: &str) -> Result<Millis, String> {
    let ms = match written {
        Written::Whole(whole) if ms_per_unit == 1.0 => return Ok(whole),
        Written::Whole(whole) => return Ok(whole.saturating_mul(1000)),
        Written::Number(number) => number * ms_per_unit,
        Written::Words(words) => {
            let number: f64 =
                words.trim().parse().map_err(|_| format!("time {words:?} is not a number of {unit}"))?;
            number * ms_per_unit
        }
    };
    if ms.is_finite() { Ok(ms.round() as Millis) } else { Err(format!("time is not a number of {unit}")) }
}

/// Reads date and time without zone as civil time of `zone`: a time that happens twice is taken as the
/// earlier one, one that never happens is moved on by the length of the gap, and both are said.
fn local_ms(words: &str, zone: Tz, steps: &mut impl Steps) -> Result<Millis, String> {
    let local = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"]
        .iter()
        .find_map(|shape| NaiveDateTime::parse_from_str(words, shape).ok())
        .ok_or_else(|| format!("time {words:?} is not a local date and time (like 2027-07-01T06:00:00)"))?;
    match zone.from_local_datetime(&local) {
        LocalResult::Single(at) => Ok(at.timestamp_millis()),
        LocalResult::Ambiguous(earlier, _) => {
            steps.say(|| format!("{local} happens twice in {zone}; the earlier is taken"));
            Ok(earlier.timestamp_millis())
        }
        LocalResult::None => {
            let moved = after_gap(local, zone).ok_or_else(|| format!("{local} never happens in {zone}"))?;
            steps.say(|| format!("{local} never happens in {zone}; moved on to {}", moved.naive_local()));
            Ok(moved.timestamp_millis())
        }
    }
}

/// The instant of a time inside a gap, by the offset that held before the gap.
fn after_gap(local: NaiveDateTime, zone: Tz) -> Option<DateTime<Tz>> {
    (1..=30).find_map(|hours| {
        let back = Duration::hours(hours);
        zone.from_local_datetime(&local.checked_sub_signed(back)?).latest()?.checked_add_signed(back)
    })
}

/// Holds a payload's own time against the arrival.
///
/// While our clock is not trusted an own time can be checked against nothing but the bounds of the
/// century: refusing it then would lose the readings a node brings after the board was off for a while.
pub(super) fn weigh(at_ms: Millis, arrived_ms: Millis, trusted: bool) -> Result<Option<Doubt>, String> {
    let ahead_ms = at_ms.saturating_sub(arrived_ms);
    if at_ms < EARLIEST_MS {
        Err(format!("its time is {}, before 2020: the node's clock was not set", show(at_ms)))
    } else if at_ms >= LATEST_MS || (trusted && ahead_ms > AHEAD_REFUSED_MS) {
        Err(format!("its time is {}, more than a day after it arrived", show(at_ms)))
    } else if trusted && ahead_ms > AHEAD_KEPT_MS {
        Ok(Some(Doubt::Future))
    } else {
        Ok(None)
    }
}

/// A time as RFC 3339 in UTC, for people; far beyond the calendar as plain milliseconds.
pub fn show(ms: Millis) -> String {
    DateTime::from_timestamp_millis(ms).map_or_else(
        || format!("{ms} ms since 1970"),
        |at| at.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true),
    )
}

/// Milliseconds since 1970 of an RFC 3339 time; `None` if it is not one. Fractions below a millisecond
/// are cut off.
pub fn rfc3339_ms(text: &str) -> Option<Millis> {
    usual_shape(text.as_bytes())
        .or_else(|| DateTime::parse_from_rfc3339(text).ok().map(|at| at.timestamp_millis()))
}

/// The shape nearly every time comes in, `YYYY-MM-DDTHH:MM:SS[.f][Z|±HH:MM]`; `None` sends anything else
/// to the full parser. Worth its lines: a replay reads one time a row.
fn usual_shape(text: &[u8]) -> Option<Millis> {
    let (head, mut rest) = text.split_at_checked(19)?;
    let marks = [head[4], head[7], head[10], head[13], head[16]];
    if marks != *b"--T::" {
        return None;
    }
    let (year, month, day) =
        (i64::from(two(head, 0)?) * 100 + i64::from(two(head, 2)?), two(head, 5)?, two(head, 8)?);
    let (hour, minute, second) = (two(head, 11)?, two(head, 14)?, two(head, 17)?);
    if !(1..=12).contains(&month) || day < 1 || day > days_in_month(year, month) {
        return None;
    }
    if hour > 23 || minute > 59 || second > 59 {
        return None;
    }
    let mut ms = 0;
    if let Some((b'.', fraction)) = rest.split_first() {
        let digits = fraction.iter().take_while(|byte| byte.is_ascii_digit()).count();
        if digits == 0 {
            return None;
        }
        ms = fraction[..digits]
            .iter()
            .chain(b"000")
            .take(3)
            .fold(0, |sum, digit| sum * 10 + Millis::from(digit - b'0'));
        rest = &fraction[digits..];
    }
    let offset_min = match rest {
        b"Z" => 0,
        [sign @ (b'+' | b'-'), clock @ ..] if clock.len() == 5 && clock[2] == b':' => {
            let (hours, minutes) = (two(clock, 0)?, two(clock, 3)?);
            if hours > 23 || minutes > 59 {
                return None;
            }
            let total = Millis::from(hours) * 60 + Millis::from(minutes);
            if *sign == b'-' { -total } else { total }
        }
        _ => return None,
    };
    let minutes = (days_since_1970(year, month, day) * 24 + Millis::from(hour)) * 60 + Millis::from(minute);
    Some((minutes - offset_min) * 60_000 + Millis::from(second) * 1000 + ms)
}

fn two(text: &[u8], at: usize) -> Option<u32> {
    let (tens, ones) = (text[at], text[at + 1]);
    (tens.is_ascii_digit() && ones.is_ascii_digit())
        .then(|| u32::from(tens - b'0') * 10 + u32::from(ones - b'0'))
}

fn days_in_month(year: i64, month: u32) -> u32 {
    match month {
        4 | 6 | 9 | 11 => 30,
        2 if year % 4 == 0 && (year % 100 != 0 || year % 400 == 0) => 29,
        2 => 28,
        _ => 31,
    }
}

/// Days from 1970-01-01 to a Gregorian date, years 0 to 9999 (Hinnant, "chrono-compatible low-level date
/// algorithms", `days_from_civil`: years start in March so that the leap day comes last).
fn days_since_1970(year: i64, month: u32, day: u32) -> Millis {
    let year = if month <= 2 { year - 1 } else { year };
    let era = year.div_euclid(400);
    let year_of_era = year.rem_euclid(400);
    let month_from_march = i64::from((month + 9) % 12);
    let day_of_year = (153 * month_from_march + 2) / 5 + i64::from(day) - 1;
    era * 146_097 + year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year - 719_468
}
