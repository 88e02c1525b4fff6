//! Spellings of units as nodes write them behind a number. The units themselves, and what each is worth,
//! stand in the settings.

use crate::settings::units::UNITS;

/// Other spellings of a unit, by its word in the settings. ASCII case is not minded.
const SPELLINGS: [(&str, &[&str]); 16] = [
    ("C", &["°C", "degC", "deg C", "℃", "celsius"]),
    ("F", &["°F", "degF", "deg F", "℉", "fahrenheit"]),
    ("K", &["kelvin"]),
    ("%", &["pct", "percent", "%RH", "% RH", "%rF", "% rF", "RH", "% vol", "vol%", "vol %", "% vwc"]),
    ("m3/m3", &["m³/m³", "m^3/m^3", "cm3/cm3", "cm³/cm³", "vwc"]),
    ("counts", &["count", "cnt", "raw", "adc"]),
    ("mm", &["l/m2", "l/m²"]),
    ("in", &["inch", "inches"]),
    ("mm/h", &["mm/hr"]),
    ("in/h", &["in/hr"]),
    ("tips", &["tip"]),
    ("m/s", &["mps"]),
    ("km/h", &["kmh", "kph"]),
    ("knots", &["kn", "kt", "kts", "knot"]),
    ("W/m2", &["W/m²", "W/m^2"]),
    ("V", &["volt", "volts"]),
];

/// The unit a spelling means, by its word in the settings.
pub(super) fn meant(spelling: &str) -> Option<&'static str> {
    let same = |word: &str| word.eq_ignore_ascii_case(spelling);
    let word = UNITS.iter().map(|unit| unit.word).find(|word| same(word));
    word.or_else(|| {
        SPELLINGS.iter().find(|(_, others)| others.iter().any(|other| same(other))).map(|(word, _)| *word)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spellings_are_of_units_the_settings_know() {
        for (word, others) in SPELLINGS {
            assert!(UNITS.iter().any(|unit| unit.word == word), "{word}");
            assert!(others.iter().all(|other| meant(other) == Some(word)), "{word}: one spelling, two units");
        }
    }
}
