//! The time of a reading: read from the payload in the form the settings name, and held against ours.

use chrono::{LocalResult, NaiveDateTime, TimeZone};
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
    /// Base time and time of a SenML record in one, seconds.
    Record(f64),
}

/// When a reading was measured, and how well that is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stamped {
    pub(super) at_ms: Millis,
    /// By the payload alone: the same message gives the same time whenever it comes.
    pub(super) own: bool,
    pub(super) doubt: Option<Doubt>,
}

/// Times below this many seconds are no moments since 1970: in SenML they count from now (RFC 8428 section 4.5.3:
/// 2^28), elsewhere from the start of a node that has no clock.
const RELATIVE_S: f64 = 268_435_456.0;
/// No node keeps a reading for longer before it is sent, seconds: 366 days (judgement). A time that counts from the
/// arrival or from a start is wrong beyond.
const KEPT_S: f64 = 366.0 * 86_400.0;

/// Reads a payload's own time, milliseconds since 1970. The error says what was expected.
pub(super) fn read(
    written: Written<'_>,
    form: &TimeForm,
    zone: Tz,
    arrived_ms: Millis,
    steps: &mut impl Steps,
) -> Result<Stamped, String> {
    let (at_ms, doubt) = match written {
        Written::Record(seconds) if seconds < -KEPT_S => {
            return Err(format!("its time is {seconds} s from its arrival, more than a year back"));
        }
        Written::Record(seconds) if seconds < RELATIVE_S => {
            let at_ms = arrived_ms.saturating_add((seconds * 1000.0).round() as Millis);
            steps.say(|| format!("{seconds} s from its arrival, {}", rfc3339::show(at_ms)));
            return Ok(Stamped { at_ms, own: false, doubt: ahead(at_ms.saturating_sub(arrived_ms))? });
        }
        Written::Record(seconds) => ((seconds * 1000.0).round() as Millis, None),
        Written::Words(words) if *form == TimeForm::Local => local_ms(words.trim(), zone, steps)?,
        _ => (instant(written, form)?, None),
    };
    Ok(Stamped { at_ms, own: true, doubt })
}

/// The times of samples that came in one message of a node without a clock, which counts seconds from its start;
/// `None` if any of them is a moment of its own.
///
/// The last counted is taken as measured at the arrival, the others as far before it as they were counted apart:
/// believed while they run one way through the message. If they do not, the node started anew between them, and
/// all stand at the arrival with [`Doubt::ClockUnsure`] (judgement).
pub(super) fn by_uptime(
    times: &[Option<Written<'_>>],
    form: &TimeForm,
    arrived_ms: Millis,
) -> Option<Vec<Stamped>> {
    let ms_per_unit = match form {
        TimeForm::EpochSeconds => 1000.0,
        TimeForm::EpochMillis => 1.0,
        _ => return None,
    };
    let counted = |time: &Option<Written<'_>>| match time {
        Some(Written::Whole(whole)) => Some(*whole as f64 * ms_per_unit),
        Some(Written::Number(number)) => Some(number * ms_per_unit),
        _ => None,
    };
    let counted_ms: Vec<f64> = times.iter().map(counted).collect::<Option<_>>()?;
    if counted_ms.is_empty() || counted_ms.iter().any(|ms| !(0.0..RELATIVE_S * 1000.0).contains(ms)) {
        return None;
    }
    let last_ms = counted_ms.iter().copied().fold(0.0, f64::max);
    if counted_ms.iter().any(|ms| last_ms - ms > KEPT_S * 1000.0) {
        return None;
    }
    let rises = counted_ms.windows(2).all(|pair| pair[0] <= pair[1]);
    let falls = counted_ms.windows(2).all(|pair| pair[0] >= pair[1]);
    let stamped = |ms: &f64| match rises || falls {
        true => Stamped { at_ms: arrived_ms - (last_ms - ms).round() as Millis, own: false, doubt: None },
        false => Stamped { at_ms: arrived_ms, own: false, doubt: Some(Doubt::ClockUnsure) },
    };
    Some(counted_ms.iter().map(stamped).collect())
}

fn instant(written: Written<'_>, form: &TimeForm) -> Result<Millis, String> {
    match (form, written) {
        (TimeForm::EpochSeconds, _) => epoch_ms(written, 1000.0, "seconds since 1970"),
        (TimeForm::EpochMillis, _) => epoch_ms(written, 1.0, "milliseconds since 1970"),
        (TimeForm::Rfc3339, Written::Words(words)) => rfc3339::parse(words.trim())
            .ok_or_else(|| format!("time {words:?} is not RFC 3339 (like 2027-07-01T06:00:00Z)")),
        (TimeForm::Arrival | TimeForm::Record, _) => {
            Err("the settings name no form for the payload's time".to_owned())
        }
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
        Written::Record(seconds) => seconds * 1000.0,
    };
    if ms.is_finite() { Ok(ms.round() as Millis) } else { Err(format!("time is not a number of {unit}")) }
}

/// Reads date and time without zone as civil time of `zone`. A time that happens twice is taken as the earlier
/// one, whenever it comes, so that a repeat is known as one; which it was nobody knows, so it is doubted. One that
/// never happens is refused: the node's clock does not keep the zone's time.
fn local_ms(words: &str, zone: Tz, steps: &mut impl Steps) -> Result<(Millis, Option<Doubt>), String> {
    let local = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"]
        .iter()
        .find_map(|shape| NaiveDateTime::parse_from_str(words, shape).ok())
        .ok_or_else(|| format!("time {words:?} is not a local date and time (like 2027-07-01T06:00:00)"))?;
    match zone.from_local_datetime(&local) {
        LocalResult::Single(at) => Ok((at.timestamp_millis(), None)),
        LocalResult::Ambiguous(earlier, _) => {
            steps.say(|| format!("{local} happens twice in {zone}; the earlier is taken, with a doubt"));
            Ok((earlier.timestamp_millis(), Some(Doubt::ClockUnsure)))
        }
        LocalResult::None => Err(format!(
            "{local} never happens in {zone}, the clocks are put forward over it: the node does not keep that time; \
             let it send UTC"
        )),
    }
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
    } else if trusted {
        ahead(ahead_ms)
    } else {
        Ok(None)
    }
}

/// How a time so far after the arrival is judged.
fn ahead(ahead_ms: Millis) -> Result<Option<Doubt>, String> {
    match ahead_ms {
        _ if ahead_ms > AHEAD_REFUSED_MS => Err("its time is more than a day after it arrived".to_owned()),
        _ if ahead_ms > AHEAD_KEPT_MS => Ok(Some(Doubt::Future)),
        _ => Ok(None),
    }
}
