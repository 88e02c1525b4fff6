//! What the hours say of a calibrated moisture probe, judged when the hour turns, so an hour late at most.
//!
//! Rules (thresholds are judgement, held against a measured season and a measured winter unless a source stands
//! beside them):
//! - *Rise without water* (after flag D04 of Dorigo et al. 2013, at all depths): a rise of 0.03 m³/m³ and more
//!   within three hours, with no rain and nothing logged. Doubtful, since it may be water that nobody logged; as
//!   soon as it decays, another probe of the bed rises too, water is logged, or it came as the answer to a letter,
//!   it was water and never was doubted. A day later, level still while others fall, it is a plateau of the probe's
//!   own and condemned (after D10); where no other probe tells, after three days in which the plants drank (one
//!   below the roots of a young plant rests for two after a real watering). So it is when it ends as it began, at
//!   once.
//! - *Sudden fall* (after D07): 0.04 m³/m³ and more within two hours, two days and more after the last wetting or to
//!   so much below where the soil stood before it, no frost, no other probe falling: a gap at the blade, or the probe is out. Condemned until it is back.
//! - *Above saturation* (C03): condemned where the mark is the grower's own, doubtful where it is from a table.
//! - *Creeps wet*: what it reads in the second night after soakings, see [`super::creeping`].
//! - *Disagrees*: 0.10 m³/m³ and more wetter than another at its depth for two days: doubtful, since a dry bed that
//!   is thought wet costs more.
//! - *Depth order*: see [`super::creeping`].

use crate::quantities::Quantity;
use crate::record::{Millis, Rule};
use crate::settings::garden::{Bed, Probe};

use super::super::Trust;
use super::super::calendar::HOUR_MS;
use super::super::scene::Scene;
use super::{Belief, Span};

/// A rise of so much within [`RISE_H`] hours asks for water, m³/m³.
const RISE: f64 = 0.03;
const RISE_H: i64 = 3;
/// Rain of a day that explains a rise, mm: gauges under leaves read short.
const RAIN_MM: f64 = 1.0;
/// Water that comes from above may take so long to reach a probe.
const ARRIVES_H: i64 = 36;
/// A rise that stands level so long is no water, hours: while others fall, and where only the plants' thirst tells.
const LEVEL_H: i64 = 24;
const LEVEL_ALONE_H: i64 = 72;
/// Water in the soil has lost so much of its rise within a day, share and m³/m³.
const DECAY: (f64, f64) = (0.05, 0.004);
/// Another probe of the bed has moved, m³/m³.
const MOVED: f64 = 0.004;
/// Water that was recognised so near to a rise is that rise.
const ANSWERS_MS: Millis = 6 * HOUR_MS;
/// The plants have drunk so much since that any soil would have fallen, mm of reference evapotranspiration.
const DRUNK_MM: f64 = 12.0;
/// Hours within which a plateau of the probe's own ends.
const ENDS_H: i64 = 2;
/// A fall of so much within [`FALL_H`] hours is no drying, m³/m³.
const FALL: f64 = 0.04;
const FALL_H: i64 = 2;
/// So long after the end of a rise no fall is looked for.
const RISE_ENDED_MS: Millis = 6 * HOUR_MS;
/// Soil drains fast for so long after a wetting.
const DRAINS_H: i64 = 48;
/// Above the saturation mark by so much, m³/m³.
const OVER: f64 = 0.03;
/// Probes at one depth: no further apart, m.
const ONE_DEPTH_M: f64 = 0.025;
/// They disagree from here on, and agree again from here, m³/m³.
const APART: (f64, f64) = (0.10, 0.08);

/// What changes in how a probe is believed.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// A rule speaks.
    Doubt(Span),
    /// It speaks no longer: since when, and whether it was a mistake all along.
    Clear(Rule, Millis, bool),
}

/// A moisture probe in its bed.
#[derive(Clone, Copy)]
pub struct Seat<'a> {
    pub scene: &'a Scene<'a>,
    pub ix: usize,
    pub probe: &'a Probe,
    pub bed: &'a Bed,
}

impl<'a> Seat<'a> {
    /// `None` for what is no calibrated moisture probe in a bed.
    pub fn of(scene: &'a Scene<'a>, ix: usize) -> Option<Self> {
        let probe = scene.garden.probes.get(ix).filter(|probe| probe.quantity == Quantity::SoilMoisture)?;
        let bed = scene.garden.bed(probe.bed.as_deref()?)?;
        Some(Self { scene, ix, probe, bed })
    }

    /// Mean of the hours that started from `from_h` to `to_h` hours ago, since the grower last saw to the probe.
    pub fn mean(&self, from_h: i64, to_h: i64) -> Option<f64> {
        let now_ms = self.scene.now_ms;
        let touched_ms = self.scene.watches.get(self.ix).and_then(|watch| watch.touched_ms);
        let from_ms = (now_ms - from_h * HOUR_MS).max(touched_ms.unwrap_or(Millis::MIN));
        self.scene.hours.mean(self.ix, from_ms, now_ms - to_h * HOUR_MS)
    }

    /// The hour that ended `ago_h` hours ago.
    pub fn hour(&self, ago_h: i64) -> Option<f64> {
        self.mean(ago_h + 1, ago_h)
    }

    /// The other moisture probes of the bed that are not condemned.
    pub fn others(&self) -> impl Iterator<Item = Seat<'a>> + '_ {
        self.patch().filter(|other| other.bed.name == self.bed.name)
    }

    /// The other moisture probes of the patch that are not condemned.
    pub fn patch(&self) -> impl Iterator<Item = Seat<'a>> + '_ {
        let seats = (0..self.scene.garden.probes.len()).filter_map(|ix| Seat::of(self.scene, ix));
        seats.filter(|other| {
            other.ix != self.ix && self.scene.believed(other.ix, self.scene.now_ms) != Trust::Condemned
        })
    }

    /// Water from above between two instants, mm: rain and what was logged. `None` without a word of rain, and
    /// while soil or eye contradict the gauge.
    pub fn water_mm(&self, from_ms: Millis, to_ms: Millis) -> Option<f64> {
        let scene = self.scene;
        let contradicted = |gauge: usize| {
            scene.gauges.get(gauge).is_some_and(|gauge| gauge.found.is_some())
                || scene.believed(gauge, to_ms) == Trust::Condemned
        };
        if scene.patch.rain.is_some_and(contradicted) {
            return None;
        }
        let litres = scene.facts.given_litres(&self.bed.name, from_ms, to_ms);
        Some(scene.rain_mm(from_ms, to_ms)? + litres / self.bed.rooted_m2.max(0.01))
    }

    /// By how much it rose (below 0: fell) since an instant, from the mean of the two hours before it.
    fn moved_since(&self, at_ms: Millis) -> Option<f64> {
        let before = self.scene.hours.mean(self.ix, at_ms - 2 * HOUR_MS, at_ms)?;
        Some(self.mean(2, 0)? - before)
    }

    /// The most it rose since an instant.
    fn rose_since(&self, at_ms: Millis) -> Option<f64> {
        let before = self.scene.hours.mean(self.ix, at_ms - 2 * HOUR_MS, at_ms)?;
        let highest = self.scene.hours.extremes(self.ix, at_ms, self.scene.now_ms + 1)?.1;
        Some(highest - before)
    }

    fn span(&self, rule: Rule, trust: Trust, ago_h: i64, before: f64, now: f64) -> Span {
        let from_ms = self.scene.now_ms - ago_h * HOUR_MS;
        Span { from_ms, to_ms: None, trust, rule, before, by: now - before, other: None }
    }

    fn frozen_since(&self, from_h: i64) -> bool {
        let now_ms = self.scene.now_ms;
        (0..=from_h / 24).any(|days| self.scene.frozen(self.bed, now_ms - days * 24 * HOUR_MS))
    }
}

/// What the last hours change.
pub fn examine(seat: Seat<'_>, belief: &Belief) -> Vec<Change> {
    let rise = match belief.lasting(Rule::RiseWithoutWater) {
        Some(span) => how_a_rise_goes_on(seat, span),
        None => rise(seat),
    };
    let lasting_rise = belief.lasting(Rule::RiseWithoutWater).is_some();
    let fall = match belief.lasting(Rule::SuddenFall) {
        Some(span) => back(seat, span),
        // What ends a rise is no fall.
        None if lasting_rise
            || belief.ended_since(Rule::RiseWithoutWater, seat.scene.now_ms - RISE_ENDED_MS) =>
        {
            None
        }
        None => fall(seat),
    };
    let over = over(seat, belief.lasting(Rule::AboveSaturation).is_some());
    let apart = apart(seat, belief.lasting(Rule::Disagrees).is_some());
    [rise, fall, over, apart].into_iter().flatten().collect()
}

fn rise(seat: Seat<'_>) -> Option<Change> {
    let now = seat.hour(0)?;
    let (ago_h, before) = (1..=RISE_H)
        .filter_map(|ago_h| Some((ago_h, seat.hour(ago_h)?)))
        .min_by(|(_, a), (_, b)| a.total_cmp(b))?;
    if now - before < RISE {
        return None;
    }
    let now_ms = seat.scene.now_ms;
    let dry = seat.water_mm(now_ms - ARRIVES_H * HOUR_MS, now_ms + 1)? < RAIN_MM;
    if !dry || others_rose(seat, now_ms - (ago_h + 3) * HOUR_MS, now - before) || seat.frozen_since(24) {
        return None;
    }
    // A fed bed is doubtful for that already.
    (!seat.scene.salted(seat.ix, now_ms))
        .then(|| Change::Doubt(seat.span(Rule::RiseWithoutWater, Trust::Doubtful, ago_h, before, now)))
}

/// Another probe of the bed rose since, by a third of it or 0.01 m³/m³.
fn others_rose(seat: Seat<'_>, since_ms: Millis, by: f64) -> bool {
    let enough = (0.3 * by).min(0.01);
    seat.others().any(|other| other.rose_since(since_ms).is_some_and(|rose| rose >= enough))
}

fn how_a_rise_goes_on(seat: Seat<'_>, span: &Span) -> Option<Change> {
    let (scene, rule) = (seat.scene, Rule::RiseWithoutWater);
    let now_ms = scene.now_ms;
    let now = seat.hour(0)?;
    let risen = scene.hours.mean(seat.ix, span.from_ms + HOUR_MS, span.from_ms + 4 * HOUR_MS).unwrap_or(now);
    let by = (risen - span.before).max(RISE);
    let condemned = |from: &Span| Span { trust: Trust::Condemned, by: now - from.before, ..from.clone() };
    if now - span.before < 0.3 * by {
        let at_once = seat.hour(ENDS_H).is_some_and(|then| then - now >= 0.5 * by);
        if at_once && span.trust != Trust::Condemned {
            return Some(Change::Doubt(Span { to_ms: Some(now_ms - ENDS_H * HOUR_MS), ..condemned(span) }));
        }
        // What was condemned stays so for its time; what ran dry slowly was water.
        let water = span.trust != Trust::Condemned;
        return Some(Change::Clear(rule, now_ms - HOUR_MS, water));
    }
    let early = now_ms - span.from_ms <= ARRIVES_H * HOUR_MS;
    let watered = seat
        .water_mm(span.from_ms - ARRIVES_H * HOUR_MS, span.from_ms + 3 * HOUR_MS)
        .is_some_and(|mm| mm >= RAIN_MM);
    let answer = scene
        .poured
        .iter()
        .any(|one| one.asked && one.bed == seat.bed.name && (one.at_ms - span.from_ms).abs() <= ANSWERS_MS);
    if watered || answer || (early && others_rose(seat, span.from_ms - 3 * HOUR_MS, by)) {
        return Some(Change::Clear(rule, now_ms, true));
    }
    let highest = scene.hours.extremes(seat.ix, span.from_ms, now_ms + 1).map_or(risen, |(_, high)| high);
    let decayed = highest.min(risen + 0.02) - seat.mean(3, 0)?;
    if span.trust == Trust::Doubtful && decayed >= (DECAY.0 * by).max(DECAY.1) {
        return Some(Change::Clear(rule, now_ms, true));
    }
    let level = now_ms - span.from_ms >= LEVEL_H * HOUR_MS && span.trust == Trust::Doubtful;
    if !level || seat.frozen_since(LEVEL_H) {
        return None;
    }
    let others_fell = seat.others().any(|other| {
        other.moved_since(span.from_ms).is_some_and(|moved| moved <= -MOVED)
            && scene.believed(other.ix, now_ms) == Trust::Good
    });
    let date = scene.calendar.date(span.from_ms);
    let drunk_mm: f64 = scene.days.iter().filter(|day| day.date > date).map(|day| day.et0_mm).sum();
    let long = now_ms - span.from_ms >= LEVEL_ALONE_H * HOUR_MS;
    let drinks = long && scene.facts.is_growing(seat.bed, scene.date()) && drunk_mm >= DRUNK_MM;
    (others_fell || drinks).then(|| Change::Doubt(condemned(span)))
}

fn fall(seat: Seat<'_>) -> Option<Change> {
    // It has stayed down for an hour: one wild value is a mishap.
    let now = seat.hour(0)?.max(seat.hour(1)?);
    let before = (2..=1 + FALL_H).filter_map(|ago_h| seat.hour(ago_h)).reduce(f64::max)?;
    let by = before - now;
    if by < FALL || seat.frozen_since(48) {
        return None;
    }
    // A probe that was stuck, or lied in another way, comes back to the soil at once.
    let lied = |ago_h: i64| {
        let at_ms = seat.scene.now_ms - ago_h * HOUR_MS + HOUR_MS / 2;
        seat.scene.believed(seat.ix, at_ms) == Trust::Condemned
    };
    if (2..=1 + FALL_H).any(lied) {
        return None;
    }
    // Drains after a wetting: it stood lower within two days before, and does not fall far below that.
    let wetted = |of: Seat<'_>| {
        let lowest = of.scene.hours.extremes(
            of.ix,
            of.scene.now_ms - DRAINS_H * HOUR_MS,
            of.scene.now_ms - 2 * HOUR_MS,
        );
        let high = (2..=1 + FALL_H).filter_map(|ago_h| of.hour(ago_h)).reduce(f64::max);
        high.zip(lowest).is_some_and(|(high, (lowest, _))| high - lowest > 0.015 && lowest - now < FALL)
    };
    let since_ms = seat.scene.now_ms - (FALL_H + 3) * HOUR_MS;
    let others_fell = seat
        .others()
        .any(|other| other.moved_since(since_ms).is_some_and(|moved| moved <= -(0.3 * by).min(0.02)));
    if wetted(seat) || others_fell {
        return None;
    }
    Some(Change::Doubt(seat.span(Rule::SuddenFall, Trust::Condemned, 1 + FALL_H, before, now)))
}

/// Back near where it fell from.
fn back(seat: Seat<'_>, span: &Span) -> Option<Change> {
    let now = seat.hour(0)?;
    (now >= span.before + 0.3 * span.by).then_some(Change::Clear(
        Rule::SuddenFall,
        seat.scene.now_ms - HOUR_MS,
        false,
    ))
}

fn over(seat: Seat<'_>, lasts: bool) -> Option<Change> {
    let (rule, now) = (Rule::AboveSaturation, seat.hour(0)?);
    let mark = seat.bed.saturation;
    let trust = if seat.bed.marks_guessed { Trust::Doubtful } else { Trust::Condemned };
    if now > mark + OVER {
        let before = seat.mean(25, 1).unwrap_or(mark);
        return (!lasts).then(|| Change::Doubt(seat.span(rule, trust, 1, before, now)));
    }
    (lasts && now <= mark).then_some(Change::Clear(rule, seat.scene.now_ms - HOUR_MS, false))
}

fn apart(seat: Seat<'_>, lasts: bool) -> Option<Change> {
    let depth_m = seat.probe.depth_m?;
    let one_depth =
        |other: &Seat<'_>| other.probe.depth_m.is_some_and(|other| (other - depth_m).abs() <= ONE_DEPTH_M);
    // Every half day of the last two.
    let least = |other: &Seat<'_>| {
        let gaps = (0..4).map(|half| {
            let (from_h, to_h) = (12 * (half + 1), 12 * half);
            Some(seat.mean(from_h, to_h)? - other.mean(from_h, to_h)?)
        });
        gaps.collect::<Option<Vec<f64>>>().and_then(|gaps| gaps.into_iter().reduce(f64::min))
    };
    let worst = seat
        .others()
        .filter(one_depth)
        .filter_map(|other| Some((least(&other)?, other)))
        .max_by(|(a, _), (b, _)| a.total_cmp(b));
    match worst {
        Some((gap, other)) if gap >= APART.0 && !lasts => {
            let now = seat.hour(0)?;
            let span = seat.span(Rule::Disagrees, Trust::Doubtful, 48, now - gap, now);
            Some(Change::Doubt(Span { other: Some(other.probe.name.clone()), ..span }))
        }
        Some((gap, _)) if gap >= APART.1 => None,
        _ => lasts.then_some(Change::Clear(Rule::Disagrees, seat.scene.now_ms, false)),
    }
}
