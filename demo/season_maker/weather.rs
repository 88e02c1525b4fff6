//! Made weather, hour by hour: two slow waves, the sun, spells of heat and cold, showers.

use super::chance::Chance;

/// Latitude of the made garden, degrees north; its clock is the sun's (longitude 0, UTC).
const LATITUDE_DEG: f64 = 45.0;

/// One hour of weather.
#[derive(Debug, Clone, Copy, Default)]
pub struct Sky {
    /// Air temperature, °C.
    pub air_c: f64,
    /// Temperature at which dew falls, °C.
    pub dew_c: f64,
    /// Relative humidity, %.
    pub humidity_pct: f64,
    /// Wind at 2 m, m/s.
    pub wind_m_s: f64,
    /// Sun on the level, W/m².
    pub sun_w_m2: f64,
    /// Rain of the hour, mm.
    pub rain_mm: f64,
    /// Share of the sky free of cloud, 0 to 1.
    pub clear: f64,
}

impl Sky {
    /// Temperature of the soil's skin where this share of it lies open: warmed by the sun, chilled by the
    /// clear sky.
    pub fn surface_c(&self, open: f64) -> f64 {
        let bare = 0.25 + 0.75 * open;
        self.air_c + bare * (self.sun_w_m2 * 0.011 - 2.0 * self.clear)
    }
}

/// A spell of other weather: from hour, to hour, warmer by (°C).
#[derive(Debug, Clone, Copy)]
struct Spell {
    from: f64,
    to: f64,
    warmer_c: f64,
}

impl Spell {
    /// How much of it is felt at an hour: it comes and goes within half a day.
    fn felt(&self, hour: f64) -> f64 {
        ((hour - self.from) / 12.0).min((self.to - hour) / 12.0).clamp(0.0, 1.0)
    }
}

/// The weather of a whole season.
#[derive(Debug)]
pub struct Weather {
    hours: Vec<Sky>,
}

impl Weather {
    /// Makes the weather of `days` days from a day of the year on, all of it `warmer_c` warmer and its showers
    /// `wetter` times as frequent as usual.
    pub fn new(mut chance: Chance, first_day: u32, days: u32, warmer_c: f64, wetter: f64) -> Self {
        let spells = spells(&mut chance, days);
        let mut hours = Vec::new();
        // Pressure (positive: fair) and warmth wander, each back to its middle within some days.
        let (mut fair, mut warm, mut gust) = (0.5, 0.0, 0.0);
        let mut rain = Showers::default();
        for hour in 0..=days * 24 {
            wander(&mut fair, 60.0, &mut chance);
            wander(&mut warm, 90.0, &mut chance);
            wander(&mut gust, 6.0, &mut chance);
            let at = f64::from(hour);
            let heat = spells.iter().filter(|s| s.warmer_c > 0.0).map(|s| s.felt(at)).fold(0.0, f64::max);
            let cold = spells.iter().filter(|s| s.warmer_c < 0.0).map(|s| s.felt(at)).fold(0.0, f64::max);
            // Heat sits under high pressure; a cold spell clears up once it is there.
            let pressure = fair + 2.2 * heat + 1.6 * cold;
            let break_up = spells.iter().any(|s| s.warmer_c > 0.0 && at >= s.to - 3.0 && at < s.to - 2.0);
            let rain_mm = rain.hour(&mut chance, pressure, wetter, break_up);
            let clear = if rain_mm > 0.0 { 0.05 } else { (0.55 + 0.28 * pressure).clamp(0.03, 1.0) };
            let extra_c: f64 = spells.iter().map(|s| s.warmer_c * s.felt(at)).sum();
            let day = f64::from(first_day) + at / 24.0;
            // Within a spell the slow wave is hardly felt.
            let wave_c = 2.2 * warm * (1.0 - 0.8 * heat.max(cold));
            hours.push(sky(day, clear, wave_c + extra_c + warmer_c, gust, pressure, rain_mm));
        }
        Self { hours }
    }

    /// The weather of an hour of the season; the last one stands for any later.
    pub fn hour(&self, hour: u32) -> Sky {
        let at = usize::try_from(hour).unwrap_or(usize::MAX).min(self.hours.len().saturating_sub(1));
        self.hours.get(at).copied().unwrap_or_default()
    }
}

/// One step of a value that wanders with unit spread and forgets within `memory_h` hours.
fn wander(value: &mut f64, memory_h: f64, chance: &mut Chance) {
    let keep = 1.0 - 1.0 / memory_h;
    *value = *value * keep + chance.bell() * (1.0 - keep * keep).sqrt();
}

/// A late cold snap after setting out, two spells of summer heat, a first touch of frost in September.
fn spells(chance: &mut Chance, days: u32) -> Vec<Spell> {
    let mut spell = |day: f64, days: f64, warmer_c: f64| {
        let from = (day + chance.between(-3.0, 3.0)).floor() * 24.0 + 18.0;
        Spell { from, to: from + days * 24.0 + 3.0, warmer_c: warmer_c + chance.between(-1.0, 1.0) }
    };
    let end = f64::from(days);
    vec![
        spell(16.0, 2.0, -7.0),
        spell(68.0, 4.0, 7.0),
        spell(92.0, 6.0, 8.0),
        spell(end - 25.0, 2.0, -10.5),
        spell(end - 8.0, 3.0, -10.5),
    ]
}

fn sky(day: f64, clear: f64, warmer_c: f64, gust: f64, pressure: f64, rain_mm: f64) -> Sky {
    let hour = day.fract() * 24.0;
    let sun_high = sun_height(day);
    let through = 0.22 + 0.78 * clear;
    let sun_w_m2 = 1050.0 * sun_high.max(0.0).powf(1.2) * through;
    // Warmest about 22 July, on the mean 21 °C; coldest half a year later.
    let season_c = 11.0 + 10.0 * ((day - 203.0) / 365.0 * std::f64::consts::TAU).cos();
    let swing_c = 2.6 + 4.6 * clear;
    let turn = |lag: f64, times: f64| ((hour - lag) * times / 24.0 * std::f64::consts::TAU).cos();
    // Warmest at three, coldest about dawn: the second wave pulls the minimum toward morning.
    let air_c = season_c + warmer_c + swing_c * (0.88 * turn(15.0, 1.0) + 0.16 * turn(3.5, 2.0));
    // Air of the day holds about as much water as its night could.
    let dew_c = (season_c + warmer_c - 1.6 - 5.0 * clear).min(air_c);
    let wind_m_s = (1.1 + 0.5 * gust + 0.4 * (-pressure).max(0.0) + 1.3 * sun_high.max(0.0)).max(0.1);
    Sky { air_c, dew_c, humidity_pct: humidity_pct(air_c, dew_c), wind_m_s, sun_w_m2, rain_mm, clear }
}

/// Sine of the sun's height. Declination after Cooper (1969), Solar Energy 12(3).
fn sun_height(day: f64) -> f64 {
    let declination = 23.45_f64.to_radians() * ((284.0 + day) / 365.0 * std::f64::consts::TAU).sin();
    let latitude = LATITUDE_DEG.to_radians();
    let turned = (day.fract() - 0.5) * std::f64::consts::TAU;
    latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * turned.cos()
}

/// Magnus' formula with the coefficients of the WMO guide (2008): 17.62 and 243.12.
fn humidity_pct(air_c: f64, dew_c: f64) -> f64 {
    let exponent = |c: f64| 17.62 * c / (243.12 + c);
    (100.0 * (exponent(dew_c) - exponent(air_c)).exp()).clamp(5.0, 100.0)
}

/// Rain comes in showers of some hours.
#[derive(Debug, Default)]
struct Showers {
    left_h: u32,
    rate_mm_h: f64,
}

impl Showers {
    fn hour(&mut self, chance: &mut Chance, pressure: f64, wetter: f64, break_up: bool) -> f64 {
        let odds = wetter * if pressure > 0.6 { 0.0005 } else { 0.003 + 0.02 * (0.6 - pressure) };
        if break_up {
            // Heat ends in a storm: an inch or more within two hours.
            *self = Self { left_h: 2, rate_mm_h: chance.between(13.0, 18.0) };
        } else if self.left_h == 0 && chance.unit() < odds {
            *self = Self { left_h: 1 + chance.waiting(2.5) as u32, rate_mm_h: 0.3 + chance.waiting(1.7) };
        }
        if self.left_h == 0 {
            return 0.0;
        }
        self.left_h -= 1;
        self.rate_mm_h * chance.between(0.5, 1.5)
    }
}
