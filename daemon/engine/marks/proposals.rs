//! From what probes have shown to marks that count: proposed with a number, accepted or declined in the day book,
//! or set there by hand.
//!
//! A mark is never changed by itself, save the first calibration of a raw probe, without which its bed would stay
//! blind: that is applied and said.

use agronomy::soil::{self, Learned};
use serde::{Deserialize, Serialize};

use crate::daybook::ProbeChange;
use crate::quantities::Quantity;
use crate::record::Millis;

use super::super::calendar::HOUR_MS;
use super::super::core::Engine;
use super::super::survey::ProposalView;
use super::{ProbeMarks, Settled, at, put};

/// A learned mark nearer to the one that counts is no news, m³/m³ (judgement: half the error of a good probe).
const NEWS: f64 = 0.01;
/// A proposal stands until what was learned has moved so far from it, m³/m³ (judgement).
const STALE: f64 = 0.015;
/// What was declined is proposed again only when it has moved so far, m³/m³ (judgement).
const DECLINED: f64 = 0.02;
/// What was applied of itself is shown so long.
const SHOWN_MS: Millis = 14 * 24 * HOUR_MS;

/// One change of a mark: waiting for an answer, or applied of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proposal {
    /// From the same counter as tasks.
    number: u32,
    /// The probe.
    probe: String,
    /// When it was made.
    at_ms: Millis,
    /// The mark that counts now; `None` where there is none yet.
    old: Option<f64>,
    /// The one proposed.
    new: f64,
    /// What it rests on, in words.
    why: String,
    /// Applied of itself: nothing to answer.
    applied: bool,
}

impl Proposal {
    /// It is about a probe of this name and wants an answer.
    pub fn waits_for(&self, probe: &str) -> bool {
        self.probe == probe && !self.applied
    }
}

/// How counts are scaled: counts of a mm, above 0 where they fall with water.
fn counts_a_mm(marks: &ProbeMarks, at_ms: Millis, held_mm: f64) -> Option<f64> {
    let by_hand = at(&marks.full, at_ms).zip(at(&marks.dry, at_ms));
    by_hand.map(|(full, dry)| (dry - full) / held_mm).or(marks.line_at(at_ms).map(|line| line.per_mm))
}

impl Engine {
    /// After a day was closed for the first time: what has been learned by now becomes a proposal, or the first
    /// calibration.
    pub(in super::super) fn propose_marks(&mut self, at_ms: Millis) {
        let mut marks = std::mem::take(&mut self.memory.marks);
        marks.proposals.retain(|known| !known.applied || at_ms - known.at_ms < SHOWN_MS);
        let mut calibrated = false;
        for ix in 0..self.settings.probes.len() {
            let Some(probe) = self.settings.probes.get(ix) else { continue };
            let Some(of_probe) = marks.probes.get_mut(ix) else { continue };
            let found = match probe.quantity {
                Quantity::SoilMoisture => self.learned_mark(ix, of_probe),
                Quantity::SoilCounts => match self.calibrate(ix, of_probe, at_ms) {
                    Some(first) => {
                        calibrated = true;
                        Some(first)
                    }
                    None => self.learned_counts(ix, of_probe, at_ms),
                },
                _ => None,
            };
            let Some(found) = found else { continue };
            let pending = marks.proposals.iter().position(|known| known.waits_for(&probe.name));
            if !found.applied {
                let near = |value: f64, by: f64| (found.new - value).abs() < by * found.scale;
                let same = pending.and_then(|at| marks.proposals.get(at));
                if same.is_some_and(|known| near(known.new, STALE))
                    || of_probe.declined.is_some_and(|declined| near(declined, DECLINED))
                    || found.old.is_some_and(|old| near(old, NEWS) && !found.guessed)
                {
                    continue;
                }
            }
            if let Some(stale) = pending {
                marks.proposals.remove(stale);
            }
            self.memory.counters.tasks += 1;
            marks.proposals.push(Proposal {
                number: self.memory.counters.tasks,
                probe: probe.name.clone(),
                at_ms,
                old: found.old,
                new: found.new,
                why: found.why,
                applied: found.applied,
            });
        }
        self.memory.marks = marks;
        if calibrated {
            self.see_marks();
        }
    }

    fn learned_mark(&self, ix: usize, marks: &ProbeMarks) -> Option<Found> {
        let view = self.views.last()?;
        let known = view.known.get(ix)?;
        let bed = self.garden.bed(self.garden.probes.get(ix)?.bed.as_deref()?)?;
        let learned = learned(marks, 0.0, 1.0, soil::NEAR_HIGHEST)?;
        let new = (learned.mark * 1000.0).round() / 1000.0;
        if new <= bed.wilt || new >= 0.95 {
            return None;
        }
        let before = if known.own_full {
            "its own mark says"
        } else if bed.marks_guessed {
            "the soil table says"
        } else {
            "the settings say"
        };
        let (low, high) = (learned.mark - learned.spread / 2.0, learned.mark + learned.spread / 2.0);
        let why = format!(
            "after {} soakings it settled at {:.1} to {:.1} %; {before} {:.1} %",
            learned.events,
            100.0 * low,
            100.0 * high,
            100.0 * known.full
        );
        let guessed = bed.marks_guessed && !known.own_full;
        Some(Found { old: Some(known.full), new, why, applied: false, scale: 1.0, guessed })
    }

    fn learned_counts(&self, ix: usize, marks: &ProbeMarks, at_ms: Millis) -> Option<Found> {
        let bed = self.garden.bed(self.garden.probes.get(ix)?.bed.as_deref()?)?;
        let held_mm = 1000.0 * (bed.full - bed.wilt) * bed.depth_m;
        let a_mm = counts_a_mm(marks, at_ms, held_mm)?;
        let points = self.views.last()?.known.get(ix)?.line?;
        // Counts of a whole m³/m³.
        let scale = 1000.0 * bed.depth_m * a_mm.abs();
        let learned = learned(marks, a_mm, -a_mm.signum(), soil::NEAR_HIGHEST * scale)?;
        let new = learned.mark.round();
        let why = format!(
            "after {} soakings it settled at {:.0} ± {:.0} counts; {:.0} counts as full now",
            learned.events,
            learned.mark,
            learned.spread / 2.0,
            points.raw_wet
        );
        Some(Found { old: Some(points.raw_wet), new, why, applied: false, scale, guessed: false })
    }

    /// The first calibration of a raw probe: the slope of its nights on the book, or one dry mark by hand beside
    /// where it settled.
    fn calibrate(&self, ix: usize, marks: &mut ProbeMarks, at_ms: Millis) -> Option<Found> {
        if self.views.last()?.known.get(ix)?.line.is_some() {
            return None;
        }
        let applied = |new: f64, why: String| {
            Some(Found { old: None, new, why, applied: true, scale: 1.0, guessed: false })
        };
        if at(&marks.dry, at_ms).is_some() && at(&marks.full, at_ms).is_none() {
            let (_, last) = marks.settled.iter().next_back()?;
            let bed = self.garden.bed(self.garden.probes.get(ix)?.bed.as_deref()?)?;
            let left_mm = 1000.0 * (bed.full - bed.wilt) * bed.depth_m - last.drawn_mm;
            let dry = at(&marks.dry, at_ms).filter(|_| left_mm > 0.0)?;
            let full = (last.at - last.drawn_mm * (dry - last.at) / left_mm).round();
            put(&mut marks.full, at_ms, full);
            return applied(full, "where it settled after water, beside the dry mark set by hand".to_owned());
        }
        let nights: Vec<(f64, f64)> = marks.nights.values().copied().collect();
        let line = soil::counts_line(&nights).ok().flatten()?;
        marks.line.push((at_ms, line.per_mm, line.at_full));
        applied(
            line.at_full.round(),
            format!(
                "{} nights beside the water book: {:.0} counts at the full mark, {:.1} for each mm used",
                nights.len(),
                line.at_full,
                line.per_mm
            ),
        )
    }

    /// The garden is seen with the marks that count now.
    pub(in super::super) fn see_marks(&mut self) {
        self.views = super::views(&self.settings, &self.memory.marks);
        if let Some(view) = self.views.last() {
            self.garden = std::sync::Arc::clone(&view.garden);
        }
    }

    /// Numbers of the proposals that wait for an answer.
    pub fn open_proposals(&self) -> Vec<u32> {
        let waiting = self.memory.marks.proposals.iter().filter(|proposal| !proposal.applied);
        waiting.map(|proposal| proposal.number).collect()
    }

    fn take_proposal(&mut self, number: u32) -> Option<(usize, Proposal)> {
        let proposals = &mut self.memory.marks.proposals;
        let place = proposals.iter().position(|known| known.number == number && !known.applied)?;
        let proposal = proposals.remove(place);
        let ix = self.settings.probe_ix(&proposal.probe)?;
        Some((usize::from(ix.0), proposal))
    }

    /// `accept 3`: the mark counts from when it was accepted.
    pub(in super::super) fn accept_mark(&mut self, number: u32, happened_ms: Millis) {
        if let Some((ix, proposal)) = self.take_proposal(number) {
            let from_ms = happened_ms.max(proposal.at_ms);
            self.set_mark(ix, ProbeChange::FullMark(proposal.new), from_ms);
            self.derive_if_closed(from_ms);
        }
    }

    /// `not needed 3`: silence, until something else is learned.
    pub(in super::super) fn decline_mark(&mut self, number: u32) {
        if let Some((ix, proposal)) = self.take_proposal(number)
            && let Some(marks) = self.memory.marks.probes.get_mut(ix)
        {
            marks.declined = Some(proposal.new);
        }
    }

    /// A mark by hand, or an accepted one, counts from an instant on.
    pub(in super::super) fn set_mark(&mut self, ix: usize, change: ProbeChange, from_ms: Millis) {
        let Some(name) = self.settings.probes.get(ix).map(|probe| probe.name.clone()) else { return };
        let count = self.settings.probes.len();
        let marks = &mut self.memory.marks;
        marks.probes.resize(count, ProbeMarks::default());
        let Some(of_probe) = marks.probes.get_mut(ix) else { return };
        match change {
            ProbeChange::FullMark(mark) => {
                put(&mut of_probe.full, from_ms, mark);
                of_probe.declined = None;
                marks.proposals.retain(|known| !known.waits_for(&name));
            }
            ProbeChange::DryMark(mark) => put(&mut of_probe.dry, from_ms, mark),
            ProbeChange::Moved | ProbeChange::Battery => return,
        }
        self.see_marks();
    }

    /// Proposals as pages and `status` show them.
    pub(in super::super) fn proposal_views(&self) -> Vec<ProposalView> {
        let view = |known: &Proposal| {
            let probe = self.settings.probes.iter().find(|probe| probe.name == known.probe)?;
            Some(ProposalView {
                number: known.number,
                probe: known.probe.clone(),
                old: known.old,
                new: known.new,
                unit: probe.quantity.kind().unit.to_owned(),
                why: known.why.clone(),
                applied: known.applied,
                at_ms: known.at_ms,
            })
        };
        self.memory.marks.proposals.iter().filter_map(view).collect()
    }
}

/// What a probe's days came to.
struct Found {
    old: Option<f64>,
    new: f64,
    why: String,
    applied: bool,
    /// What a whole m³/m³ is in the probe's unit.
    scale: f64,
    /// The mark that counts is the table's: even the same value, once accepted, is worth more.
    guessed: bool,
}

/// The mark by the events near the highest, one of which at least filled the bed. `sign` turns counts that fall
/// with water, `a_mm` of them are added back for each mm drawn.
fn learned(marks: &ProbeMarks, a_mm: f64, sign: f64, near: f64) -> Option<Learned> {
    let at_full = |one: &Settled| sign * (one.at - a_mm * one.drawn_mm);
    let events: Vec<f64> = marks.settled.values().map(at_full).collect();
    let highest = events.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let filled = marks.settled.values().any(|one| one.filled && at_full(one) >= highest - near);
    let learned = soil::full_mark(&events, near).ok().flatten().filter(|_| filled)?;
    Some(Learned { mark: sign * learned.mark, ..learned })
}
