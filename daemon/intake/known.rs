//! Which readings are known already: a doubled message must not count twice, and a second value for the
//! same moment must not replace the first.

use std::collections::VecDeque;

use crate::record::{Millis, ProbeIx};

/// How far back is remembered: 15 days behind the newest reading of the probe, as the engine's hours.
const KEPT_MS: Millis = 15 * 86_400_000;

/// What is known of a moment of a probe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Met {
    /// Nothing: it is known from now on.
    New,
    /// The very same value.
    Same,
    /// Another value, in whole steps of the kind: the first stands.
    Differs(i64),
}

/// The readings of the last days by probe and time.
#[derive(Debug, Default)]
pub struct Known {
    /// By probe, in the order of time: time and value in whole steps.
    series: Vec<VecDeque<(Millis, i64)>>,
}

impl Known {
    /// Knows nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Looks the moment up, and remembers it if it is new. Readings in the order of time cost the same
    /// however many are known. Older than 15 days nothing is remembered: such a reading is always new.
    pub fn check(&mut self, probe: ProbeIx, at_ms: Millis, steps: i64) -> Met {
        let place = usize::from(probe.0);
        if self.series.len() <= place {
            self.series.resize_with(place + 1, VecDeque::new);
        }
        let series = &mut self.series[place];
        let newest = series.back().map_or(Millis::MIN, |&(at, _)| at);
        if at_ms > newest {
            series.push_back((at_ms, steps));
            let horizon = at_ms.saturating_sub(KEPT_MS);
            while series.front().is_some_and(|&(at, _)| at < horizon) {
                series.pop_front();
            }
            return Met::New;
        }
        match series.binary_search_by_key(&at_ms, |&(at, _)| at) {
            Ok(there) if series[there].1 == steps => Met::Same,
            Ok(there) => Met::Differs(series[there].1),
            Err(gap) => {
                if at_ms >= newest.saturating_sub(KEPT_MS) {
                    series.insert(gap, (at_ms, steps));
                }
                Met::New
            }
        }
    }
}
