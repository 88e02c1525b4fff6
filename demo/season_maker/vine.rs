//! A vine that grows and drinks.

use super::weather::Sky;

/// One plant.
#[derive(Debug, Clone)]
pub struct Vine {
    grown_m2: f64,
}

impl Vine {
    /// A seedling that will cover `grown_m2`.
    pub fn new(grown_m2: f64) -> Self {
        Self { grown_m2 }
    }

    /// Leaves seen from above, m², so many days after setting out: slow, fast, full, fading.
    pub fn leafed_m2(&self, day: f64) -> f64 {
        if day < 0.0 {
            return 0.0;
        }
        let grown = self.grown_m2 / (1.0 + (-(day - 48.0) / 9.0).exp());
        grown * (1.0 - 0.008 * (day - 115.0).max(0.0)) + 0.1
    }

    /// Depth of the roots, cm.
    pub fn root_cm(&self, day: f64) -> f64 {
        (10.0 + 0.8 * day).clamp(10.0, 50.0)
    }
}

/// What a square metre of leaves would draw in this hour, mm: the sun's energy, more of it the warmer it
/// is, and some for dry moving air.
pub fn demand_mm_h(sky: &Sky) -> f64 {
    let net_w_m2 = 0.62 * sky.sun_w_m2 - 45.0 * sky.clear;
    if sky.sun_w_m2 < 5.0 || net_w_m2 <= 0.0 {
        return 0.0;
    }
    let share = (0.40 + 0.0128 * sky.air_c).clamp(0.3, 0.85);
    let lack_kpa = 0.075 * (sky.air_c - sky.dew_c).max(0.0);
    let spent_w_m2 = 1.08 * share * net_w_m2 + 14.0 * lack_kpa * (0.6 + 0.3 * sky.wind_m_s);
    spent_w_m2 * 3600.0 / 2.45e6
}
