//! A line of the day book can be taken back for ten minutes, the last one first: what it changed is put back as it
//! was before.
//!
//! Kept apart from the saved state: after a start nothing can be taken back. What has moved on by itself since (the
//! soil agreed, a matter got worse) stays as it is; closed days and recognised water are derived anew without the
//! line.

use crate::daybook::Entry;
use crate::record::{Millis, Stand};

use super::Action;
use super::battery::Battery;
use super::calendar::{HOUR_MS, MINUTE_MS};
use super::core::{Engine, change};
use super::facts::Facts;
use super::fruits::Fruits;
use super::life::Matter;
use super::marks::Marks;
use super::telling::MatterId;
use super::watch::Watch;

/// For so long a line can be taken back.
pub const TAKE_BACK_MS: Millis = 10 * MINUTE_MS;
/// Lines remembered at most: a flood of them must not fill the memory.
const MOST: usize = 32;

/// What a line found.
#[derive(Debug)]
pub(super) struct Before {
    number: u64,
    at_ms: Millis,
    happened_ms: Millis,
    facts: Facts,
    fruits: Fruits,
    /// Only where the line is about marks or a probe.
    marks: Option<Marks>,
    probe: Option<OfProbe>,
    /// Matters that the line moved, before and after.
    matters: Vec<(MatterId, Matter, Matter)>,
}

/// What was known of the probe that a line names.
#[derive(Debug)]
struct OfProbe {
    at: usize,
    name: String,
    watch: Watch,
    battery: Option<Battery>,
}

/// Lines that can still be taken back, oldest first.
#[derive(Debug, Default)]
pub(super) struct TakenBack {
    lines: Vec<Before>,
    last: u64,
}

impl Engine {
    /// The number of the last line that was taken; [`Event::TakeBack`](super::Event::TakeBack) names it.
    pub fn last_line(&self) -> u64 {
        self.taken_back.last
    }

    /// The line that would be taken back next, if any still can be at `now_ms`.
    pub fn can_take_back(&self, now_ms: Millis) -> Option<u64> {
        let last = self.taken_back.lines.last()?;
        (now_ms - last.at_ms <= TAKE_BACK_MS).then_some(last.number)
    }

    /// Takes a line, and remembers how things stood before it.
    pub(super) fn take_line(
        &mut self,
        entry: &Entry,
        happened_ms: Millis,
        now_ms: Millis,
        actions: &mut Vec<Action>,
    ) {
        let memory = &self.memory;
        let of_marks = matches!(entry, Entry::Accept { .. } | Entry::NotNeeded { .. } | Entry::Probe { .. });
        let probe = match entry {
            Entry::Probe { probe, .. } => self.garden.probe_ix(probe).and_then(|ix| {
                let at = usize::from(ix.0);
                let watch = memory.watches.get(at)?.clone();
                Some(OfProbe {
                    at,
                    name: probe.clone(),
                    watch,
                    battery: memory.batteries.get(probe).cloned(),
                })
            }),
            _ => None,
        };
        let matters = memory.matters.clone();
        let mut before = Before {
            number: self.taken_back.last + 1,
            at_ms: now_ms,
            happened_ms,
            facts: memory.facts.clone(),
            fruits: memory.fruits.clone(),
            marks: of_marks.then(|| memory.marks.clone()),
            probe,
            matters: Vec::new(),
        };
        self.take_entry(entry, happened_ms, now_ms, actions);
        before.matters = matters
            .into_iter()
            .filter_map(|(id, was)| {
                let is = self.memory.matters.get(&id)?.clone();
                (is != was).then_some((id, was, is))
            })
            .collect();
        let kept = &mut self.taken_back;
        kept.last = before.number;
        kept.lines.retain(|line| now_ms - line.at_ms <= TAKE_BACK_MS);
        if kept.lines.len() >= MOST {
            kept.lines.remove(0);
        }
        kept.lines.push(before);
    }

    /// Takes back the line of that number, if it is the last one and not older than [`TAKE_BACK_MS`].
    pub(super) fn take_back(&mut self, number: u64, now_ms: Millis, actions: &mut Vec<Action>) {
        if self.can_take_back(now_ms) != Some(number) {
            return;
        }
        let Some(before) = self.taken_back.lines.pop() else { return };
        let memory = &mut self.memory;
        memory.facts = before.facts;
        memory.fruits = before.fruits;
        if let Some(OfProbe { at, name, watch, battery }) = before.probe {
            if let Some(place) = memory.watches.get_mut(at) {
                *place = watch;
            }
            match battery {
                Some(battery) => drop(memory.batteries.insert(name, battery)),
                None => drop(memory.batteries.remove(&name)),
            }
        }
        if let Some(marks) = before.marks {
            memory.marks = marks;
            self.see_marks();
        }
        for (id, was, left) in before.matters {
            let Some(matter) = self.memory.matters.get_mut(&id) else { continue };
            let moved_on = matter.stand != left.stand || matter.since_ms != left.since_ms;
            if moved_on {
                continue;
            }
            let from = matter.stand;
            *matter = Matter { why: TAKEN_BACK.to_owned(), ..was };
            if matter.stand != from || matter.stand == Stand::Standing {
                actions.push(change(&id, matter, from, now_ms));
            }
        }
        let from_ms = before.happened_ms - 12 * HOUR_MS;
        self.memory.poured_from = Some(self.memory.poured_from.map_or(from_ms, |known| known.min(from_ms)));
        self.look_for_water(now_ms, actions);
        self.derive_if_closed(before.happened_ms);
    }
}

/// Why a matter stands again.
const TAKEN_BACK: &str = "the line that answered it was taken back";
