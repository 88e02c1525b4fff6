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
pub use node::{Measures, Probe};
use soil::Column;
pub use soil::Texture;
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

/// What a bed of the made garden is like.
#[derive(Debug, Clone, Copy)]
pub struct Plot {
    /// Its soil.
    pub texture: Texture,
    /// Rooted soil seen from above, m².
    pub rooted_m2: f64,
    /// Depth down to which its water is reckoned, cm.
    pub depth_cm: f64,
    /// Leaves of the grown vine seen from above, m².
    pub leafed_m2: f64,
}

/// What a season is made of.
#[derive(Debug, Clone)]
pub struct Make {
    /// The beds.
    pub plots: [Plot; 2],
    /// The whole season is warmer by, °C.
    pub warmer_c: f64,
    /// Showers come so many times as often.
    pub wetter: f64,
    /// Probes in the soil; none chosen: the nodes of the demo, with their faults.
    pub probes: Vec<Probe>,
}

impl Make {
    /// The season of the demo.
    pub fn demo() -> Self {
        let plot = |texture, rooted_m2, leafed_m2| Plot { texture, rooted_m2, depth_cm: 45.0, leafed_m2 };
        Self {
            plots: [plot(Texture::SILT_LOAM, 5.0, 8.0), plot(Texture::SANDY_LOAM, 3.0, 4.0)],
            warmer_c: 0.0,
            wetter: 1.0,
            probes: Vec::new(),
        }
    }
}

/// What is true of a bed at the end of an hour, whatever its probes say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// End of the hour, milliseconds since 1970 UTC.
    pub at_ms: i64,
    /// Water missing from the full mark down to the bed's depth, mm; below 0 while it drains.
    pub depletion_mm: f64,
    /// What a square metre of leaves wanted to draw in the hour, mm.
    pub leaf_mm: f64,
    /// Rain of the hour, mm.
    pub rain_mm: f64,
    /// Leaves seen from above, m².
    pub leafed_m2: f64,
}

/// One bed of the made garden.
#[derive(Debug, Clone)]
struct Bed {
    column: Column,
    vine: Vine,
    rooted_m2: f64,
    depth_cm: f64,
    /// Litres poured that still run out of the hose or can, L.
    pouring_l: f64,
}

/// Days since setting out, after so many hours of the season.
fn since_planted(hour: u32) -> f64 {
    f64::from(hour) / 24.0 - f64::from(PLANTED_DAY)
}

impl Bed {
    /// Lives through the hour that ends after so many of the season.
    fn hour(&mut self, hour: u32, sky: &weather::Sky) {
        let day = since_planted(hour);
        let leafed_m2 = self.vine.leafed_m2(day);
        let wanted_mm = vine::demand_mm_h(sky) * leafed_m2 / self.rooted_m2;
        let open = (1.0 - leafed_m2 / self.rooted_m2).max(0.0);
        // A hose and a hand give about ten litres a minute at most; an hour's worth leaves none over.
        let given_mm = std::mem::take(&mut self.pouring_l) / self.rooted_m2;
        self.column.hour(&soil::Hour {
            rain_mm: sky.rain_mm,
            given_mm,
            wanted_mm,
            root_cm: self.vine.root_cm(day),
            open,
            dry_air_mm: vine::demand_mm_h(sky) * 1.1,
            surface_c: sky.surface_c(open),
        });
    }

    fn truth(&self, at_ms: i64, hour: u32, weather: &Weather) -> Truth {
        let sky = weather.hour(hour.saturating_sub(1));
        Truth {
            at_ms,
            depletion_mm: self.column.share_used(self.depth_cm) * self.column.usable_mm(self.depth_cm),
            leaf_mm: vine::demand_mm_h(&sky),
            rain_mm: sky.rain_mm,
            leafed_m2: self.vine.leafed_m2(since_planted(hour)),
        }
    }
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
    /// The demo's season from `start_ms` (midnight of its first day, milliseconds since 1970 UTC).
    pub fn new(seed: u64, start_ms: i64) -> Self {
        Self::made(seed, start_ms, &Make::demo())
    }

    /// A season of another make.
    pub fn made(seed: u64, start_ms: i64, make: &Make) -> Self {
        let mut chance = Chance::new(seed);
        let weather = Weather::new(chance.branch(), FIRST_DAY, DAYS, make.warmer_c, make.wetter);
        let beds = make.plots.map(|plot| Bed {
            column: Column::new(plot.texture),
            vine: Vine::new(plot.leafed_m2),
            rooted_m2: plot.rooted_m2,
            depth_cm: plot.depth_cm,
            pouring_l: 0.0,
        });
        Self { start_ms, hour: 0, weather, beds, nodes: Nodes::new(chance.branch(), &make.probes) }
    }

    /// Lives through the next hour. Gives its end (milliseconds since 1970 UTC) and what the nodes send then.
    pub fn step(&mut self) -> (i64, Vec<Message>) {
        let sky = self.weather.hour(self.hour);
        self.hour += 1;
        for bed in &mut self.beds {
            bed.hour(self.hour, &sky);
        }
        let at_ms = self.at_ms();
        let columns = [&self.beds[0].column, &self.beds[1].column];
        (at_ms, self.nodes.messages(self.hour, at_ms, &sky, columns))
    }

    /// What is true of a bed now.
    pub fn truth(&self, bed: usize) -> Option<Truth> {
        Some(self.beds.get(bed)?.truth(self.at_ms(), self.hour, &self.weather))
    }

    /// What would come true of a bed in the next hours if nobody poured anything on it from now on.
    pub fn unwatered(&self, bed: usize, hours: u32) -> Vec<Truth> {
        let Some(mut twin) = self.beds.get(bed).cloned() else { return Vec::new() };
        let live = |hour: u32| {
            twin.hour(hour, &self.weather.hour(hour - 1));
            twin.truth(self.start_ms + i64::from(hour) * 3_600_000, hour, &self.weather)
        };
        (self.hour + 1..=self.hour + hours).map(live).collect()
    }

    /// Full mark of a bed: what it holds when draining has all but stopped, m³/m³.
    pub fn full(&self, bed: usize) -> Option<f64> {
        self.beds.get(bed).map(|bed| bed.column.full())
    }

    /// Water a bed holds for its roots between full and nothing, mm.
    pub fn usable_mm(&self, bed: usize) -> Option<f64> {
        self.beds.get(bed).map(|bed| bed.column.usable_mm(bed.depth_cm))
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
        let leafed_m2 = self.beds.get(bed)?.vine.leafed_m2(since_planted(self.hour));
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
