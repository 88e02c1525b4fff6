//! Amounts as people write them: "7 m2", "40 cm", "60 F", "17:00-20:00", 2027-05-20.
//!
//! Metric and US units, a decimal point, always the unit: a bare 7 could be square metres or square
//! feet. Each function makes a parser for [`super::document::Table::take`].

use std::ops::RangeInclusive;

use chrono::{NaiveDate, NaiveTime, Timelike};
use toml::de::DeValue;

use super::document::Parsed;
use super::garden::Hours;

/// A dimension: its units with factor and offset to ours.
pub(super) struct Dimension {
    /// What to write, for complaints.
    like: &'static str,
    /// Our own unit, in which bounds are told.
    own: &'static str,
    /// Word, factor, offset: `own = number × factor + offset`.
    units: &'static [(&'static str, f64, f64)],
    /// A number without a unit is understood as ours (shares only).
    bare: bool,
}

/// Metres.
pub(super) const LENGTH: Dimension = Dimension {
    like: "\"40 cm\" or \"16 in\"",
    own: "m",
    units: &[
        ("m", 1.0, 0.0),
        ("cm", 0.01, 0.0),
        ("mm", 0.001, 0.0),
        ("ft", 0.3048, 0.0),
        ("in", 0.0254, 0.0),
    ],
    bare: false,
};
/// Metres above the sea.
pub(super) const HEIGHT: Dimension = Dimension { like: "\"290 m\" or \"950 ft\"", ..LENGTH };
/// Square metres.
pub(super) const AREA: Dimension = Dimension {
    like: "\"7 m2\" or \"75 ft2\"",
    own: "m2",
    units: &[("m2", 1.0, 0.0), ("m²", 1.0, 0.0), ("ft2", 0.092_903_04, 0.0), ("ft²", 0.092_903_04, 0.0)],
    bare: false,
};
/// Litres; gallons are US gallons.
pub(super) const VOLUME: Dimension = Dimension {
    like: "\"10 L\" or \"2.5 gal\"",
    own: "L",
    units: &[("L", 1.0, 0.0), ("l", 1.0, 0.0), ("gal", GALLON_L, 0.0)],
    bare: false,
};
/// Litres a minute.
pub(super) const FLOW: Dimension = Dimension {
    like: "\"18 L/min\" or \"5 gal/min\"",
    own: "L/min",
    units: &[("L/min", 1.0, 0.0), ("l/min", 1.0, 0.0), ("L/h", 1.0 / 60.0, 0.0), ("gal/min", GALLON_L, 0.0)],
    bare: false,
};
/// Degrees Celsius.
pub(super) const WARMTH: Dimension = Dimension {
    like: "\"32 C\" or \"90 F\"",
    own: "C",
    units: &[
        ("C", 1.0, 0.0),
        ("°C", 1.0, 0.0),
        ("F", 5.0 / 9.0, -160.0 / 9.0),
        ("°F", 5.0 / 9.0, -160.0 / 9.0),
    ],
    bare: false,
};
/// Seconds.
pub(super) const DURATION: Dimension = Dimension {
    like: "\"60 s\", \"10 min\", \"6 h\" or \"7 days\"",
    own: "s",
    units: &[
        ("s", 1.0, 0.0),
        ("min", 60.0, 0.0),
        ("h", 3600.0, 0.0),
        ("day", 86_400.0, 0.0),
        ("days", 86_400.0, 0.0),
    ],
    bare: false,
};
/// Millimetres an hour.
pub(super) const INTAKE: Dimension = Dimension {
    like: "\"20 mm/h\" or \"0.8 in/h\"",
    own: "mm/h",
    units: &[("mm/h", 1.0, 0.0), ("in/h", 25.4, 0.0)],
    bare: false,
};
/// Water of one tip.
pub(super) const TIP: Dimension = Dimension {
    like: "\"0.2 mm\" or \"0.01 in\"",
    own: "mm",
    units: &[("mm", 1.0, 0.0), ("in", 25.4, 0.0)],
    bare: false,
};
/// Shares, and water in soil: 0.31 and "31 %" are the same.
pub(super) const SHARE: Dimension = Dimension {
    like: "\"31 %\" or 0.31",
    own: "",
    units: &[("%", 0.01, 0.0), ("m3/m3", 1.0, 0.0)],
    bare: true,
};

/// US gallon, litres (exact: 231 cubic inches).
const GALLON_L: f64 = 3.785_411_784;

/// An amount of `dimension` within `bounds` of our unit.
pub(super) fn amount(
    dimension: &'static Dimension,
    bounds: RangeInclusive<f64>,
) -> impl Fn(&DeValue<'_>) -> Parsed<f64> {
    move |value| {
        let own = match value.as_str() {
            Some(words) => from_words(dimension, words)?,
            None if dimension.bare => number(value)?,
            None => return Err(format!("say the unit: {}", dimension.like)),
        };
        within(own, &bounds, dimension.own)
    }
}

/// The amount in `words`, in our unit.
pub(super) fn from_words(dimension: &Dimension, words: &str) -> Parsed<f64> {
    let (number, unit) = split_unit(words)?;
    if unit.is_empty() && dimension.bare {
        return Ok(number);
    }
    let known = dimension.units.iter().find(|(word, ..)| *word == unit);
    match known {
        Some((_, factor, offset)) => Ok(tidy(number * factor + offset)),
        None if unit.is_empty() => Err(format!("say the unit: {}", dimension.like)),
        None => Err(format!("unit {unit} is not known here; write {}", dimension.like)),
    }
}

/// Takes away the last bits that a change of units leaves (40 cm is 0.4 m, not 0.40000000000000002).
fn tidy(value: f64) -> f64 {
    (value * 1e12).round() / 1e12
}

/// The number at the start and the unit after it.
fn split_unit(words: &str) -> Parsed<(f64, &str)> {
    let words = words.trim();
    let end = words.find(|c: char| !(c.is_ascii_digit() || "+-.,_".contains(c))).unwrap_or(words.len());
    let (digits, unit) = words.split_at(end);
    if digits.contains(',') {
        return Err("write the number with a decimal point, like 7.5".to_owned());
    }
    match digits.parse::<f64>() {
        Ok(number) if number.is_finite() => Ok((number, unit.trim())),
        _ => Err("a number and its unit are wanted".to_owned()),
    }
}

/// `value` if it lies within `bounds`.
fn within(value: f64, bounds: &RangeInclusive<f64>, unit: &str) -> Parsed<f64> {
    if bounds.contains(&value) {
        return Ok(value);
    }
    let space = if unit.is_empty() { "" } else { " " };
    Err(format!("must lie between {} and {}{space}{unit}", bounds.start(), bounds.end()))
}

/// A number, whole or not.
pub(super) fn number(value: &DeValue<'_>) -> Parsed<f64> {
    let digits = match value {
        DeValue::Integer(whole) if whole.radix() == 10 => whole.as_str(),
        DeValue::Float(float) => float.as_str(),
        _ => return Err("a number is wanted, without quotes".to_owned()),
    };
    match digits.parse::<f64>() {
        Ok(number) if number.is_finite() => Ok(number),
        _ => Err("a finite number is wanted".to_owned()),
    }
}

/// A bare number within `bounds`; `unit` is for the complaint.
pub(super) fn plain(bounds: RangeInclusive<f64>, unit: &'static str) -> impl Fn(&DeValue<'_>) -> Parsed<f64> {
    move |value| within(number(value)?, &bounds, unit)
}

/// A whole number within `bounds`.
pub(super) fn whole(bounds: RangeInclusive<u32>) -> impl Fn(&DeValue<'_>) -> Parsed<u32> {
    move |value| {
        let rule = || format!("a whole number from {} to {} is wanted", bounds.start(), bounds.end());
        let DeValue::Integer(digits) = value else { return Err(rule()) };
        let number = u32::from_str_radix(digits.as_str(), digits.radix()).map_err(|_| rule())?;
        if bounds.contains(&number) { Ok(number) } else { Err(rule()) }
    }
}

/// true or false.
pub(super) fn yes_no(value: &DeValue<'_>) -> Parsed<bool> {
    value.as_bool().ok_or_else(|| "true or false is wanted, without quotes".to_owned())
}

/// Words on one line, not empty, at most 200 characters.
pub(super) fn words(value: &DeValue<'_>) -> Parsed<String> {
    let words = value.as_str().ok_or("words between quotes are wanted")?;
    if words.trim().is_empty() {
        return Err("must not be empty".to_owned());
    }
    if words.chars().any(char::is_control) || words.chars().count() > 200 {
        return Err("at most 200 characters on one line".to_owned());
    }
    Ok(words.trim().to_owned())
}

/// One of the words of a table.
pub(super) fn one_of<T: Copy>(table: &'static [(&'static str, T)]) -> impl Fn(&DeValue<'_>) -> Parsed<T> {
    move |value| {
        let word = value.as_str().unwrap_or_default();
        let known = table.iter().find(|(known, _)| *known == word).map(|(_, meaning)| *meaning);
        known.ok_or_else(|| {
            let known = table.iter().map(|(word, _)| format!("\"{word}\"")).collect::<Vec<_>>();
            format!("one of {} is wanted", known.join(", "))
        })
    }
}

/// A date: 2027-05-20, with or without quotes.
pub(super) fn date(value: &DeValue<'_>) -> Parsed<NaiveDate> {
    let rule = "a date is wanted: year-month-day, like 2027-05-20";
    let words = match value {
        DeValue::Datetime(when) if when.time.is_none() => when.to_string(),
        DeValue::String(words) => words.to_string(),
        _ => return Err(rule.to_owned()),
    };
    NaiveDate::parse_from_str(&words, "%Y-%m-%d").map_err(|_| rule.to_owned())
}

/// Hours of a day: "17:00-20:00".
pub(super) fn hours(value: &DeValue<'_>) -> Parsed<Hours> {
    hours_from(value.as_str().unwrap_or_default())
}

fn hours_from(words: &str) -> Parsed<Hours> {
    let clock = |word: &str| match word.trim() {
        "24:00" => Some(NaiveTime::MIN),
        word => NaiveTime::parse_from_str(word, "%H:%M").ok(),
    };
    let ends = words.split_once('-').and_then(|(from, to)| Some((clock(from)?, clock(to)?)));
    match ends {
        Some((from, to)) if from == to => Err("begins when it ends; give it some minutes".to_owned()),
        Some((from, to)) => Ok(Hours { from, to }),
        None => Err("hours are wanted, by the 24-hour clock, like \"17:00-20:00\"".to_owned()),
    }
}

/// Several hours of a day, in the order of the day, none touching another.
pub(super) fn hour_list(value: &DeValue<'_>) -> Parsed<Vec<Hours>> {
    let like = "a list is wanted, like [\"06:00-08:00\", \"17:00-20:00\"]";
    let list = value.as_array().ok_or(like)?;
    let mut all = Vec::new();
    for item in list {
        all.push(hours_from(item.get_ref().as_str().ok_or(like)?)?);
    }
    if all.is_empty() {
        return Err("empty: without any hours nobody could be asked to do anything".to_owned());
    }
    all.sort_by_key(|hours| hours.from);
    let overlap =
        all.iter().enumerate().any(|(at, one)| all.iter().skip(at + 1).any(|other| meet(*one, *other)));
    if overlap { Err("two of these overlap; make one of them".to_owned()) } else { Ok(all) }
}

/// Minutes from the start of `hours` to `time`, going forward over midnight if need be.
fn minutes_into(hours: Hours, time: NaiveTime) -> u32 {
    let minute = |time: NaiveTime| time.num_seconds_from_midnight() / 60;
    (1440 + minute(time) - minute(hours.from)) % 1440
}

/// Minutes from start to end.
fn length_min(hours: Hours) -> u32 {
    minutes_into(hours, hours.to)
}

/// Whether the two share a minute.
pub(super) fn meet(one: Hours, other: Hours) -> bool {
    minutes_into(one, other.from) < length_min(one) || minutes_into(other, one.from) < length_min(other)
}

/// Whether `inner` lies wholly within `outer`.
pub(super) fn lies_within(inner: Hours, outer: Hours) -> bool {
    minutes_into(outer, inner.from) + length_min(inner) <= length_min(outer)
}
