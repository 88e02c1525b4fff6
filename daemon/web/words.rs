//! Times, ages and figures as the page writes them.

use chrono::{DateTime, TimeZone, Utc};
use chrono_tz::Tz;

use crate::record::Millis;

/// Local time of `at_ms`; times out of all reason stand at 1970.
pub fn local(at_ms: Millis, zone: Tz) -> DateTime<Tz> {
    zone.from_utc_datetime(&DateTime::<Utc>::from_timestamp_millis(at_ms).unwrap_or_default().naive_utc())
}

/// "12:00" today, "Mon 14 July, 12:00" else.
pub fn moment(at_ms: Millis, now_ms: Millis, zone: Tz) -> String {
    let (at, now) = (local(at_ms, zone), local(now_ms, zone));
    let form = if at.date_naive() == now.date_naive() { "%H:%M" } else { "%a %-d %b, %H:%M" };
    at.format(form).to_string()
}

/// How long ago: "just now", "12 min", "3 h", "2 days".
pub fn age(at_ms: Millis, now_ms: Millis) -> String {
    match now_ms.saturating_sub(at_ms).div_euclid(60_000) {
        ..1 => "just now".to_owned(),
        minutes @ 1..120 => format!("{minutes} min"),
        minutes @ 120..2880 => format!("{} h", minutes / 60),
        minutes => format!("{} days", minutes / 1440),
    }
}

/// A figure with as many decimals as its unit deserves.
pub fn figure(value: f64, unit: &str) -> String {
    let places = match unit {
        "m3/m3" => 3,
        "V" => 2,
        "counts" | "%" | "W/m2" | "dBm" => 0,
        _ => 1,
    };
    format!("{value:.places$} {unit}").replace("m3/m3", "m³/m³").replace("W/m2", "W/m²")
}

/// Days with one decimal: "4.2 days", "1 day".
pub fn days(days: f64) -> String {
    let shown = format!("{days:.1}");
    let shown = shown.strip_suffix(".0").unwrap_or(&shown);
    if shown == "1" { "1 day".to_owned() } else { format!("{shown} days") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ages_and_figures() {
        for (minutes, words) in
            [(0, "just now"), (5, "5 min"), (119, "119 min"), (300, "5 h"), (3000, "2 days")]
        {
            assert_eq!(age(0, minutes * 60_000), words);
        }
        assert_eq!(age(10, 0), "just now");
        assert_eq!(figure(0.2364, "m3/m3"), "0.236 m³/m³");
        assert_eq!(figure(18.25, "°C"), "18.2 °C");
        assert_eq!((days(4.23), days(1.0), days(0.0)), ("4.2 days".into(), "1 day".into(), "0 days".into()));
    }
}
