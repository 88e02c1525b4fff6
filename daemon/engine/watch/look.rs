//! The look at all probes at a turn: what is wrong with each, how far each is believed, and what of the past
//! is to be derived anew because of it.

use crate::record::{Fault, Millis};

use super::super::Trust;
use super::super::calendar::HOUR_MS;
use super::super::core::Engine;
use super::super::matters::gear::{self, Found};
use super::belief::AT_ONCE;
use super::hourly::{Change, Seat};
use super::{Notes, Span, Watch, creeping, hourly};

impl Engine {
    /// Looks at every probe; gives what is wrong with each.
    pub(in super::super) fn look_at_probes(&mut self, at_ms: Millis) -> Vec<Option<Fault>> {
        let mut anew_ms = Vec::new();
        if at_ms.rem_euclid(HOUR_MS) == 0 {
            self.look_at_hours(at_ms, &mut anew_ms);
        }
        let scene = self.scene(at_ms);
        let probes = self.garden.probes.iter().zip(&self.memory.watches).enumerate();
        let looked: Vec<Found> =
            probes.map(|(ix, (probe, watch))| gear::diagnose(&scene, ix, probe, watch)).collect();
        for (watch, found) in self.memory.watches.iter_mut().zip(&looked) {
            // Of a silent one nothing new is known.
            if found.trust != Trust::Missing {
                note_at_once(watch, found, at_ms, &mut anew_ms);
            }
        }
        self.memory.trusts = looked.iter().map(|found| found.trust).collect();
        if let Some(from_ms) = anew_ms.into_iter().min() {
            self.derive_if_closed(from_ms);
            // What a rise of it was taken for, too.
            let known = &mut self.memory.poured_from;
            *known = Some(known.map_or(from_ms, |known| known.min(from_ms)));
        }
        looked.into_iter().map(|found| found.fault).collect()
    }

    /// What the hours say of the moisture probes; `anew_ms` takes from when on readings are believed otherwise.
    fn look_at_hours(&mut self, at_ms: Millis, anew_ms: &mut Vec<Millis>) {
        let scene = self.scene(at_ms);
        let watches = &self.memory.watches;
        let notes: Vec<Notes> = (watches.iter().enumerate())
            .map(|(ix, watch)| {
                let mut notes = watch.notes.clone();
                if let Some(seat) = Seat::of(&scene, ix) {
                    notes.note(seat);
                }
                notes
            })
            .collect();
        let mut changes: Vec<(usize, Change)> = Vec::new();
        for (ix, (watch, of)) in watches.iter().zip(&notes).enumerate() {
            let Some(seat) = Seat::of(&scene, ix) else { continue };
            let others: Vec<&Notes> = seat.others().filter_map(|other| notes.get(other.ix)).collect();
            let patch: Vec<&Notes> = seat.patch().filter_map(|other| notes.get(other.ix)).collect();
            let found = hourly::examine(seat, &watch.belief);
            let crept = creeping::judge(seat, of, (&others, &patch), &watch.belief);
            changes.extend(found.into_iter().chain(crept).map(|change| (ix, change)));
        }
        for (watch, notes) in self.memory.watches.iter_mut().zip(notes) {
            watch.notes = notes;
        }
        for (ix, change) in changes {
            let Some(watch) = self.memory.watches.get_mut(ix) else { continue };
            anew_ms.extend(match change {
                Change::Doubt(span) => watch.belief.doubt(span),
                Change::Clear(rule, to_ms, undone) => watch.belief.clear(rule, to_ms, undone),
            });
        }
    }
}

fn note_at_once(watch: &mut Watch, found: &Found, at_ms: Millis, anew_ms: &mut Vec<Millis>) {
    let last = watch.last.map_or(0.0, |(_, value)| value);
    for rule in AT_ONCE {
        anew_ms.extend(if found.rule == Some(rule) {
            let (from_ms, trust) = (found.since_ms, found.trust);
            watch.belief.doubt(Span { from_ms, to_ms: None, trust, rule, before: last, by: 0.0, other: None })
        } else {
            watch.belief.clear(rule, at_ms, false)
        });
    }
}
