//! Layered soil with its own flow: six layers, water moved by suction and gravity, heat by conduction.
//!
//! Suction and conductivity follow Campbell (1974), Soil Science 117(6): suction = entry × (wet/pores)^-b,
//! conductivity = Ks × (wet/pores)^(2b+3). The textures are invented, between those of textbooks.

/// Thickness of the layers, cm.
const THICK_CM: [f64; LAYERS] = [5.0, 10.0, 15.0, 15.0, 15.0, 30.0];
const LAYERS: usize = 6;
/// Steps an hour: one a minute keeps the wettest layer steady.
const STEPS: u32 = 60;
/// Water that may stand on the bed before it runs off, mm.
const POND_MM: f64 = 15.0;
/// Suction at which roots find nothing, cm of water.
const WILT_CM: f64 = 15_000.0;
/// Suction from which roots begin to find less, cm of water.
const EASE_CM: f64 = 500.0;

/// What a soil is like.
#[derive(Debug, Clone, Copy)]
pub struct Texture {
    /// Pores, m³/m³.
    pores: f64,
    /// Suction at which the largest pores empty, cm of water.
    entry_cm: f64,
    /// Campbell's exponent.
    b: f64,
    /// Flow when all pores are full, cm/h.
    full_flow_cm_h: f64,
}

impl Texture {
    /// Holds much, drains slowly.
    pub const SILT_LOAM: Self = Self { pores: 0.46, entry_cm: 21.0, b: 4.7, full_flow_cm_h: 0.9 };
    /// Holds less, drains fast.
    pub const SANDY_LOAM: Self = Self { pores: 0.43, entry_cm: 12.0, b: 3.8, full_flow_cm_h: 2.4 };

    fn suction_cm(&self, wet: f64) -> f64 {
        self.entry_cm * (wet / self.pores).max(1e-3).powf(-self.b)
    }

    fn flow_cm_h(&self, wet: f64) -> f64 {
        self.full_flow_cm_h * (wet / self.pores).clamp(1e-3, 1.0).powf(2.0 * self.b + 3.0)
    }

    fn wet_at(&self, suction_cm: f64) -> f64 {
        self.pores * (suction_cm / self.entry_cm).max(1.0).powf(-1.0 / self.b)
    }

    /// Water left when draining has all but stopped: 1.5 mm a day.
    fn drained(&self) -> f64 {
        self.pores * (0.15 / 24.0 / self.full_flow_cm_h).powf(1.0 / (2.0 * self.b + 3.0))
    }
}

/// What an hour does to a column, in mm over its surface.
#[derive(Debug, Clone, Copy)]
pub struct Hour {
    pub rain_mm: f64,
    pub given_mm: f64,
    /// What the vine would draw.
    pub wanted_mm: f64,
    /// Depth of its roots, cm.
    pub root_cm: f64,
    /// Share of the surface not under leaves.
    pub open: f64,
    /// What the air would take from open water.
    pub dry_air_mm: f64,
    /// Temperature of the surface, °C.
    pub surface_c: f64,
}

/// The soil of one bed, seen as one column.
#[derive(Debug, Clone)]
pub struct Column {
    texture: Texture,
    wet: [f64; LAYERS],
    soil_c: [f64; LAYERS],
    pond_mm: f64,
    /// What the vine has drawn in all, mm.
    pub drawn_mm: f64,
    /// What has run off, drained below and dried away in all, mm.
    pub lost_mm: f64,
}

impl Column {
    /// Drained after a wet spring, 11 °C throughout.
    pub fn new(texture: Texture) -> Self {
        let (wet, soil_c) = ([texture.drained(); LAYERS], [11.0; LAYERS]);
        Self { texture, wet, soil_c, pond_mm: 0.0, drawn_mm: 0.0, lost_mm: 0.0 }
    }

    /// Lives through an hour.
    pub fn hour(&mut self, hour: &Hour) {
        for _ in 0..STEPS {
            self.pond_mm += (hour.rain_mm + hour.given_mm) / f64::from(STEPS);
            self.flow(1.0 / f64::from(STEPS));
            self.draw(hour.wanted_mm / f64::from(STEPS), hour.root_cm);
            self.dry_out(hour.open * hour.dry_air_mm / f64::from(STEPS));
            self.warm(hour.surface_c, 3600.0 / f64::from(STEPS));
        }
        self.lost_mm += (self.pond_mm - POND_MM).max(0.0);
        self.pond_mm = self.pond_mm.min(POND_MM);
    }

    /// Water between the layers within `h` hours; the last drains freely.
    fn flow(&mut self, h: f64) {
        let texture = self.texture;
        // Into the top: as fast as suction over half a layer draws it, at most what stands there.
        let pull = 1.0 + texture.suction_cm(self.wet[0]).min(200.0) / (THICK_CM[0] / 2.0);
        let room_mm = (texture.pores - self.wet[0]).max(0.0) * THICK_CM[0] * 10.0;
        let in_mm = (texture.full_flow_cm_h * pull * h * 10.0).min(self.pond_mm).min(room_mm);
        self.pond_mm -= in_mm;
        self.wet[0] += in_mm / 10.0 / THICK_CM[0];
        for at in 0..LAYERS {
            let upper = self.wet[at];
            let out_cm_h = match self.wet.get(at + 1) {
                None => texture.flow_cm_h(upper),
                Some(&lower) => {
                    let apart_cm = (THICK_CM[at] + THICK_CM[at + 1]) / 2.0;
                    let pull = (texture.suction_cm(lower) - texture.suction_cm(upper)) / apart_cm + 1.0;
                    (texture.flow_cm_h(upper) * texture.flow_cm_h(lower)).sqrt() * pull
                }
            };
            // No step may drain a layer by more than a fifth, nor fill one over its pores.
            let mut out_cm = (out_cm_h * h).min(upper * 0.2 * THICK_CM[at]);
            match self.wet.get_mut(at + 1) {
                None => self.lost_mm += out_cm * 10.0,
                Some(lower) => {
                    let below_cm = THICK_CM[at + 1];
                    out_cm = out_cm.min((texture.pores - *lower).max(0.0) * below_cm);
                    out_cm = out_cm.max(-*lower * 0.2 * below_cm);
                    out_cm = out_cm.max((upper - texture.pores).min(0.0) * THICK_CM[at]);
                    *lower += out_cm / below_cm;
                }
            }
            self.wet[at] -= out_cm / THICK_CM[at];
        }
    }

    /// Roots draw where they are dense and the soil lets go.
    fn draw(&mut self, wanted_mm: f64, root_cm: f64) {
        let mut shares = [0.0; LAYERS];
        let mut top_cm = 0.0;
        for at in 0..LAYERS {
            let inside_cm = (root_cm - top_cm).clamp(0.0, THICK_CM[at]);
            let dense = (-(top_cm + inside_cm / 2.0) / 25.0).exp();
            shares[at] = inside_cm * dense;
            top_cm += THICK_CM[at];
        }
        let all: f64 = shares.iter().sum();
        for (at, share) in shares.iter().enumerate() {
            let suction = self.texture.suction_cm(self.wet[at]);
            let lets_go = ((WILT_CM / suction).ln() / (WILT_CM / EASE_CM).ln()).clamp(0.0, 1.0);
            // A root that finds little in one layer draws a little more from the others.
            let mm = (wanted_mm * share / all.max(1e-9) * (lets_go * 1.25).min(1.0)).max(0.0);
            self.wet[at] -= mm / 10.0 / THICK_CM[at];
            self.drawn_mm += mm;
        }
    }

    /// The top layer dries into the air, ever slower.
    fn dry_out(&mut self, wanted_mm: f64) {
        let dry = self.texture.wet_at(WILT_CM * 20.0);
        let left = ((self.wet[0] - dry) / (self.texture.drained() - dry)).clamp(0.0, 1.0);
        let mm = wanted_mm * left.powf(1.6);
        self.wet[0] -= mm / 10.0 / THICK_CM[0];
        self.lost_mm += mm;
    }

    /// Heat between the layers within `s` seconds; a metre and a half down it stays near 12 °C.
    fn warm(&mut self, surface_c: f64, s: f64) {
        const SPREAD_CM2_S: f64 = 0.0045;
        let mut above_c = surface_c;
        let mut above_cm = 0.0;
        let before = self.soil_c;
        for at in 0..LAYERS {
            let (below_c, below_cm) = match before.get(at + 1) {
                Some(&c) => (c, (THICK_CM[at] + THICK_CM[at + 1]) / 2.0),
                None => (12.0, 75.0),
            };
            let up_cm = THICK_CM[at] / 2.0 + above_cm;
            let gain = (above_c - before[at]) / up_cm + (below_c - before[at]) / below_cm;
            self.soil_c[at] += SPREAD_CM2_S * s * gain / THICK_CM[at];
            above_c = before[at];
            above_cm = THICK_CM[at] / 2.0;
        }
    }

    /// What it truly holds when draining has all but stopped, m³/m³: its full mark.
    pub fn full(&self) -> f64 {
        self.texture.drained()
    }

    /// Water between the full mark and where roots find nothing, down to a depth, mm.
    pub fn usable_mm(&self, depth_cm: f64) -> f64 {
        (self.texture.drained() - self.texture.wet_at(WILT_CM)) * depth_cm * 10.0
    }

    /// All the water in it, mm.
    #[cfg(test)]
    pub fn held_mm(&self) -> f64 {
        self.pond_mm + self.wet.iter().zip(THICK_CM).map(|(wet, cm)| wet * cm * 10.0).sum::<f64>()
    }

    /// Water at a depth, m³/m³, between the middles of the layers.
    pub fn wet_at_depth(&self, depth_cm: f64) -> f64 {
        at_depth(&self.wet, depth_cm)
    }

    /// Temperature at a depth, °C.
    pub fn soil_c_at_depth(&self, depth_cm: f64) -> f64 {
        at_depth(&self.soil_c, depth_cm)
    }

    /// Share of the held water used down to a depth: 0 = drained and full, 1 = nothing left for roots.
    pub fn share_used(&self, depth_cm: f64) -> f64 {
        let (full, wilt) = (self.texture.drained(), self.texture.wet_at(WILT_CM));
        let mut top_cm = 0.0;
        let mut held = 0.0;
        for (wet, thick_cm) in self.wet.iter().zip(THICK_CM) {
            held += (wet - wilt) * (depth_cm - top_cm).clamp(0.0, thick_cm);
            top_cm += thick_cm;
        }
        1.0 - held / ((full - wilt) * depth_cm)
    }
}

fn at_depth(values: &[f64; LAYERS], depth_cm: f64) -> f64 {
    let mut before: Option<(f64, f64)> = None;
    let mut top_cm = 0.0;
    for (value, thick_cm) in values.iter().zip(THICK_CM) {
        let middle_cm = top_cm + thick_cm / 2.0;
        top_cm += thick_cm;
        match before {
            _ if middle_cm < depth_cm => before = Some((middle_cm, *value)),
            None => return *value,
            Some((above_cm, above)) => {
                return above + (value - above) * (depth_cm - above_cm) / (middle_cm - above_cm);
            }
        }
    }
    before.map_or(values[LAYERS - 1], |(_, value)| value)
}
