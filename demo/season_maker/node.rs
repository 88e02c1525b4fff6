//! Nodes in the made garden: what they measure, how they err, what they send.

use super::Message;
use super::chance::Chance;
use super::soil::Column;
use super::weather::Sky;

/// Hour of the season at which a probe of the long bed sticks, and for how long unless mended.
const STUCK: (u32, u32) = (74 * 24 + 9, 96);
/// Hour at which the node of the east bed falls silent, and for how long unless mended.
const SILENT: (u32, u32) = (104 * 24 + 21, 72);

/// What a probe in the soil measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measures {
    /// Water, m³/m³.
    Moisture,
    /// Temperature, °C.
    Warmth,
}

/// A probe chosen for a season: a node of its own, topic `patch/NAME`, members `at` and `value`.
#[derive(Debug, Clone)]
pub struct Probe {
    /// Its name.
    pub name: &'static str,
    /// The bed it stands in, 0 or 1.
    pub bed: usize,
    /// What it measures.
    pub measures: Measures,
    /// How deep, cm.
    pub depth_cm: f64,
    /// It reads so much too high, in its unit.
    pub off: f64,
}

/// All nodes: one on a mast, and in the beds the demo's two or those that were chosen.
#[derive(Debug)]
pub struct Nodes {
    chance: Chance,
    /// Each with its own chance, so that one more probe changes nothing of the others.
    chosen: Vec<(Probe, Chance)>,
    rain_total_mm: f64,
    stuck_at: Option<f64>,
    mended: u32,
}

impl Nodes {
    /// New nodes; with no probe chosen, those of the demo.
    pub fn new(mut chance: Chance, chosen: &[Probe]) -> Self {
        let chosen = chosen.iter().map(|probe| (probe.clone(), chance.branch())).collect();
        Self { chance, chosen, rain_total_mm: 0.0, stuck_at: None, mended: 0 }
    }

    /// All faults that have begun by now are over.
    pub fn mend(&mut self, hour: u32) {
        self.mended = hour;
    }

    fn ails(&self, (from, length): (u32, u32), hour: u32) -> bool {
        (from..from + length).contains(&hour) && self.mended <= from
    }

    /// What is sent at the end of an hour.
    pub fn messages(&mut self, hour: u32, at_ms: i64, sky: &Sky, [long, east]: [&Column; 2]) -> Vec<Message> {
        // The gauge tips at each fifth of a millimetre.
        self.rain_total_mm += sky.rain_mm;
        let tipped_mm = (self.rain_total_mm / 0.2).floor() * 0.2;
        let mast = Message { topic: "patch/mast".into(), payload: self.mast(at_ms, sky, tipped_mm) };
        if !self.chosen.is_empty() {
            let soils = [long, east];
            let beds = self.chosen.iter_mut().map(|(probe, chance)| probe.message(at_ms, soils, chance));
            return std::iter::once(mast).chain(beds).collect();
        }
        let mut messages =
            vec![mast, Message { topic: "patch/long".into(), payload: self.long_bed(hour, at_ms, long) }];
        if !self.ails(SILENT, hour) {
            messages.push(Message { topic: "patch/east".into(), payload: self.east_bed(at_ms, east) });
        }
        messages
    }

    fn mast(&mut self, at_ms: i64, sky: &Sky, tipped_mm: f64) -> String {
        let air_c = sky.air_c + 0.15 * self.chance.bell();
        let humidity_pct = (sky.humidity_pct + 1.5 * self.chance.bell()).clamp(3.0, 100.0);
        let wind_m_s = (sky.wind_m_s * (1.0 + 0.08 * self.chance.bell())).max(0.0);
        let sun_w_m2 = (sky.sun_w_m2 * (1.0 + 0.02 * self.chance.bell())).max(0.0);
        format!(
            "{{\"at\":{},\"air\":{air_c:.1},\"humidity\":{humidity_pct:.0},\"wind\":{wind_m_s:.1},\
             \"sun\":{sun_w_m2:.0},\"rain_total\":{tipped_mm:.1}}}",
            at_ms / 1000
        )
    }

    fn long_bed(&mut self, hour: u32, at_ms: i64, soil: &Column) -> String {
        let mut upper = moisture(soil, 10.0, &mut self.chance);
        // The probe freezes at what it last saw; its circuit still answers.
        if self.ails(STUCK, hour) {
            upper = *self.stuck_at.get_or_insert(upper);
        } else {
            self.stuck_at = None;
        }
        let lower = moisture(soil, 30.0, &mut self.chance);
        let soil_c = warmth(soil, 10.0, &mut self.chance);
        format!("{{\"at\":{},\"upper\":{upper:.4},\"lower\":{lower:.4},\"soil\":{soil_c:.2}}}", at_ms / 1000)
    }

    /// Raw counts that fall when wet, and degrees Fahrenheit: such nodes exist.
    fn east_bed(&mut self, at_ms: i64, soil: &Column) -> String {
        let counts = 3000.0 - 4200.0 * moisture(soil, 15.0, &mut self.chance);
        let soil_f = 32.0 + 1.8 * warmth(soil, 10.0, &mut self.chance);
        format!("{{\"ms\":{at_ms},\"counts\":{counts:.0},\"soil_f\":{soil_f:.1}}}")
    }
}

impl Probe {
    fn message(&self, at_ms: i64, soils: [&Column; 2], chance: &mut Chance) -> Message {
        let soil = soils[self.bed.min(1)];
        let value = self.off
            + match self.measures {
                Measures::Moisture => moisture(soil, self.depth_cm, chance),
                Measures::Warmth => warmth(soil, self.depth_cm, chance),
            };
        let payload = format!("{{\"at\":{},\"value\":{value:.4}}}", at_ms / 1000);
        Message { topic: format!("patch/{}", self.name), payload }
    }
}

/// Water at a depth with noise, and the swing that warmth puts on it.
fn moisture(soil: &Column, depth_cm: f64, chance: &mut Chance) -> f64 {
    let swing = 0.0005 * (soil.soil_c_at_depth(depth_cm) - 18.0);
    (soil.wet_at_depth(depth_cm) + swing + 0.0015 * chance.bell()).max(0.0)
}

/// Temperature at a depth with noise.
fn warmth(soil: &Column, depth_cm: f64, chance: &mut Chance) -> f64 {
    soil.soil_c_at_depth(depth_cm) + 0.1 * chance.bell()
}
