//! The table of sensor kinds: what each may read, how it is kept, how long its silence is normal.
//!
//! To add a kind: one variant, one row of [`KINDS`]. Everything else (decoding, plausibility, storing,
//! export) follows from the row.

use serde::{Deserialize, Serialize};

/// What a probe measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Volumetric soil water, m³ of water in m³ of soil.
    SoilMoisture,
    /// Counts of a raw moisture probe that has no calibration yet; they say wetter or drier, not how wet.
    SoilCounts,
    /// Soil temperature.
    SoilTemperature,
    /// Rain, as the form of the probe says (increment, counter, rate or daily total).
    Rain,
    /// Air temperature in the shade.
    AirTemperature,
    /// Relative humidity of the air.
    AirHumidity,
    /// Wind speed at the height the settings name.
    WindSpeed,
    /// Short-wave radiation on the level.
    SolarRadiation,
    /// Supply voltage of a node.
    Battery,
    /// Radio signal of a node.
    Signal,
    /// What is left in a node's battery, as the node reckons it.
    BatteryLevel,
    /// Radio signal of a node on a scale of its own, 0 to 100.
    SignalQuality,
}

/// How a day is made of readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reduction {
    /// Mean, minimum and maximum.
    MeanAndExtremes,
    /// Sum of amounts.
    Sum,
    /// The last one counts.
    Last,
}

/// One row of the table.
#[derive(Debug, Clone, Copy)]
pub struct Kind {
    /// The quantity of this row.
    pub quantity: Quantity,
    /// The word used in settings and exports.
    pub key: &'static str,
    /// The unit readings are kept in.
    pub unit: &'static str,
    /// Lowest plausible value, in `unit`; a reading below is kept, doubted and used for nothing.
    pub low: f64,
    /// Highest plausible value, in `unit`.
    pub high: f64,
    /// Kept as a whole number of this fraction of the unit: 100 means hundredths.
    pub steps_per_unit: f64,
    /// How a day is made of the readings.
    pub reduction: Reduction,
    /// Longest usual gap before the probe's own rhythm is known, seconds.
    pub usual_gap_s: u32,
}

use Quantity as Q;
use Reduction as R;

const fn row(
    quantity: Quantity,
    key: &'static str,
    unit: &'static str,
    (low, high): (f64, f64),
    steps_per_unit: f64,
    reduction: Reduction,
) -> Kind {
    Kind { quantity, key, unit, low, high, steps_per_unit, reduction, usual_gap_s: 3600 }
}

/// All sensor kinds.
///
/// Ranges: soil moisture 0-0.60 m³/m³, soil and air temperature -60..60 °C, from the quality rules of
/// the International Soil Moisture Network (Dorigo et al. 2013, Vadose Zone J. 12(3), flags C01-C03);
/// humidity to 103 % (sensors overshoot a little at saturation), wind to 75 m/s, radiation to
/// 1,500 W/m²: from memory, common practice.
pub const KINDS: [Kind; 12] = [
    row(Q::SoilMoisture, "soil-moisture", "m3/m3", (0.0, 0.6), 10_000.0, R::MeanAndExtremes),
    row(Q::SoilCounts, "soil-counts", "counts", (0.0, 16_777_216.0), 10.0, R::MeanAndExtremes),
    row(Q::SoilTemperature, "soil-temperature", "°C", (-60.0, 60.0), 100.0, R::MeanAndExtremes),
    row(Q::Rain, "rain", "mm", (0.0, 1_000_000.0), 1000.0, R::Sum),
    row(Q::AirTemperature, "air-temperature", "°C", (-60.0, 60.0), 100.0, R::MeanAndExtremes),
    row(Q::AirHumidity, "air-humidity", "%", (0.0, 103.0), 100.0, R::MeanAndExtremes),
    row(Q::WindSpeed, "wind-speed", "m/s", (0.0, 75.0), 100.0, R::MeanAndExtremes),
    row(Q::SolarRadiation, "solar-radiation", "W/m2", (0.0, 1500.0), 10.0, R::MeanAndExtremes),
    row(Q::Battery, "battery", "V", (0.0, 60.0), 1000.0, R::Last),
    row(Q::Signal, "signal", "dBm", (-150.0, 100.0), 10.0, R::Last),
    row(Q::BatteryLevel, "battery-level", "%", (0.0, 100.0), 100.0, R::Last),
    row(Q::SignalQuality, "signal-quality", "%", (0.0, 100.0), 100.0, R::Last),
];

impl Quantity {
    /// The table's row of this quantity.
    pub fn kind(self) -> &'static Kind {
        // The rows stand in the order of the variants; `rows_stand_in_order` holds them to it.
        &KINDS[self as usize]
    }

    /// The value as it will be kept: rounded to the step of the table, so that live running, a replay
    /// and the store all work from the same number.
    ///
    /// Never gives -0: the kept whole number has no such thing, so it would come back as another value.
    pub fn quantise(self, value: f64) -> f64 {
        let steps = self.kind().steps_per_unit;
        (value * steps).round() / steps + 0.0
    }

    /// The whole number the store keeps for `value`.
    pub fn to_steps(self, value: f64) -> i64 {
        (value * self.kind().steps_per_unit).round() as i64
    }

    /// The value of a kept whole number.
    pub fn from_steps(self, steps: i64) -> f64 {
        steps as f64 / self.kind().steps_per_unit
    }

    /// The quantity of a settings word.
    pub fn from_key(key: &str) -> Option<Self> {
        KINDS.iter().find(|kind| kind.key == key).map(|kind| kind.quantity)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_stand_in_order() {
        for (at, kind) in KINDS.iter().enumerate() {
            assert_eq!(kind.quantity as usize, at);
            assert_eq!(Quantity::from_key(kind.key), Some(kind.quantity));
        }
    }

    #[test]
    fn a_little_below_nothing_is_kept_as_plain_nothing() {
        assert!(Q::SoilMoisture.quantise(-0.000_01).is_sign_positive());
    }

    #[test]
    fn a_kept_value_comes_back_as_it_went() {
        for kind in &KINDS {
            let value = kind.quantity.quantise(0.12345);
            assert_eq!(kind.quantity.from_steps(kind.quantity.to_steps(value)), value);
        }
    }
}
