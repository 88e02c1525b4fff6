//! How far a probe was believed, and when: spans of time in which a rule spoke against it. What it said
//! before a span, and after it, is as good as ever, however late the day it belongs to is derived anew.

use serde::{Deserialize, Serialize};

use crate::record::{HOURS_KEPT_MS, Millis, Rule};

use super::super::Trust;

/// Rules that are judged at every turn, from single readings.
pub const AT_ONCE: [Rule; 2] = [Rule::Impossible, Rule::Stuck];
/// Spans remembered of a probe, at most.
const SPANS: usize = 12;

/// A span of time in which a probe is believed less.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// First instant whose readings it touches: where the fault began, not where it was seen.
    pub from_ms: Millis,
    /// Its end; `None` while it lasts.
    pub to_ms: Option<Millis>,
    /// How far what the probe says in it is believed.
    pub trust: Trust,
    /// By which rule.
    pub rule: Rule,
    /// What the probe read before it, in the unit of its kind.
    pub before: f64,
    /// By how much it went off, in the unit of its kind; below 0 = lower.
    pub by: f64,
    /// The probe that speaks against it, by its place in the settings' names.
    pub other: Option<String>,
}

impl Span {
    fn holds(&self, at_ms: Millis) -> bool {
        self.from_ms <= at_ms && self.to_ms.is_none_or(|to_ms| at_ms < to_ms)
    }
}

/// The spans of one probe.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Belief {
    spans: Vec<Span>,
}

impl Belief {
    /// The span that weighs most at an instant.
    pub fn at(&self, at_ms: Millis) -> Option<&Span> {
        self.spans.iter().filter(|span| span.holds(at_ms)).max_by_key(|span| weight(span.trust))
    }

    /// The same without the rules that single readings are judged by: those say anew at each turn whether they hold.
    pub fn by_hours(&self, at_ms: Millis) -> Option<&Span> {
        let spans = self.spans.iter().filter(|span| !AT_ONCE.contains(&span.rule) && span.holds(at_ms));
        spans.max_by_key(|span| weight(span.trust))
    }

    /// A span of a rule ended since.
    pub fn ended_since(&self, rule: Rule, since_ms: Millis) -> bool {
        self.spans.iter().any(|span| span.rule == rule && span.to_ms.is_some_and(|to_ms| to_ms >= since_ms))
    }

    /// The span of a rule that lasts, if there is one.
    pub fn lasting(&self, rule: Rule) -> Option<&Span> {
        self.spans.iter().find(|span| span.rule == rule && span.to_ms.is_none())
    }

    /// A rule speaks against the probe: a span that lasts, or that the new one follows on, is changed, else one
    /// begins. Says from when on readings are believed otherwise than before.
    pub fn doubt(&mut self, new: Span) -> Option<Millis> {
        let same =
            |span: &&mut Span| span.rule == new.rule && span.to_ms.is_none_or(|to_ms| to_ms >= new.from_ms);
        match self.spans.iter_mut().rev().find(same) {
            Some(span) => {
                let from_ms = span.from_ms.min(new.from_ms);
                let changed_ms = if span.trust != new.trust { Some(from_ms) } else { span.to_ms };
                *span = Span { from_ms, before: span.before, ..new };
                changed_ms
            }
            None => {
                if self.spans.len() == SPANS {
                    self.spans.remove(0);
                }
                let from_ms = new.from_ms;
                self.spans.push(new);
                Some(from_ms)
            }
        }
    }

    /// A rule speaks no longer: its span ends at `to_ms`; one that was a mistake all along (`undone`) never was.
    /// Says from when on readings are believed otherwise than before.
    pub fn clear(&mut self, rule: Rule, to_ms: Millis, undone: bool) -> Option<Millis> {
        let at = self.spans.iter().position(|span| span.rule == rule && span.to_ms.is_none())?;
        let span = self.spans.get_mut(at)?;
        let from_ms = span.from_ms;
        if undone || to_ms <= from_ms {
            self.spans.remove(at);
            return Some(from_ms);
        }
        span.to_ms = Some(to_ms);
        Some(to_ms)
    }

    /// Spans that ended before the hours reach back are forgotten.
    pub fn forget(&mut self, now_ms: Millis) {
        self.spans.retain(|span| span.to_ms.is_none_or(|to_ms| to_ms >= now_ms - HOURS_KEPT_MS));
    }

    /// The grower has seen to the probe: what lasted ends.
    pub fn end_all(&mut self, at_ms: Millis) {
        for span in self.spans.iter_mut().filter(|span| span.to_ms.is_none()) {
            span.to_ms = Some(at_ms.max(span.from_ms));
        }
    }
}

/// How much a verdict weighs beside another.
pub fn weight(trust: Trust) -> u8 {
    match trust {
        Trust::Good => 0,
        Trust::Doubtful => 1,
        Trust::Condemned => 2,
        Trust::Missing => 3,
    }
}
