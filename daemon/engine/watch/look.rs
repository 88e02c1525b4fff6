//! The look at all probes at a turn: what is wrong with each, how far each is believed, and what of the past
//! is to be derived anew because of it.

use crate::record::{Fault, Millis, Rule};

use super::super::Trust;
use super::super::core::Engine;
use super::super::matters::gear;
use super::Span;

/// Rules that are judged at every turn, from single readings.
const AT_ONCE: [Rule; 2] = [Rule::Impossible, Rule::Stuck];

impl Engine {
    /// Looks at every probe; gives what is wrong with each.
    pub(in super::super) fn look_at_probes(&mut self, at_ms: Millis) -> Vec<Option<Fault>> {
        let scene = self.scene(at_ms);
        let probes = self.garden.probes.iter().zip(&self.memory.watches).enumerate();
        let looked: Vec<_> =
            probes.map(|(ix, (probe, watch))| gear::diagnose(&scene, ix, probe, watch)).collect();
        let mut anew_ms: Option<Millis> = None;
        for (watch, found) in self.memory.watches.iter_mut().zip(&looked) {
            if found.trust == Trust::Missing {
                continue; // nothing new is known of it
            }
            let last = watch.last.map_or(0.0, |(_, value)| value);
            let mut changed = Vec::new();
            for rule in AT_ONCE {
                let speaks = found.rule == Some(rule);
                changed.push(if speaks {
                    watch.belief.doubt(Span {
                        from_ms: found.since_ms,
                        to_ms: None,
                        trust: found.trust,
                        rule,
                        before: last,
                        by: 0.0,
                        other: None,
                    })
                } else {
                    watch.belief.clear(rule, at_ms, false)
                });
            }
            let first_ms = changed.into_iter().flatten().min();
            anew_ms = [anew_ms, first_ms].into_iter().flatten().min();
        }
        self.memory.trusts = looked.iter().map(|found| found.trust).collect();
        if let Some(from_ms) = anew_ms {
            self.derive_if_closed(from_ms);
        }
        looked.into_iter().map(|found| found.fault).collect()
    }
}
