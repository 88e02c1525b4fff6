//! Amounts and times as a person reads them: cans, litres or gallons, millimetres or inches, "before 20:00".

use chrono::{DateTime, Datelike, TimeZone, Utc};
use chrono_tz::Tz;

use crate::record::Millis;
use crate::settings::garden::Units;

/// Litres of a US liquid gallon, exact (NIST Handbook 44, appendix C: 231 cubic inches).
const LITRES_PER_GALLON: f64 = 3.785_411_784;
/// Millimetres of an inch, exact by definition.
const MM_PER_INCH: f64 = 25.4;

/// A number with at most `places` decimals, without trailing zeros and without a negative zero. A value
/// that is no number becomes "?".
pub fn number(value: f64, places: usize) -> String {
    if !value.is_finite() {
        return "?".to_owned();
    }
    let text = format!("{value:.places$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// Cans in the words of the garden: "6 cans and a bit". `can_l` litres fill one can.
///
/// Up to 4 % over or 6 % under a whole can is that can; a can more than nine tenths full would
/// mislead a person who pours to the brim, hence "barely".
pub fn cans(litres: f64, can_l: f64) -> String {
    let count = litres / can_l;
    if !count.is_finite() || count < 0.0 {
        return "no can".to_owned();
    }
    // The litres shown are whole; the cans follow the same figure, and a hundredth of a can is noise.
    let count = (count * 100.0).round() / 100.0;
    let whole = count.floor();
    let part = count - whole;
    let of = |n: f64| if n == 1.0 { "1 can".to_owned() } else { format!("{n:.0} cans") };
    match (whole, part) {
        (0.0, p) if p < 0.1 => "hardly a splash".to_owned(),
        (0.0, p) if p < 0.43 => "less than half a can".to_owned(),
        (0.0, p) if p < 0.605 => "half a can".to_owned(),
        (w, p) if p < 0.045 => of(w),
        (w, p) if p < 0.43 => format!("{} and a bit", of(w)),
        (w, p) if p < 0.605 => format!("{} and a half", of(w)),
        (w, p) if p < 0.94 => format!("barely {}", of(w + 1.0)),
        (w, _) => of(w + 1.0),
    }
}

/// Litres, whole from 10 up: "64 L"; with gallons first for those who read them: "17 gal (64 L)".
pub fn litres(litres: f64, units: Units) -> String {
    let shown = number(litres, usize::from(litres < 10.0));
    match units {
        Units::Metric => format!("{shown} L"),
        Units::Us => {
            let gallons = litres / LITRES_PER_GALLON;
            format!("{} gal ({shown} L)", number(gallons, usize::from(gallons < 10.0)))
        }
    }
}

/// A depth of water, given in mm: "9.1 mm" or "0.36 in".
pub fn depth(mm: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{} mm", number(mm, usize::from(mm < 20.0))),
        Units::Us => format!("{} in", number(mm / MM_PER_INCH, 2)),
    }
}

/// A temperature, given in °C: "34 °C" or "93 °F".
pub fn temperature(c: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{} °C", number(c, 1)),
        Units::Us => format!("{} °F", number(c * 1.8 + 32.0, 0)),
    }
}

/// A spread of temperature, given in °C: "±2.1 °C" or "±4 °F".
pub fn temperature_spread(c: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("±{} °C", number(c, 1)),
        Units::Us => format!("±{} °F", number(c * 1.8, 0)),
    }
}

/// Words with figures like "31 ± 3 mm" or "± 2.6 °C" in them, in the units the person reads.
pub fn spreads_in_units(words: &str, units: Units) -> String {
    let mut said: Vec<String> = words.replace("± ", "±").split_whitespace().map(str::to_owned).collect();
    if units == Units::Metric {
        return said.join(" ");
    }
    for at in 1..said.len() {
        let (before, after) = said.split_at_mut(at);
        let (Some(figure), Some(unit)) = (before.last_mut(), after.first_mut()) else { continue };
        let (word, end) = unit.split_at(unit.trim_end_matches([',', ';', '.', ')']).len());
        let spread = figure.strip_prefix('±').and_then(|figure| figure.parse::<f64>().ok());
        let (Some(spread), Some((per_unit, zero, places, ours))) = (spread, us_unit(word)) else { continue };
        *unit = format!("{ours}{end}");
        *figure = format!("±{}", number(spread * per_unit, places));
        // The figure the spread belongs to, where one stands before it.
        let figure = before.iter_mut().rev().nth(1);
        if let Some((figure, value)) =
            figure.and_then(|word| word.parse().ok().map(|value: f64| (word, value)))
        {
            *figure = number(value * per_unit + zero, places);
        }
    }
    said.join(" ")
}

/// From a unit of ours to the US one: factor, offset, decimals, word.
fn us_unit(unit: &str) -> Option<(f64, f64, usize, &'static str)> {
    match unit {
        "°C" => Some((1.8, 32.0, 0, "°F")),
        "mm" => Some((1.0 / MM_PER_INCH, 0.0, 2, "in")),
        _ => None,
    }
}

/// How deep the finger test goes: "10 cm" or "4 in".
pub fn finger(units: Units) -> &'static str {
    match units {
        Units::Metric => "10 cm",
        Units::Us => "4 in",
    }
}

/// A weight, given in kg: "10 kg" or "22 lb" (a pound is 0.45359237 kg by definition).
pub fn weight(kg: f64, units: Units) -> String {
    match units {
        Units::Metric => format!("{} kg", number(kg, 1)),
        Units::Us => format!("{} lb", number(kg / 0.453_592_37, 0)),
    }
}

/// A value in a unit of ours, in the unit the person reads: the number and its unit word.
pub fn in_units(value: f64, unit: &str, units: Units) -> (String, String) {
    match (unit, units) {
        ("°C", Units::Us) => (number(value * 1.8 + 32.0, 0), "°F".to_owned()),
        ("mm", Units::Us) => (number(value / MM_PER_INCH, 2), "in".to_owned()),
        ("L", Units::Us) => (number(value / LITRES_PER_GALLON, 1), "gal".to_owned()),
        ("m3/m3", _) => (fixed(value, 3), "m3/m3".to_owned()),
        ("share", _) => (number(value * 100.0, 0), "%".to_owned()),
        ("counts", _) => (number(value, 0), unit.to_owned()),
        ("%" | "°C" | "mm" | "m/s" | "L", _) => (fixed(value, 1), unit.to_owned()),
        _ => (number(value, 2), unit.to_owned()),
    }
}

/// A number with exactly `places` decimals, so that a column of them stands straight.
fn fixed(value: f64, places: usize) -> String {
    if value.is_finite() { format!("{value:.places$}") } else { "?".to_owned() }
}

/// A share of one as per cent: "46 %".
pub fn percent(share: f64) -> String {
    format!("{} %", number(share * 100.0, 0))
}

/// A share of one in words that need no figure: "nearly half".
pub fn share_words(share: f64) -> &'static str {
    match share {
        s if s < 0.05 => "hardly any",
        s if s < 0.15 => "about a tenth",
        s if s < 0.22 => "about a fifth",
        s if s < 0.29 => "about a quarter",
        s if s < 0.38 => "about a third",
        s if s < 0.47 => "nearly half",
        s if s < 0.53 => "half",
        s if s < 0.61 => "more than half",
        s if s < 0.71 => "about two thirds",
        s if s < 0.85 => "about three quarters",
        _ => "nearly all",
    }
}

/// A length of time, given in hours: "31 hours", "4 days", "40 minutes".
pub fn hours(hours: f64) -> String {
    let (count, word) = match hours {
        h if h < 1.0 => ((h * 60.0 / 10.0).round() * 10.0, "minute"),
        h if h < 72.0 => (h.round(), "hour"),
        h => ((h / 24.0).round(), "day"),
    };
    counted(count, word)
}

/// Minutes of hose for `litres`; at least one.
pub fn hose(litres: f64, l_min: f64) -> String {
    counted((litres / l_min).round().max(1.0), "minute")
}

/// A count and its word: "1 day", "3 days".
pub fn counted(count: f64, word: &str) -> String {
    if count == 1.0 { format!("1 {word}") } else { format!("{} {word}s", number(count, 0)) }
}

/// The local time of `at_ms` in `zone`; times out of all reason stand at 1970.
pub fn local(at_ms: Millis, zone: Tz) -> DateTime<Tz> {
    let utc = DateTime::<Utc>::from_timestamp_millis(at_ms).unwrap_or_default();
    zone.from_utc_datetime(&utc.naive_utc())
}

/// A moment as seen from `now_ms`: "20:00" today, "06:00 tomorrow", "Thursday 06:00" within six days,
/// "14 August 06:00" beyond and for days gone by.
pub fn moment(at_ms: Millis, now_ms: Millis, zone: Tz) -> String {
    let (at, now) = (local(at_ms, zone), local(now_ms, zone));
    let days = at.date_naive().signed_duration_since(now.date_naive()).num_days();
    let time = at.format("%H:%M");
    match days {
        0 => time.to_string(),
        1 => format!("{time} tomorrow"),
        -1 => format!("{time} yesterday"),
        2..=6 => format!("{} {time}", at.format("%A")),
        _ if at.year() == now.year() => format!("{} {time}", at.format("%-d %B")),
        _ => format!("{} {time}", at.format("%-d %B %Y")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cans_read_as_a_person_counts_them() {
        // The issue's own pair first; the rest is arithmetic beside plain speech.
        for (litres, words) in [
            (64.0, "6 cans and a bit"),
            (60.0, "6 cans"),
            (60.4, "6 cans"),
            (59.5, "6 cans"),
            (65.0, "6 cans and a half"),
            (68.0, "barely 7 cans"),
            (70.0, "7 cans"),
            (10.0, "1 can"),
            (12.0, "1 can and a bit"),
            (15.0, "1 can and a half"),
            (9.0, "barely 1 can"),
            (5.0, "half a can"),
            (3.0, "less than half a can"),
            (0.4, "hardly a splash"),
            (f64::NAN, "no can"),
            (-3.0, "no can"),
        ] {
            assert_eq!(cans(litres, 10.0), words, "{litres} L");
        }
        assert_eq!(cans(64.0, 8.0), "8 cans");
    }

    #[test]
    fn amounts_in_both_units() {
        assert_eq!(litres(64.0, Units::Metric), "64 L");
        assert_eq!(litres(64.0, Units::Us), "17 gal (64 L)");
        assert_eq!(depth(9.14, Units::Metric), "9.1 mm");
        assert_eq!(depth(9.14, Units::Us), "0.36 in");
        assert_eq!(temperature(34.0, Units::Us), "93 °F");
        assert_eq!(temperature_spread(2.14, Units::Metric), "±2.1 °C");
        for (metric, us) in [
            ("air ±2.5 °C, sun", "air ±4 °F, sun"),
            ("minimum ± 2.6 °C; a guess", "minimum ±5 °F; a guess"),
            ("water used 51 ± 5 mm", "water used 2.01 ±0.2 in"),
            ("marks ± 4 points", "marks ±4 points"),
        ] {
            assert_eq!(spreads_in_units(metric, Units::Us), us);
        }
        assert_eq!(spreads_in_units("used 51 ± 5 mm", Units::Metric), "used 51 ±5 mm");
        assert_eq!(weight(10.0, Units::Us), "22 lb");
        assert_eq!(number(-0.01, 1), "0");
        assert_eq!(number(100.0, 0), "100");
    }

    #[test]
    fn moments_name_the_day_when_it_is_not_today() {
        let zone = chrono_tz::Europe::Vienna;
        // 2031-07-15 is a Tuesday; noon there is 10:00 UTC.
        let noon = 1_941_876_000_000;
        assert_eq!(local(noon, zone).to_string(), "2031-07-15 12:00:00 CEST");
        let hour = 3_600_000;
        for (ahead, words) in [
            (8, "20:00"),
            (20, "08:00 tomorrow"),
            (48, "Thursday 12:00"),
            (-24, "12:00 yesterday"),
            (24 * 9, "24 July 12:00"),
            (24 * 300, "10 May 2032 12:00"),
        ] {
            assert_eq!(moment(noon + ahead * hour, noon, zone), words);
        }
    }
}
