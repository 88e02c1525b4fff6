//! Which probes a topic speaks to: found once by the filters, then remembered.

use std::collections::HashMap;
use std::sync::Arc;

use crate::record::ProbeIx;
use crate::settings::garden::Garden;

use super::filter;

/// How many topics are remembered, and how long one may be. A broker that floods us with ever new topics
/// makes them be searched for again; it cannot fill the memory.
const REMEMBERED: usize = 2000;
const LONGEST: usize = 256;

/// The remembered ways from topic to probes.
#[derive(Debug, Default)]
pub(super) struct Routes {
    ways: HashMap<Box<str>, Arc<[ProbeIx]>>,
}

impl Routes {
    /// The probes of a topic, in the order of the settings; none if no filter matches.
    pub fn probes(&mut self, garden: &Garden, topic: &str) -> Arc<[ProbeIx]> {
        if let Some(probes) = self.ways.get(topic) {
            return Arc::clone(probes);
        }
        let probes: Arc<[ProbeIx]> = garden
            .probes_ix()
            .filter(|(_, probe)| filter::matches(&probe.topic, topic))
            .map(|(ix, _)| ix)
            .collect();
        if topic.len() <= LONGEST {
            if self.ways.len() == REMEMBERED {
                self.ways.clear();
            }
            self.ways.insert(topic.into(), Arc::clone(&probes));
        }
        probes
    }
}
