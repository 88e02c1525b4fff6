//! Day-book lines: what they change in the facts, and which matters they answer.

use crate::daybook::{Entry, ProbeChange};
use crate::record::{MatterKey, Millis, Stand};

use super::Action;
use super::calendar::HOUR_MS;
use super::core::{Engine, change};
use super::life::Matter;

impl Engine {
    /// Numbers of the tasks that were told and wait for an answer, or for the soil to agree.
    pub fn open_tasks(&self) -> Vec<u32> {
        let told = self.memory.matters.values().filter(|matter| matter.is_told());
        let mut numbers: Vec<u32> = told.filter_map(|matter| matter.number).collect();
        numbers.sort_unstable();
        numbers
    }

    /// The fruit or flower of a line whose bed nobody has named yet: the line would change nothing.
    pub fn without_bed<'e>(&self, entry: &'e Entry) -> Option<&'e str> {
        let (Entry::Flower { flower: what, bed: None, .. }
        | Entry::Fruit { fruit: what, bed: None, .. }
        | Entry::Shaded { what, .. }
        | Entry::Covered { what, .. }) = entry
        else {
            return None;
        };
        self.memory.facts.bed_of(&self.garden, what).is_none().then_some(what)
    }

    /// Why a line about a fruit cannot be taken now, in words: a tape no fruit has, a fruit nobody knows.
    pub fn refuses(&self, entry: &Entry, now_ms: Millis) -> Option<String> {
        let taken = self.memory.fruits.check(entry, now_ms, now_ms, &self.calendar);
        taken.err().map(|error| error.to_string())
    }

    pub(super) fn take_entry(
        &mut self,
        entry: &Entry,
        happened_ms: Millis,
        now_ms: Millis,
        actions: &mut Vec<Action>,
    ) {
        self.memory.facts.take(entry, happened_ms, now_ms, &self.garden, &self.calendar);
        self.memory.fruits.take(entry, happened_ms, now_ms, &self.calendar);
        if matches!(entry, Entry::Watered { .. } | Entry::Rain { .. } | Entry::Fed { .. }) {
            // It may name water that was recognised hours before.
            let from_ms = happened_ms - 12 * HOUR_MS;
            self.memory.poured_from =
                Some(self.memory.poured_from.map_or(from_ms, |known| known.min(from_ms)));
            self.look_for_water(now_ms, actions);
        }
        match entry {
            Entry::Watered { bed, litres } => {
                self.answer(MatterKey::Water, bed, now_ms, actions, |matter| {
                    matter.done(&format!("{litres:.0} L given"), now_ms)
                });
                self.derive_if_closed(happened_ms);
            }
            Entry::Rain { .. }
            | Entry::Fed { .. }
            | Entry::Leafed { .. }
            | Entry::Rooted { .. }
            | Entry::Felt { .. } => self.derive_if_closed(happened_ms),
            Entry::Accept { number } => {
                self.accept_mark(*number, happened_ms.min(now_ms));
            }
            Entry::Shaded { what, on: true } => {
                self.answer_on(MatterKey::Shade, what, now_ms, actions, |matter| {
                    matter.done("shaded", now_ms)
                });
            }
            Entry::Covered { what, on: true } => {
                self.answer_on(MatterKey::Cover, what, now_ms, actions, |matter| {
                    matter.done("covered", now_ms)
                });
            }
            Entry::Scouted { .. } => {
                self.answer(MatterKey::Scout, "", now_ms, actions, |matter| matter.done("looked at", now_ms));
            }
            Entry::Probe { probe, change } => self.probe_changed(probe, *change, happened_ms, now_ms),
            Entry::Done { task } => {
                self.answer_task(*task, happened_ms, now_ms, actions, |matter| {
                    matter.done("answered: done", now_ms)
                });
            }
            Entry::NotNeeded { task } => {
                self.decline_mark(*task);
                self.answer_task(*task, happened_ms, now_ms, actions, |matter| {
                    matter.decline("answered: not needed", now_ms)
                });
            }
            Entry::Later { task, until } => {
                let until_ms = self.calendar.next(*until, now_ms);
                self.answer_task(*task, happened_ms, now_ms, actions, |matter| {
                    matter.park(until_ms, "answered: later", now_ms)
                });
            }
            _ => {}
        }
    }

    pub(super) fn derive_if_closed(&mut self, happened_ms: Millis) {
        let date = self.calendar.date(happened_ms);
        if self.memory.closed_through.is_some_and(|closed| date <= closed) {
            let from = self.memory.derive_from.map_or(date, |known| known.min(date));
            self.memory.derive_from = Some(from);
        }
    }

    fn probe_changed(&mut self, name: &str, change: ProbeChange, happened_ms: Millis, now_ms: Millis) {
        let Some(ix) = self.garden.probe_ix(name).map(|ix| usize::from(ix.0)) else { return };
        if let (ProbeChange::Moved | ProbeChange::Battery, Some(watch)) =
            (change, self.memory.watches.get_mut(ix))
        {
            watch.start_anew(now_ms);
        }
        match change {
            ProbeChange::Moved => self.memory.marks.moved(ix, name),
            ProbeChange::Battery => self.battery_changed(name),
            ProbeChange::FullMark(_) | ProbeChange::DryMark(_) => {
                self.set_mark(ix, change, happened_ms.min(now_ms));
                self.derive_if_closed(happened_ms);
            }
        }
    }

    /// A task's number names a matter that was told; water that is "done" was given as asked.
    fn answer_task(
        &mut self,
        task: u32,
        happened_ms: Millis,
        now_ms: Millis,
        actions: &mut Vec<Action>,
        answer: impl FnOnce(&mut Matter) -> Option<Stand>,
    ) {
        let found = self.memory.matters.iter().find(|(_, matter)| matter.number == Some(task));
        let Some(((key, subject), matter)) = found else { return };
        let (key, subject) = (*key, subject.clone());
        let asked = matter.claim.as_ref().and_then(|claim| claim.litres);
        // Work in hand already was given then.
        let pending = matter.is_told() && matter.stand != Stand::InHand;
        self.answer(key, &subject, now_ms, actions, answer);
        let done = self.memory.matters.get(&(key, subject.clone())).map(|matter| matter.stand);
        if let (MatterKey::Water, true, Some(Stand::InHand), Some(litres)) = (key, pending, done, asked) {
            self.memory.facts.give(&subject, happened_ms, litres);
            self.derive_if_closed(happened_ms);
        }
    }

    fn answer_on(
        &mut self,
        key: MatterKey,
        what: &str,
        now_ms: Millis,
        actions: &mut Vec<Action>,
        answer: impl FnOnce(&mut Matter) -> Option<Stand>,
    ) {
        let bed = self.memory.facts.bed_of(&self.garden, what).map(|bed| bed.name.clone());
        if let Some(bed) = bed {
            self.answer(key, &bed, now_ms, actions, answer);
        }
    }

    pub(super) fn answer(
        &mut self,
        key: MatterKey,
        subject: &str,
        now_ms: Millis,
        actions: &mut Vec<Action>,
        answer: impl FnOnce(&mut Matter) -> Option<Stand>,
    ) {
        let id = (key, subject.to_owned());
        let Some(matter) = self.memory.matters.get_mut(&id) else { return };
        if let Some(from) = answer(matter) {
            actions.push(change(&id, matter, from, now_ms));
        }
    }
}
