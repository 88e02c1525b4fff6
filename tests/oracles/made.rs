//! Made questions: the same numbers on every run, from a seed.

/// A small generator of our own (SplitMix64, Steele, Lea, Flood 2014, as published; constants from memory).
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// Between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A whole number, both ends possible.
    pub fn whole(&mut self, low: u16, high: u16) -> u16 {
        low + (self.bits() % u64::from(high - low + 1)) as u16
    }

    /// True so many times of one.
    pub fn happens(&mut self, share: f64) -> bool {
        self.between(0.0, 1.0) < share
    }
}

/// A physical day somewhere.
pub struct Day {
    pub latitude_deg: f64,
    pub altitude_m: f64,
    pub day_of_year: u16,
    pub air_min_c: f64,
    pub air_max_c: f64,
    pub rh_min_pct: f64,
    pub rh_max_pct: f64,
    pub wind_height_m: f64,
    pub wind_m_s: f64,
    pub solar_mj: f64,
    /// Hours of bright sun, up to the day's length.
    pub sunshine_h: f64,
}

/// 2,000 days between 65° north and south, up to 3,000 m.
///
/// Wind at 2 m stays over our floor of 0.5 m/s, which the libraries do not have; sun lies between 0.2 and 1.0
/// of a clear sky, so that the lower clamp of the cloud ratio (0.3) is reached as well.
pub fn days() -> Vec<Day> {
    let mut chance = Chance::new(2_000);
    (0..2_000)
        .map(|_| {
            let latitude_deg = chance.between(-65.0, 65.0);
            let altitude_m = chance.between(0.0, 3_000.0);
            let day_of_year = chance.whole(1, 365);
            let air_min_c = chance.between(-8.0, 28.0);
            let rh_max_pct = chance.between(40.0, 100.0);
            let ra_mj =
                agronomy::sun::extraterrestrial(latitude_deg, day_of_year).expect("a day on the globe");
            let clear_mj = agronomy::sun::clear_sky(ra_mj, altitude_m).expect("a clear sky");
            let length_h = agronomy::sun::day_length_h(latitude_deg, day_of_year).expect("a day's length");
            Day {
                latitude_deg,
                altitude_m,
                day_of_year,
                air_min_c,
                air_max_c: air_min_c + chance.between(0.5, 20.0),
                rh_min_pct: rh_max_pct * chance.between(0.2, 1.0),
                rh_max_pct,
                wind_height_m: chance.between(1.5, 10.0),
                wind_m_s: chance.between(0.75, 12.0),
                solar_mj: clear_mj * chance.between(0.2, 1.0),
                sunshine_h: length_h * chance.between(0.0, 1.0),
            }
        })
        .collect()
}
