//! Times as text, by RFC 3339.

use chrono::DateTime;

use crate::record::Millis;

/// A time as RFC 3339 in UTC, for people; far beyond the calendar as plain milliseconds.
pub fn show(ms: Millis) -> String {
    DateTime::from_timestamp_millis(ms).map_or_else(
        || format!("{ms} ms since 1970"),
        |at| at.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true),
    )
}

/// Milliseconds since 1970 of an RFC 3339 time; `None` if it is not one. Fractions below a millisecond
/// are cut off.
pub fn parse(text: &str) -> Option<Millis> {
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
