//! The time of a reading: read from the payload in the form the settings name, and held against ours.

use chrono::{DateTime, Duration, LocalResult, NaiveDateTime, TimeZone};
use chrono_tz::Tz;

use crate::record::{Doubt, Millis};
use crate::rfc3339;
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
        (TimeForm::Rfc3339, Written::Words(words)) => rfc3339::parse(words.trim())
            .ok_or_else(|| format!("time {words:?} is not RFC 3339 (like 2027-07-01T06:00:00Z)")),
        (TimeForm::Local, Written::Words(words)) => local_ms(words.trim(), zone, steps),
        (TimeForm::Arrival, _) => Err("the settings name no form for the payload's time".to_owned()),
        (TimeForm::Rfc3339 | TimeForm::Local, _) => {
            Err("the time is a number; set time = \"epoch-s\" or \"epoch-ms\"".to_owned())
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
        Err(format!("its time is {}, before 2020: the node's clock was not set", rfc3339::show(at_ms)))
    } else if at_ms >= LATEST_MS || (trusted && ahead_ms > AHEAD_REFUSED_MS) {
        Err(format!("its time is {}, more than a day after it arrived", rfc3339::show(at_ms)))
    } else if trusted && ahead_ms > AHEAD_KEPT_MS {
        Ok(Some(Doubt::Future))
    } else {
        Ok(None)
    }
}
