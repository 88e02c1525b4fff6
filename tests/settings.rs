//! Settings: what a grower writes is read as meant, and every mistake is named with its line.

use rindwatch::quantities::Quantity;
use rindwatch::settings;

const MINIMAL: &str = include_str!("../config/minimal.toml");
const EXAMPLE: &str = include_str!("../config/example.toml");

#[test]
fn both_files_are_read() {
    let minimal = settings::read_str("minimal.toml", MINIMAL).unwrap();
    let measured: Vec<_> = minimal.probes.iter().map(|probe| probe.quantity).collect();
    assert_eq!(measured, [Quantity::SoilMoisture, Quantity::SoilTemperature, Quantity::Rain]);
    settings::read_str("example.toml", EXAMPLE).unwrap();
}
