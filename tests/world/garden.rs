//! The made garden: its settings, and a simple weather and soil of our own that hang on the seed and the hour.

use std::sync::Arc;

use rindwatch::quantities::Quantity;
use rindwatch::record::Millis;
use rindwatch::settings::{self, garden::Garden};

use super::chance::Chance;

pub const HOUR: Millis = 3_600_000;
pub const DAY: Millis = 24 * HOUR;
/// Probes, in the order of the settings.
pub const PROBES: [Sensor; 7] = [
    Sensor { topic: "w/damp", quantity: Quantity::SoilMoisture, own: true, qos: 1 },
    Sensor { topic: "w/deep", quantity: Quantity::SoilMoisture, own: true, qos: 1 },
    Sensor { topic: "w/warm", quantity: Quantity::SoilTemperature, own: true, qos: 1 },
    Sensor { topic: "w/rain", quantity: Quantity::Rain, own: true, qos: 1 },
    Sensor { topic: "w/air", quantity: Quantity::AirTemperature, own: true, qos: 1 },
    Sensor { topic: "w/bare", quantity: Quantity::AirHumidity, own: false, qos: 1 },
    Sensor { topic: "w/quick", quantity: Quantity::WindSpeed, own: true, qos: 0 },
];
pub const RAIN: usize = 3;
pub const BARE: usize = 5;

#[derive(Debug, Clone, Copy)]
pub struct Sensor {
    pub topic: &'static str,
    pub quantity: Quantity,
    /// Its payload carries its own time.
    pub own: bool,
    pub qos: u8,
}

pub fn garden() -> Arc<Garden> {
    Arc::new(
        settings::read_str("garden.toml", include_str!("garden.toml"))
            .unwrap_or_else(|wrong| panic!("{wrong}")),
    )
}

/// Weather and soil as they are.
#[derive(Debug, Clone)]
pub struct Weather {
    seed: u64,
    /// Water in the soil at the two probes, m³/m³.
    damp: [f64; 2],
    /// All rain so far, mm.
    pub rain_mm: f64,
}

impl Weather {
    pub fn new(seed: u64) -> Self {
        Self { seed, damp: [0.27, 0.29], rain_mm: 0.0 }
    }

    /// Rain of an hour, mm: showers by day only, so that no midnight cuts one in two.
    fn shower_mm(&self, at_ms: Millis) -> f64 {
        let (day, hour) = (at_ms.div_euclid(DAY), at_ms.rem_euclid(DAY) / HOUR);
        let mut of_day = Chance::new(self.seed ^ (day as u64).wrapping_mul(0x51_7c_c1_b7));
        let (wet, start, depth) = (of_day.one_in(4), 9 + of_day.below(5) as i64, of_day.share());
        if wet && (start..start + 3).contains(&hour) { (depth * 30.0).round() * 0.2 } else { 0.0 }
    }

    /// The hour before `at_ms` goes by.
    pub fn pass_hour(&mut self, at_ms: Millis) {
        let fell_mm = self.shower_mm(at_ms - HOUR);
        self.rain_mm += fell_mm;
        let by_day = (-(at_ms.rem_euclid(DAY) as f64 / DAY as f64 * std::f64::consts::TAU).cos()).max(0.0);
        for (damp, (draw, share)) in self.damp.iter_mut().zip([(0.0011, 0.0022), (0.0005, 0.0008)]) {
            *damp =
                (*damp - draw * by_day * (*damp - 0.12).max(0.0) / 0.15 + share * fell_mm).clamp(0.08, 0.40);
        }
    }

    /// Somebody pours.
    pub fn pour_mm(&mut self, mm: f64) {
        self.damp[0] = (self.damp[0] + 0.0022 * mm).min(0.40);
        self.damp[1] = (self.damp[1] + 0.0008 * mm).min(0.40);
    }

    /// What a probe reads, as it is kept.
    pub fn reads(&self, probe: usize, at_ms: Millis) -> f64 {
        let hour = at_ms.div_euclid(HOUR);
        let mut of_hour =
            Chance::new(self.seed ^ (hour as u64).wrapping_mul(0x2545_f491) ^ ((probe as u64) << 57));
        let noise = of_hour.share() - 0.5;
        let phase = at_ms.rem_euclid(DAY) as f64 / DAY as f64 * std::f64::consts::TAU;
        let season = (at_ms.rem_euclid(365 * DAY) as f64 / (365 * DAY) as f64 * std::f64::consts::TAU).cos();
        let air_c = 13.0 - 10.0 * season - 6.0 * (phase - 0.7).cos();
        let value = match probe {
            0 | 1 => self.damp[probe] + 0.002 * noise,
            2 => 13.0 - 8.0 * season - 2.5 * (phase - 1.4).cos() + 0.1 * noise,
            RAIN => self.rain_mm,
            4 => air_c + 0.4 * noise,
            // Often a number of its own, so that each bare value can be followed.
            BARE => 60.0 + 20.0 * phase.cos() + 6.0 * noise,
            _ => 2.0 + 2.0 * noise,
        };
        PROBES[probe].quantity.quantise(value)
    }
}
