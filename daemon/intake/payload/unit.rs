//! Spellings of units as nodes write them behind a number. What a unit is worth stands in the settings.

/// Each unit by the word of the settings, and how else it is written. ASCII case is not minded.
const SPELLINGS: [(&str, &[&str]); 20] = [
    ("C", &["°C", "degC", "deg C", "℃", "celsius"]),
    ("F", &["°F", "degF", "deg F", "℉", "fahrenheit"]),
    ("K", &["kelvin"]),
    ("%", &["pct", "percent", "%RH", "% RH", "%rF", "% rF", "RH", "% vol", "vol%", "vol %", "% vwc"]),
    ("m3/m3", &["m³/m³", "m^3/m^3", "cm3/cm3", "cm³/cm³", "vwc"]),
    ("counts", &["count", "cnt", "raw", "adc"]),
    ("mm", &["l/m2", "l/m²"]),
    ("cm", &[]),
    ("in", &["inch", "inches"]),
    ("mm/h", &["mm/hr"]),
    ("in/h", &["in/hr"]),
    ("tips", &["tip"]),
    ("m/s", &["mps"]),
    ("km/h", &["kmh", "kph"]),
    ("mph", &["mi/h"]),
    ("knots", &["kn", "kt", "kts", "knot"]),
    ("W/m2", &["W/m²", "W/m^2"]),
    ("V", &["volt", "volts"]),
    ("mV", &[]),
    ("dBm", &["dB"]),
];

/// The unit a spelling means, by the word of the settings.
pub(super) fn meant(spelling: &str) -> Option<&'static str> {
    SPELLINGS
        .iter()
        .find(|(word, others)| {
            word.eq_ignore_ascii_case(spelling)
                || others.iter().any(|other| other.eq_ignore_ascii_case(spelling))
        })
        .map(|(word, _)| *word)
}
