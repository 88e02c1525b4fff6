//! Mass of a fruit from the tape.
//!
//! Our own model, no chart of anyone: the fruit is half an ellipsoid that lies flat on the ground, cut off flat
//! at its widest girth. The base is an ellipse with semi-axes a (along, stem to blossom) and b (across); h is
//! the height. The girth is the perimeter of the base, each tape over the top half the perimeter of the
//! ellipse (a, h) or (b, h), by Ramanujan's second approximation (1914; Q. J. Math. 45:350), which is off by
//! less than 0.05 % for any ellipse. Volume 2/3 π a b h, which for a round base is also the volume of a whole
//! spheroid as wide and as high.
//!
//! Mass = volume × density. Density is kg per litre *of this model*: it takes in the hollow inside and what
//! the model is off by, so each [`Way`] of measuring has its own. It starts at 0.85 ± 0.1 kg/L (whole fruit
//! with its cavity 0.8-0.9, from memory) and follows the grower's own scale once there is a weight.

use crate::Error;
use crate::error::within;
use crate::real::{PI, sqrt};

/// Density before any weighing, kg/L (from memory), and its spread.
const START_KG_L: (f64, f64) = (0.85, 0.1);
/// A lighter or heavier fruit than this was mistaped or misweighed (judgement: flesh hardly passes 1, and a
/// hollow of half the volume leaves 0.5).
const DENSITY_KG_L: (f64, f64) = (0.4, 1.2);
/// No fruit is wider (judgement: the largest known come to about 6.5 m around, from memory).
const GIRTH_CM: (f64, f64) = (3.0, 800.0);
const OVER_CM: (f64, f64) = (1.0, 800.0);
const LENGTH_CM: (f64, f64) = (1.0, 600.0);
/// Height by width of a fruit on the ground. Round fruit stand near 0.9, and flatten by up to half as they
/// pass 100 kg (Hu et al. 2011, Int. J. Non-Linear Mech. 46:637, abstract); the bounds are judgement. Below
/// the lower one a wider girth over the same tapes would mean less fruit.
const HEIGHT_BY_WIDTH: (f64, f64) = (0.35, 1.2);
/// Height by width where nothing was taped over the top: the middle of round and flattened (judgement).
const USUAL_HEIGHT_BY_WIDTH: f64 = 0.7;
/// Along by across (judgement).
const ALONG_BY_ACROSS: (f64, f64) = (1.0 / 3.0, 3.0);
/// Halvings of an interval: 1e-14 of it is left.
const HALVINGS: usize = 46;

/// What a tape measured, cm. Which are enough: girth with both tapes over the top, girth with one of them,
/// girth with length, or (roughest) girth alone.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Tape {
    /// All the way around, level with the ground, at the widest.
    pub around_cm: Option<f64>,
    /// Over the top, ground to ground, from stem to blossom end.
    pub stem_cm: Option<f64>,
    /// Over the top, ground to ground, from side to side.
    pub side_cm: Option<f64>,
    /// End to end, of a long fruit; `around_cm` is then around its middle.
    pub length_cm: Option<f64>,
}

impl Tape {
    /// How [`form`] takes it; `None` without a girth.
    pub fn way(&self) -> Option<Way> {
        self.around_cm?;
        Some(match (self.stem_cm, self.side_cm, self.length_cm) {
            (Some(_), Some(_), _) => Way::Three,
            (Some(_), None, _) => Way::Stem,
            (None, Some(_), _) => Way::Side,
            (None, None, Some(_)) => Way::Long,
            (None, None, None) => Way::Around,
        })
    }
}

/// How a fruit was taped, surest first. Volumes of two ways are not to be compared with each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Way {
    /// Girth and both tapes over the top.
    Three,
    /// Girth and stem to blossom; the base is taken as round.
    Stem,
    /// Girth and side to side; the base is taken as round.
    Side,
    /// Girth and length of a long fruit: a cylinder with half-ball ends.
    Long,
    /// Girth alone: a round base, as high as 0.7 of its width.
    Around,
}

impl Way {
    /// One standard deviation of a single volume of this way around the mean of its kind, as a share
    /// (judgement: 1 % off in each of three tapes is 2 % in volume, ribs and lean do the rest).
    pub fn sd_share(self) -> f64 {
        match self {
            Way::Three => 0.05,
            Way::Stem | Way::Side => 0.08,
            Way::Long => 0.10,
            Way::Around => 0.20,
        }
    }
}

/// A fruit's form by its tape.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Form {
    /// How it was had.
    pub way: Way,
    /// Volume, L.
    pub volume_l: f64,
    /// Half the length along the ground, cm.
    pub along_cm: f64,
    /// Half the width along the ground, cm.
    pub across_cm: f64,
    /// Height, cm.
    pub height_cm: f64,
}

/// Perimeter of an ellipse by its semi-axes, in their unit (Ramanujan's second approximation: 4 a for a flat
/// one is met to 0.04 %).
///
/// # Errors
/// A semi-axis outside 0 to 1e4, or both 0.
pub fn ellipse_perimeter(a: f64, b: f64) -> Result<f64, Error> {
    let rule = "a semi-axis from 0 to 1e4";
    let (a, b) = (within("a", a, 0.0, 1e4, rule)?, within("b", b, 0.0, 1e4, rule)?);
    within("a + b", a + b, 1e-9, 2e4, "one semi-axis above 0")?;
    Ok(perimeter(a, b))
}

fn perimeter(a: f64, b: f64) -> f64 {
    let sum = a + b;
    let share = (a - b) / sum;
    let lambda = share * share;
    PI * sum * (1.0 + 3.0 * lambda / (10.0 + sqrt(4.0 - 3.0 * lambda)))
}

/// The other semi-axis of an ellipse, half of whose perimeter is `half`; `None` where no ellipse has that.
/// Half the perimeter grows with the other axis from 2 `axis` (flat) on.
fn other_axis(axis: f64, half: f64) -> Option<f64> {
    let mut low = 0.0;
    let mut high = half / 2.0;
    if perimeter(axis, low) / 2.0 >= half {
        return None;
    }
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if perimeter(axis, middle) / 2.0 < half { low = middle } else { high = middle }
    }
    Some(f64::midpoint(low, high))
}

/// Volume of a spheroid from its girth, cm, and its height by its width, L: 4/3 π (C / 2π)³ r.
///
/// # Errors
/// A girth outside 3 to 800 cm, a ratio outside 0.35 to 1.2.
pub fn spheroid_litres(around_cm: f64, height_by_width: f64) -> Result<f64, Error> {
    let radius_cm = girth(around_cm)? / (2.0 * PI);
    let (low, high) = HEIGHT_BY_WIDTH;
    let ratio = within("height_by_width", height_by_width, low, high, "height by width from 0.35 to 1.2")?;
    Ok(4.0 / 3.0 * PI * radius_cm * radius_cm * radius_cm * ratio / 1000.0)
}

fn girth(around_cm: f64) -> Result<f64, Error> {
    within("around_cm", around_cm, GIRTH_CM.0, GIRTH_CM.1, "a girth from 3 to 800 cm")
}

/// The form of a fruit by its tape. With both tapes over the top each of them gives a height for any base;
/// that base is taken at which the two heights are one and whose perimeter is the girth, which is a single
/// one. With one tape over the top the base is round. Where tapes over the top and a length are given the
/// former count.
///
/// # Errors
/// A measure out of range (girth 3 to 800 cm, over the top 1 to 800, length 1 to 600); no girth; tapes that no
/// fruit has: over the top shorter than straight through, higher than 1.2 or lower than 0.35 of the width,
/// thrice as long as wide.
pub fn form(tape: &Tape) -> Result<Form, Error> {
    let rule = "the girth is needed beside it";
    let around_cm = girth(tape.around_cm.ok_or(Error { what: "around_cm", value: f64::NAN, rule })?)?;
    let rule = "over the top from 1 to 800 cm";
    let over = |what, cm: Option<f64>| cm.map(|cm| within(what, cm, OVER_CM.0, OVER_CM.1, rule)).transpose();
    match (over("stem_cm", tape.stem_cm)?, over("side_cm", tape.side_cm)?, tape.length_cm) {
        (Some(stem_cm), Some(side_cm), _) => both_over(around_cm, stem_cm, side_cm),
        (Some(stem_cm), None, _) => one_over(Way::Stem, around_cm, "stem_cm", stem_cm),
        (None, Some(side_cm), _) => one_over(Way::Side, around_cm, "side_cm", side_cm),
        (None, None, Some(length_cm)) => long(around_cm, length_cm),
        (None, None, None) => {
            let radius_cm = around_cm / (2.0 * PI);
            let height_cm = 2.0 * radius_cm * USUAL_HEIGHT_BY_WIDTH;
            Ok(half_ellipsoid(Way::Around, radius_cm, radius_cm, height_cm))
        }
    }
}

fn half_ellipsoid(way: Way, along_cm: f64, across_cm: f64, height_cm: f64) -> Form {
    let volume_l = 2.0 / 3.0 * PI * along_cm * across_cm * height_cm / 1000.0;
    Form { way, volume_l, along_cm, across_cm, height_cm }
}

fn one_over(way: Way, around_cm: f64, what: &'static str, over_cm: f64) -> Result<Form, Error> {
    let radius_cm = around_cm / (2.0 * PI);
    let rule = "over the top is longer than straight through";
    let height_cm = other_axis(radius_cm, over_cm).ok_or(Error { what, value: over_cm, rule })?;
    shaped(half_ellipsoid(way, radius_cm, radius_cm, height_cm))
}

fn both_over(around_cm: f64, stem_cm: f64, side_cm: f64) -> Result<Form, Error> {
    // The higher, the narrower under the same two tapes: one height has a base of this girth.
    let base = |height_cm: f64| {
        Some((other_axis(height_cm, stem_cm)?, other_axis(height_cm, side_cm)?))
            .filter(|(along_cm, across_cm)| along_cm + across_cm > 0.0)
    };
    let around = |height_cm: f64| base(height_cm).map(|(along_cm, across_cm)| perimeter(along_cm, across_cm));
    let shorter = if stem_cm < side_cm { ("stem_cm", stem_cm) } else { ("side_cm", side_cm) };
    let rule = "over the top is longer than straight through";
    let too_short = Error { what: shorter.0, value: shorter.1, rule };
    let (mut low, mut high) = (0.0, shorter.1 / 2.0);
    if around(low).is_none_or(|flat_cm| flat_cm <= around_cm) {
        return Err(too_short);
    }
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if around(middle).is_some_and(|cm| cm > around_cm) { low = middle } else { high = middle }
    }
    let (along_cm, across_cm) = base(low).ok_or(too_short)?;
    let (least, most) = ALONG_BY_ACROSS;
    let rule = "the two tapes over the top make it at most thrice as long as wide";
    within("along_by_across", along_cm / across_cm.max(1e-9), least, most, rule)?;
    shaped(half_ellipsoid(Way::Three, along_cm, across_cm, low))
}

/// The form, if a fruit can have it.
fn shaped(form: Form) -> Result<Form, Error> {
    let ratio = form.height_cm / (form.along_cm + form.across_cm);
    let (low, high) = HEIGHT_BY_WIDTH;
    within("height_by_width", ratio, low, high, "taped so, a fruit is 0.35 to 1.2 times as high as wide")?;
    Ok(form)
}

/// A cylinder with half-ball ends: π r² (L - 2 r / 3). A melon with its pointed ends has less; its density
/// takes that in once it is weighed.
fn long(around_cm: f64, length_cm: f64) -> Result<Form, Error> {
    let length_cm = within("length_cm", length_cm, LENGTH_CM.0, LENGTH_CM.1, "a length from 1 to 600 cm")?;
    let radius_cm = around_cm / (2.0 * PI);
    if length_cm < 2.0 * radius_cm {
        let rule = "a long fruit is at least as long as thick";
        return Err(Error { what: "length_cm", value: length_cm, rule });
    }
    let volume_l = PI * radius_cm * radius_cm * (length_cm - 2.0 * radius_cm / 3.0) / 1000.0;
    let (along_cm, height_cm) = (length_cm / 2.0, 2.0 * radius_cm);
    Ok(Form { way: Way::Long, volume_l, along_cm, across_cm: radius_cm, height_cm })
}

/// Density of a way of measuring, kg per litre of its volume.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Density {
    way: Way,
    /// kg/L.
    pub kg_l: f64,
    /// One standard deviation of it, kg/L.
    pub sd_kg_l: f64,
    /// How many weighed fruits it rests on.
    pub weighed: usize,
    /// Spread of one fruit around it, as a share.
    scatter: f64,
}

impl Density {
    /// Before any weighing: 0.85 ± 0.1 kg/L (from memory).
    pub fn unweighed(way: Way) -> Self {
        Self { way, kg_l: START_KG_L.0, sd_kg_l: START_KG_L.1, weighed: 0, scatter: way.sd_share() }
    }

    /// From weighed fruits taped this way, `(volume_l, mass_kg)`: least squares through the origin, one
    /// parameter, ρ = Σ V m / Σ V². Its variance is s² / Σ V² with s² = Σ (m - ρ V)² / (n - 1). A few fruits
    /// that happen to agree prove little, and one alone says nothing of its spread: s is never taken under
    /// what one tape of this way is off by ([`Way::sd_share`] of each mass). Without any it is
    /// [`Density::unweighed`].
    ///
    /// # Errors
    /// A volume outside 0.001 to 1e4 L, a mass outside 0.001 to 3000 kg, or a fruit outside 0.4 to 1.2 kg/L:
    /// tape or scale was misread.
    pub fn fit(way: Way, weighed: &[(f64, f64)]) -> Result<Self, Error> {
        let (mut vm, mut vv, mut mm) = (0.0, 0.0, 0.0);
        for (volume_l, mass_kg) in weighed {
            within("volume_l", *volume_l, 1e-3, 1e4, "a volume from 0.001 to 1e4 L")?;
            within("mass_kg", *mass_kg, 1e-3, 3e3, "a mass from 0.001 to 3000 kg")?;
            let (low, high) = DENSITY_KG_L;
            within("kg_l", mass_kg / volume_l, low, high, "a fruit weighs 0.4 to 1.2 kg a litre")?;
            (vm, vv, mm) = (vm + volume_l * mass_kg, vv + volume_l * volume_l, mm + mass_kg * mass_kg);
        }
        if weighed.is_empty() {
            return Ok(Self::unweighed(way));
        }
        let kg_l = vm / vv;
        let squares: f64 = weighed.iter().map(|(v, m)| (m - kg_l * v) * (m - kg_l * v)).sum();
        let free = (weighed.len() - 1).max(1) as f64;
        let mean_square = mm / weighed.len() as f64;
        let floor = way.sd_share() * way.sd_share() * mean_square;
        let variance = (squares / free).max(floor);
        let scatter = sqrt(variance / mean_square);
        Ok(Self { way, kg_l, sd_kg_l: sqrt(variance / vv), weighed: weighed.len(), scatter })
    }

    /// The way of measuring it is for.
    pub fn way(&self) -> Way {
        self.way
    }

    /// Mass of a fruit of this volume, kg, and one standard deviation of it: density and the one fruit's
    /// spread around it together, 13 % before any weighing with three tapes, 7 % after one, nearing 5 %.
    ///
    /// # Errors
    /// A volume outside 0.001 to 1e4 L.
    pub fn mass_kg(&self, volume_l: f64) -> Result<(f64, f64), Error> {
        let volume_l = within("volume_l", volume_l, 1e-3, 1e4, "a volume from 0.001 to 1e4 L")?;
        let mass_kg = self.kg_l * volume_l;
        Ok((mass_kg, mass_kg * self.sd_share()))
    }

    /// The ± of a mass by this density, as a share of it.
    pub fn sd_share(&self) -> f64 {
        let density = self.sd_kg_l / self.kg_l;
        sqrt(density * density + self.scatter * self.scatter)
    }
}
