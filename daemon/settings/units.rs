//! Units a probe may report in, and how each becomes the unit its kind is kept in.
//!
//! To add a unit: one row of [`UNITS`].

use crate::quantities::Quantity;

/// One unit of one quantity: `kept = number × factor + offset`.
#[derive(Debug, Clone, Copy)]
pub struct Unit {
    /// The quantity it measures. Counts belong to soil moisture here; `probes` turns them into
    /// [`Quantity::SoilCounts`] where no calibration stands.
    pub quantity: Quantity,
    /// The word of the settings.
    pub word: &'static str,
    /// Multiplied first.
    pub factor: f64,
    /// Added then.
    pub offset: f64,
}

const fn unit(quantity: Quantity, word: &'static str, factor: f64, offset: f64) -> Unit {
    Unit { quantity, word, factor, offset }
}

use Quantity as Q;

/// All units. Factors are exact by definition of the units (BIPM SI brochure; NIST SP 811 appendix B).
pub const UNITS: [Unit; 31] = [
    unit(Q::SoilMoisture, "m3/m3", 1.0, 0.0),
    unit(Q::SoilMoisture, "%", 0.01, 0.0),
    unit(Q::SoilMoisture, COUNTS, 1.0, 0.0),
    unit(Q::SoilTemperature, "C", 1.0, 0.0),
    unit(Q::SoilTemperature, "F", 5.0 / 9.0, -160.0 / 9.0),
    unit(Q::SoilTemperature, "K", 1.0, -273.15),
    unit(Q::AirTemperature, "C", 1.0, 0.0),
    unit(Q::AirTemperature, "F", 5.0 / 9.0, -160.0 / 9.0),
    unit(Q::AirTemperature, "K", 1.0, -273.15),
    unit(Q::Rain, "mm", 1.0, 0.0),
    unit(Q::Rain, "cm", 10.0, 0.0),
    unit(Q::Rain, "in", 25.4, 0.0),
    unit(Q::Rain, TIPS, 1.0, 0.0),
    unit(Q::Rain, "mm/h", 1.0, 0.0),
    unit(Q::Rain, "in/h", 25.4, 0.0),
    unit(Q::AirHumidity, "%", 1.0, 0.0),
    unit(Q::AirHumidity, "fraction", 100.0, 0.0),
    unit(Q::WindSpeed, "m/s", 1.0, 0.0),
    unit(Q::WindSpeed, "km/h", 1.0 / 3.6, 0.0),
    unit(Q::WindSpeed, "mph", 0.447_04, 0.0),
    unit(Q::WindSpeed, "knots", 1852.0 / 3600.0, 0.0),
    unit(Q::SolarRadiation, "W/m2", 1.0, 0.0),
    unit(Q::SolarRadiation, "kW/m2", 1000.0, 0.0),
    // Energy of one hour as the mean power of that hour.
    unit(Q::SolarRadiation, "MJ/m2/h", 1e6 / 3600.0, 0.0),
    unit(Q::SolarRadiation, "kJ/m2/h", 1e3 / 3600.0, 0.0),
    unit(Q::Battery, "V", 1.0, 0.0),
    unit(Q::Battery, "mV", 0.001, 0.0),
    unit(Q::Signal, "dBm", 1.0, 0.0),
    unit(Q::BatteryLevel, "%", 1.0, 0.0),
    unit(Q::BatteryLevel, "fraction", 100.0, 0.0),
    unit(Q::SignalQuality, "%", 1.0, 0.0),
];

/// The word for the raw number of an uncalibrated probe.
pub const COUNTS: &str = "counts";
/// The word for tips of a rain gauge.
pub const TIPS: &str = "tips";

/// The unit of a settings word, or the rule that is broken. A degree sign may stand before C and F.
pub fn find(quantity: Quantity, word: &str) -> Result<Unit, String> {
    let plain = match word {
        "°C" => "C",
        "°F" => "F",
        other => other,
    };
    let found = UNITS.iter().find(|unit| unit.quantity == quantity && unit.word == plain);
    found.copied().ok_or_else(|| refusal(quantity, word))
}

/// Why `word` can't be the unit of `quantity`.
fn refusal(quantity: Quantity, word: &str) -> String {
    let known = UNITS.iter().filter(|unit| unit.quantity == quantity).map(|unit| unit.word);
    let known = known.collect::<Vec<_>>().join(", ");
    let kind = quantity.kind().key;
    match (quantity, word) {
        (Quantity::SolarRadiation, "lux" | "lx" | "klx") => format!(
            "lux tells how bright it looks, not how much energy arrives, and the ratio changes with the \
             sky; use a sensor in one of {known}"
        ),
        (Quantity::Battery, "%") => {
            format!(
                "a battery's % is each maker's own guess, and no voltage: write measures = \"battery-level\", or send \
                 the voltage, in {known}"
            )
        }
        (Quantity::Signal, "%") => {
            format!(
                "a % of signal has no common scale: write measures = \"signal-quality\", or send it in {known}"
            )
        }
        _ => format!("not a unit of {kind}; one of {known} is wanted"),
    }
}
