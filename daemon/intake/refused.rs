//! Refused messages: counted by probe, the last ones kept to be looked at.

use std::collections::VecDeque;

use crate::record::{ProbeIx, Refusal};

/// How many refusals are kept.
const KEPT: usize = 50;

/// What was refused in this run.
#[derive(Debug, Default)]
pub struct Refused {
    by_probe: Vec<u64>,
    total: u64,
    last: VecDeque<Refusal>,
}

impl Refused {
    /// Counts one refusal and keeps it, letting go of the oldest kept one.
    pub fn keep(&mut self, probe: Option<ProbeIx>, refusal: &Refusal) {
        self.total += 1;
        if let Some(ProbeIx(ix)) = probe {
            let place = usize::from(ix);
            if self.by_probe.len() <= place {
                self.by_probe.resize(place + 1, 0);
            }
            self.by_probe[place] += 1;
        }
        if self.last.len() == KEPT {
            self.last.pop_front();
        }
        self.last.push_back(refusal.clone());
    }

    /// How many messages of a probe were refused.
    pub fn of_probe(&self, probe: ProbeIx) -> u64 {
        self.by_probe.get(usize::from(probe.0)).copied().unwrap_or(0)
    }

    /// How many were refused in all.
    pub fn total(&self) -> u64 {
        self.total
    }

    /// The last refusals, oldest first, at most 50.
    pub fn last(&self) -> impl Iterator<Item = &Refusal> {
        self.last.iter()
    }
}
