//! A made season: weather, layered soil, a vine, probes that err, and nothing of the engine.
//!
//! It shares no formula and no file with the daemon, so that the daemon can be wrong against it. All
//! coefficients are invented for the demo; they make a plausible summer, not a measured one. The same seed
//! gives the same season, hour for hour, as long as the same water is poured.

mod chance;
mod node;
mod soil;
mod vine;
mod weather;

pub use chance::Chance;
use node::Nodes;
use soil::{Column, Texture};
use vine::Vine;
use weather::Weather;

/// First day of the season as a day of the year: 1 May.
pub const FIRST_DAY: u32 = 121;
/// Length of the season, days: to 27 September.
pub const DAYS: u32 = 150;
/// Day of the season the vines are set out: 10 May.
pub const PLANTED_DAY: u32 = 9;

/// One message of a node, as it would be published.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// MQTT topic.
    pub topic: String,
    /// JSON, with the node's own time.
    pub payload: String,
}

/// One bed of the made garden.
#[derive(Debug)]
struct Bed {
    column: Column,
    vine: Vine,
    rooted_m2: f64,
    depth_cm: f64,
    /// Litres poured that still run out of the hose or can, L.
    pouring_l: f64,
}

/// The season of one garden.
#[derive(Debug)]
pub struct Season {
    start_ms: i64,
    hour: u32,
    weather: Weather,
    beds: [Bed; 2],
    nodes: Nodes,
}

/// The beds, in the order of the settings.
pub const BEDS: [&str; 2] = ["long", "east"];

impl Season {
    /// A season from `start_ms` (midnight of its first day, milliseconds since 1970 UTC).
    pub fn new(seed: u64, start_ms: i64) -> Self {
        let mut chance = Chance::new(seed);
        let weather = Weather::new(chance.branch(), FIRST_DAY, DAYS);
        let bed = |texture, rooted_m2, depth_cm, leafed_m2| Bed {
            column: Column::new(texture),
            vine: Vine::new(leafed_m2),
            rooted_m2,
            depth_cm,
            pouring_l: 0.0,
        };
        let beds = [bed(Texture::SILT_LOAM, 5.0, 45.0, 8.0), bed(Texture::SANDY_LOAM, 3.0, 45.0, 4.0)];
        Self { start_ms, hour: 0, weather, beds, nodes: Nodes::new(chance.branch()) }
    }

    /// Lives through the next hour. Gives its end (milliseconds since 1970 UTC) and what the nodes send then.
    pub fn step(&mut self) -> (i64, Vec<Message>) {
        let sky = self.weather.hour(self.hour);
        self.hour += 1;
        let day = f64::from(self.hour) / 24.0 - f64::from(PLANTED_DAY);
        for bed in &mut self.beds {
            let leafed_m2 = bed.vine.leafed_m2(day);
            let wanted_mm = vine::demand_mm_h(&sky) * leafed_m2 / bed.rooted_m2;
            let open = (1.0 - leafed_m2 / bed.rooted_m2).max(0.0);
            // A hose and a hand give about ten litres a minute at most; an hour's worth leaves none over.
            let given_mm = std::mem::take(&mut bed.pouring_l) / bed.rooted_m2;
            bed.column.hour(&soil::Hour {
                rain_mm: sky.rain_mm,
                given_mm,
                wanted_mm,
                root_cm: bed.vine.root_cm(day),
                open,
                dry_air_mm: vine::demand_mm_h(&sky) * 1.1,
                surface_c: sky.surface_c(open),
            });
        }
        let at_ms = self.at_ms();
        let columns = [&self.beds[0].column, &self.beds[1].column];
        (at_ms, self.nodes.messages(self.hour, at_ms, &sky, columns))
    }

    /// The time it is, milliseconds since 1970 UTC.
    pub fn at_ms(&self) -> i64 {
        self.start_ms + i64::from(self.hour) * 3_600_000
    }

    /// Pours water on a bed; it goes in within the next hour.
    pub fn pour(&mut self, bed: usize, litres: f64) {
        if let Some(bed) = self.beds.get_mut(bed) {
            bed.pouring_l += litres.max(0.0);
        }
    }

    /// The grower changed a battery or wiped a sensor: every node works again.
    pub fn mend_nodes(&mut self) {
        self.nodes.mend(self.hour);
    }

    /// Leaves of a bed seen from above, as the grower would pace them out: m², to half a square metre.
    pub fn paced_leaves_m2(&self, bed: usize) -> Option<f64> {
        let day = f64::from(self.hour) / 24.0 - f64::from(PLANTED_DAY);
        let leafed_m2 = self.beds.get(bed)?.vine.leafed_m2(day);
        Some((leafed_m2 * 2.0).round() / 2.0)
    }

    /// Share of a bed's held water that is truly used, whatever its probes say: 0 = full, below 0 while it
    /// drains.
    pub fn share_used(&self, bed: usize) -> Option<f64> {
        self.beds.get(bed).map(|bed| bed.column.share_used(bed.depth_cm))
    }

    /// Air temperature of the hour just lived, °C.
    pub fn air_c(&self) -> f64 {
        self.weather.hour(self.hour.saturating_sub(1)).air_c
    }

    /// Rain of the hour just lived, mm.
    pub fn rain_mm(&self) -> f64 {
        self.weather.hour(self.hour.saturating_sub(1)).rain_mm
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn payloads(seed: u64) -> Vec<Message> {
        let mut season = Season::new(seed, 0);
        (0..DAYS * 24).flat_map(|_| season.step().1).collect()
    }

    #[test]
    fn a_seed_gives_one_season_and_another_seed_another() {
        assert_eq!(payloads(3), payloads(3));
        assert_ne!(payloads(3), payloads(4));
    }

    #[test]
    fn no_water_comes_from_nowhere() {
        for seed in 0..8 {
            let mut season = Season::new(seed, 0);
            let held_mm = season.beds.each_ref().map(|bed| bed.column.held_mm());
            let mut in_mm = 0.0;
            for hour in 0..DAYS * 24 {
                season.step();
                in_mm += season.rain_mm();
                if hour % 50 == 0 {
                    season.pour(0, 5.0);
                    season.pour(1, 3.0);
                    in_mm += 1.0;
                }
            }
            for (bed, held_mm) in season.beds.iter().zip(held_mm) {
                let pouring_mm = bed.pouring_l / bed.rooted_m2;
                let now_mm = bed.column.held_mm() + bed.column.drawn_mm + bed.column.lost_mm + pouring_mm;
                assert!(
                    (held_mm + in_mm - now_mm).abs() < 1e-6,
                    "seed {seed}: {} mm",
                    held_mm + in_mm - now_mm
                );
            }
        }
    }

    #[test]
    fn every_season_has_heat_cold_and_thirst() {
        for seed in 0..8 {
            let mut season = Season::new(seed, 0);
            let (mut hottest_c, mut coldest_c, mut driest) = (f64::MIN, f64::MAX, f64::MIN);
            for _ in 0..DAYS * 24 {
                season.step();
                hottest_c = hottest_c.max(season.air_c());
                coldest_c = coldest_c.min(season.air_c());
                driest = driest.max(season.share_used(0).unwrap());
            }
            assert!((33.0..40.0).contains(&hottest_c), "seed {seed}: {hottest_c}");
            assert!((-4.0..3.0).contains(&coldest_c), "seed {seed}: {coldest_c}");
            assert!(driest > 0.6, "seed {seed}: {driest}");
        }
    }
}
