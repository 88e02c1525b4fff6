//! What stands now, for pages and `status`: plain views, no judgement.

use agronomy::water::days_of_cover;
use serde::{Deserialize, Serialize};

use crate::quantities::Quantity;
use crate::record::{MatterKey, Millis, Rule, Stand};

use super::calendar::HOUR_MS;
use super::core::Engine;
use super::fruits::{Fruit, FruitView};
use super::life::Matter;
use super::matters::gear;
use super::poured::{self, Watering};
use super::scene::{Estimate, Scene};
use super::stage::StageView;

impl Engine {
    /// What stands at an instant, for pages and `status`.
    pub fn survey(&self, now_ms: Millis) -> Survey {
        let scene = self.scene(now_ms);
        let estimates = self.estimates(now_ms);
        let beds = self.garden.beds.iter().zip(&estimates);
        let idle = |stand: Stand| matches!(stand, Stand::Settled | Stand::Over);
        Survey {
            at_ms: now_ms,
            beds: beds
                .map(|(bed, estimate)| BedView {
                    stage: scene.stage_view(bed),
                    notes: self.notes(&scene, bed),
                    ..bed_view(&bed.name, &bed.title, estimate.as_ref())
                })
                .collect(),
            probes: (0..self.garden.probes.len()).filter_map(|ix| self.probe_view(&scene, ix)).collect(),
            fruits: self.fruit_views(&scene),
            matters: self
                .memory
                .matters
                .iter()
                .filter(|(_, matter)| !idle(matter.stand))
                .map(|((key, subject), matter)| MatterView {
                    subject: subject.clone(),
                    matter: *key,
                    stand: matter.stand,
                    since_ms: matter.since_ms,
                    why: why_now(matter),
                    by_ms: matter.claim.as_ref().and_then(|claim| claim.by_ms),
                    number: matter.number,
                })
                .collect(),
            proposals: self.proposal_views(),
            waterings: poured::newest(&self.memory.poured),
        }
    }

    pub(super) fn fruit_views(&self, scene: &Scene<'_>) -> Vec<FruitView> {
        let facts = &self.memory.facts;
        let view = |(name, fruit): (&String, &Fruit)| {
            let bed = facts.bed_of(&self.garden, name).map(|bed| bed.name.as_str());
            fruit.view(name, bed, facts.fruit_pollinated(name), scene.date())
        };
        self.memory.fruits.iter().filter_map(view).collect()
    }

    fn probe_view(&self, scene: &Scene<'_>, ix: usize) -> Option<ProbeView> {
        let probe = self.garden.probes.get(ix)?;
        let watch = self.memory.watches.get(ix)?;
        let found = gear::diagnose(scene, ix, probe, watch);
        let value = match probe.quantity {
            Quantity::Rain => self.hours.sum(ix, scene.now_ms - 24 * HOUR_MS, scene.now_ms + 1),
            _ => watch.last.map(|(_, value)| value),
        };
        Some(ProbeView {
            name: probe.name.clone(),
            value,
            unit: probe.quantity.kind().unit.to_owned(),
            at_ms: watch.last.map(|(at_ms, _)| at_ms),
            trust: found.trust,
            rule: found.rule,
            why: found.why(scene),
            battery_days: self.battery_days(ix, scene.now_ms),
        })
    }
}

/// Why a matter stands as it does: while it is told, what holds now, which may be days after the telling.
fn why_now(matter: &Matter) -> String {
    let standing = matter.claim.as_ref().filter(|_| matter.stand == Stand::Standing);
    standing.map_or_else(|| matter.why.clone(), |claim| claim.why.clone())
}

fn bed_view(name: &str, title: &str, estimate: Option<&Estimate>) -> BedView {
    let (name, title) = (name.to_owned(), title.to_owned());
    let Some(now) = estimate else {
        let rests_on = "nothing yet: no calibrated probe has spoken, and no soaking was seen".to_owned();
        return BedView { name, title, rests_on, ..BedView::default() };
    };
    let refill_mm = now.marks.refill_mm;
    let cover = |use_mm: f64| days_of_cover(now.depletion_mm.max(0.0), refill_mm, use_mm);
    BedView {
        name,
        title,
        share_used: Some(now.share_used()),
        depletion_mm: Some((now.depletion_mm, now.sd_mm)),
        refill_mm: Some(refill_mm),
        stress_mm: Some(now.marks.raw_mm),
        taw_mm: Some(now.marks.taw_mm),
        cover_days: Some(cover(now.use_mm)),
        cover_days_hot: Some(cover(now.use_hot_mm)),
        litres_to_full: Some(now.depletion_mm.max(0.0) * now.rooted_m2),
        rests_on: match (now.probes, now.rough) {
            (0, true) => "the water book alone, begun at the last soaking: rough".to_owned(),
            (0, false) => "the water book alone, which knows less each day".to_owned(),
            (1, _) => "one probe and the water book".to_owned(),
            (n, _) => format!("{n} probes and the water book"),
        },
        ..BedView::default()
    }
}

/// What stands now.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// The time of the last event.
    pub at_ms: Millis,
    /// The beds in the order of the settings.
    pub beds: Vec<BedView>,
    /// The probes in the order of the settings.
    pub probes: Vec<ProbeView>,
    /// Fruits of this season that were taped, weighed or chosen, by name.
    #[serde(default)]
    pub fruits: Vec<FruitView>,
    /// Matters that are not settled or over.
    pub matters: Vec<MatterView>,
    /// Marks that were learned and wait for an answer, or were applied of themselves.
    #[serde(default)]
    pub proposals: Vec<ProposalView>,
    /// The last waterings of each bed, newest first: what was given, what of it arrived.
    #[serde(default)]
    pub waterings: Vec<Watering>,
}

/// One bed now.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BedView {
    /// Key.
    pub name: String,
    /// Title.
    pub title: String,
    /// Share of the held water used, 0 to 1; `None` until the book has begun.
    pub share_used: Option<f64>,
    /// Depletion, mm over the rooted area, and one standard deviation.
    pub depletion_mm: Option<(f64, f64)>,
    /// Refill mark, mm.
    pub refill_mm: Option<f64>,
    /// Stress mark, mm.
    pub stress_mm: Option<f64>,
    /// All the water the bed holds, mm.
    pub taw_mm: Option<f64>,
    /// Days until the refill mark at normal demand; 0 when past it.
    pub cover_days: Option<f64>,
    /// Days until the refill mark at hot demand.
    pub cover_days_hot: Option<f64>,
    /// Litres to the full mark.
    pub litres_to_full: Option<f64>,
    /// What the figures rest on, in words ("two probes and the water book").
    pub rests_on: String,
    /// Where the plant stands; `None` where none was set out yet.
    #[serde(default)]
    pub stage: Option<StageView>,
    /// What else is worth knowing of it now, in sentences: no matter, nothing to do.
    #[serde(default)]
    pub notes: Vec<String>,
}

/// One probe now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProbeView {
    /// Key.
    pub name: String,
    /// Last reading in the unit of its kind; rain: the sum of the last 24 h in mm.
    pub value: Option<f64>,
    /// Unit.
    pub unit: String,
    /// Time of the last reading.
    pub at_ms: Option<Millis>,
    /// Good, doubtful, condemned or missing.
    pub trust: Trust,
    /// By which rule, unless good.
    #[serde(default)]
    pub rule: Option<Rule>,
    /// Why, in words, unless good.
    pub why: String,
    /// Of a battery: days left at the slope of its last weeks, a guess; `None` where no slope is known.
    #[serde(default)]
    pub battery_days: Option<f64>,
}

/// How far a probe is believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trust {
    /// Believed.
    Good,
    /// Used with care.
    Doubtful,
    /// Used for nothing.
    Condemned,
    /// Silent.
    Missing,
}

/// One matter now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatterView {
    /// Bed, probe or fruit; empty for mail and box.
    pub subject: String,
    /// Kind.
    pub matter: MatterKey,
    /// State.
    pub stand: Stand,
    /// Since when in this state.
    pub since_ms: Millis,
    /// Why, in words.
    pub why: String,
    /// Deadline.
    pub by_ms: Option<Millis>,
    /// The number an answer names.
    pub number: Option<u32>,
}

/// A full mark that was learned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProposalView {
    /// The number that `accept` and `not needed` name.
    pub number: u32,
    /// The probe.
    pub probe: String,
    /// The mark that counts, in `unit`; `None` where there is none.
    pub old: Option<f64>,
    /// The mark that was learned, in `unit`.
    pub new: f64,
    /// Unit of the probe.
    pub unit: String,
    /// What it rests on, in words.
    pub why: String,
    /// Applied of itself: nothing to answer.
    pub applied: bool,
    /// When.
    pub at_ms: Millis,
}
