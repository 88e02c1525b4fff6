//! Whether the time is known, by evidence of this boot: the machine's word for its clock, or two nodes.
//!
//! "Later than the newest stored reading" proves nothing: a board without a battery clock boots at the hour
//! it was last shut down. Once a boot has shown evidence the system clock is believed until it jumps against
//! the monotonic clock; then only a word given since the jump counts.

use super::nodes::Nodes;
use crate::record::{ClockWord, Millis, TimeSource};

/// The system clock may part from the monotonic clock by this much between two looks without being
/// suspected: time services slew and make small steps (judgement).
const JUMP_MS: Millis = 60_000;
/// Files carry times cut to the second on some file systems.
const CUT_MS: Millis = 1_500;

/// What is seen at one look.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look {
    /// The system clock.
    pub(super) wall_ms: Millis,
    /// Time since the boot.
    pub(super) boot_ms: Millis,
    /// What the machine says of its clock.
    pub(super) evidence: Option<ClockWord>,
}

/// What a look changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Turned {
    /// Nothing.
    Same,
    /// The time is known, from here; before it was not, or from elsewhere.
    Known(TimeSource),
    /// The system clock jumped by so much, and its keeper's word explains it.
    Stepped(Millis),
    /// The system clock jumped by so much, and nothing explains it: the time is no longer known.
    Lost(Millis),
}

/// What is known of the time.
#[derive(Debug, Default)]
pub(super) struct Trust {
    source: Option<TimeSource>,
    /// System clock and time since the boot at the last look.
    last: Option<(Millis, Millis)>,
    /// Set by a jump: only words given since then count, by the system clock as it stands now.
    since_ms: Option<Millis>,
    nodes: Nodes,
}

impl Trust {
    /// What made us believe the time, if anything.
    pub(super) fn source(&self) -> Option<TimeSource> {
        self.source
    }

    /// How far the system clock has parted from the monotonic clock since the last look, if by a jump.
    pub(super) fn jump_ms(&self, wall_ms: Millis, boot_ms: Millis) -> Option<Millis> {
        let (last_wall_ms, last_boot_ms) = self.last?;
        let parted_ms = (wall_ms - last_wall_ms) - (boot_ms - last_boot_ms);
        (parted_ms.abs() > JUMP_MS).then_some(parted_ms)
    }

    /// A node's own time, as it came.
    pub(super) fn hear(&mut self, topic: &str, kinds: u32, stamp_ms: Millis, boot_ms: Millis) {
        self.nodes.hear(topic, kinds, stamp_ms, boot_ms);
    }

    /// Whether the nodes' own times may be needed.
    pub(super) fn wants_nodes(&self) -> bool {
        matches!(self.source, None | Some(TimeSource::Nodes))
    }

    /// The time that two nodes agree on.
    pub(super) fn nodes_ms(&self, boot_ms: Millis) -> Option<Millis> {
        self.nodes.time_ms(boot_ms)
    }

    /// Looks at the clocks.
    pub(super) fn look(&mut self, look: Look) -> Turned {
        let jump_ms = self.jump_ms(look.wall_ms, look.boot_ms);
        if let (Some(_), Some((_, last_boot_ms))) = (jump_ms, self.last) {
            self.since_ms = Some(look.wall_ms - (look.boot_ms - last_boot_ms));
        } else if let (Some(since_ms), Some((last_wall_ms, last_boot_ms))) = (self.since_ms, self.last) {
            // Small corrections since the jump move the moment along.
            self.since_ms = Some(since_ms + (look.wall_ms - last_wall_ms) - (look.boot_ms - last_boot_ms));
        }
        self.last = Some((look.wall_ms, look.boot_ms));
        let counts = look.evidence.filter(|evidence| match (self.since_ms, evidence.made_ms) {
            (None, _) | (_, None) => true,
            (Some(since_ms), Some(made_ms)) => (since_ms - CUT_MS..=look.wall_ms + CUT_MS).contains(&made_ms),
        });
        let before = self.source;
        if let Some(evidence) = counts {
            self.since_ms = None;
            // The same keeper by another word is no news.
            if before.is_none_or(|before| before == TimeSource::Nodes) {
                self.source = Some(evidence.source);
                self.nodes = Nodes::default();
                return Turned::Known(evidence.source);
            }
            return jump_ms.map_or(Turned::Same, Turned::Stepped);
        }
        match (before, jump_ms) {
            (Some(TimeSource::Nodes), _) => Turned::Same,
            (Some(_), None) => Turned::Same,
            (Some(_), Some(jump_ms)) => {
                self.source = None;
                Turned::Lost(jump_ms)
            }
            (None, _) if self.nodes.time_ms(look.boot_ms).is_some() => {
                self.source = Some(TimeSource::Nodes);
                Turned::Known(TimeSource::Nodes)
            }
            (None, _) => Turned::Same,
        }
    }
}
