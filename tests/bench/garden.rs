//! Twelve probes of one bed, and the messages they send.

use std::path::{Path, PathBuf};

/// Kinds of the twelve probes: quantity, unit, depth, a usual value and its swing over a day.
const KINDS: [(&str, &str, &str, f64, f64); 12] = [
    ("soil-moisture", "m3/m3", "15 cm", 0.27, 0.01),
    ("soil-moisture", "m3/m3", "30 cm", 0.28, 0.005),
    ("soil-moisture", "m3/m3", "15 cm", 0.26, 0.01),
    ("soil-moisture", "m3/m3", "30 cm", 0.29, 0.005),
    ("soil-temperature", "C", "5 cm", 19.0, 5.0),
    ("soil-temperature", "C", "15 cm", 18.0, 2.0),
    ("soil-temperature", "C", "30 cm", 17.0, 0.8),
    ("air-temperature", "C", "", 20.0, 8.0),
    ("air-humidity", "%", "", 65.0, 20.0),
    ("wind-speed", "m/s", "", 2.0, 1.5),
    ("solar-radiation", "W/m2", "", 350.0, 350.0),
    ("battery", "V", "", 3.7, 0.1),
];

pub const PROBES: usize = KINDS.len();

/// Writes the settings into `folder`.
pub fn write_settings(folder: &Path, port: u16) -> PathBuf {
    let mut text = format!(
        r#"
[garden]
name = "bench"
latitude = 44.5
longitude = -93.2
altitude = "290 m"
time-zone = "America/Chicago"
[people.grower]
address = "grower@example.org"
morning-note = false
[broker]
host = "127.0.0.1"
port = {port}
[page]
listen = "off"
[store]
commit-delay = "1 s"
[clock]
kept-by = "host"
[bed.long]
rooted = "7 m2"
soil = "loam"
crop = "giant-pumpkin"
planted = 2027-05-20
"#
    );
    for (n, (quantity, unit, depth, ..)) in KINDS.iter().enumerate() {
        let depth = if depth.is_empty() { String::new() } else { format!("depth = \"{depth}\"\n") };
        text += &format!(
            "[probe.p{n}]\nmeasures = \"{quantity}\"\n{depth}topic = \"bed/{n}\"\nunit = \"{unit}\"\n\
             value = \"/v\"\ntime = \"epoch-ms\"\ntime-at = \"/t\"\n"
        );
    }
    let path = folder.join("garden.toml");
    std::fs::write(&path, text).unwrap();
    path
}

/// The value of probe `n` at a time: a day's wave.
pub fn value(n: usize, at_ms: i64) -> f64 {
    let (.., usual, swing) = KINDS[n];
    let phase = (at_ms % 86_400_000) as f64 / 86_400_000.0 * std::f64::consts::TAU;
    usual - swing * phase.cos()
}

/// The payload of probe `n` at a time, about 60 bytes.
pub fn payload(n: usize, at_ms: i64) -> String {
    format!(r#"{{"t":{at_ms},"v":{:.4},"node":"long-{n:02}","rssi":-71}}"#, value(n, at_ms))
}
