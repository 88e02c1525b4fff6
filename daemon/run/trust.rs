//! Whether the time is known, by evidence of this boot: the machine's word for its clock, or two nodes.
//!
//! "Later than the newest stored reading" proves nothing: a board without a battery clock boots at the hour
//! it was last shut down. A word counts that was given since the boot. Once a boot has shown evidence the system
//! clock is believed until it jumps against the monotonic clock; then only a word given since the jump counts. A
//! note in the store lets the next run of the same boot know of jumps, those that happened while nobody ran included.

use super::nodes::Nodes;
use crate::clock::Clock;
use crate::record::{ClockKeeping, ClockWord, Millis, TimeSource};

/// The system clock may part from the monotonic clock by this much between two looks without being
/// suspected: time services slew and make small steps (judgement).
const JUMP_MS: Millis = 60_000;
/// Files carry times cut to the second on some file systems.
const CUT_MS: Millis = 1_500;
/// Words remembered that no longer count.
const STALE: usize = 8;

/// What is seen at one look.
#[derive(Debug, Clone)]
pub(super) struct Look {
    /// The system clock.
    pub(super) wall_ms: Millis,
    /// Time since the boot.
    pub(super) boot_ms: Millis,
    /// What the machine says of its clock.
    pub(super) evidence: Vec<ClockWord>,
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

/// Whether the clock may be believed at this one moment, by what the store noted of it.
pub fn believes(clock: &Clock, keeping: &ClockKeeping, note: Option<&str>) -> bool {
    let (wall_ms, boot_ms) = (clock.system_ms(), clock.boot_ms());
    let mut trust = Trust::after(note, &clock.boot(), boot_ms.map(|boot_ms| wall_ms - boot_ms));
    let boot_ms = boot_ms.unwrap_or_else(|| clock.mono_ms());
    trust.look(Look { wall_ms, boot_ms, evidence: clock.evidence(keeping) });
    trust.source.is_some()
}

/// What is known of the time.
#[derive(Debug, Default)]
pub(super) struct Trust {
    source: Option<TimeSource>,
    /// System clock and time since the boot at the last look.
    last: Option<(Millis, Millis)>,
    /// The boot or the last jump: only words given since then count, by the system clock as it stands now.
    since_ms: Option<Millis>,
    /// When the words that were there at the last look were given.
    heard: Vec<Millis>,
    /// Words known before a jump, or from a later hour than the system clock's. They are worth nothing, and no more
    /// when the clock comes to their hour (again).
    stale: Vec<Millis>,
    /// Something has changed that a later run of this boot must know: at once, or with what is stored next.
    unnoted: bool,
    new_words: bool,
    nodes: Nodes,
}

/// Times of words as one word of the note.
fn joined(words: &[Millis]) -> String {
    words.iter().map(Millis::to_string).collect::<Vec<_>>().join(",")
}

impl Trust {
    /// What is known at the start: what an earlier run of this boot noted, and when this boot began, by the system
    /// clock as it stands.
    pub(super) fn after(note: Option<&str>, boot: &str, booted_ms: Option<Millis>) -> Self {
        let begun = Self { since_ms: booted_ms, unnoted: true, ..Self::default() };
        let mut words = note.unwrap_or_default().split(' ');
        if words.next() != Some(boot) {
            return begun;
        }
        let mut next = || words.next().unwrap_or_default();
        let (Ok(wall_ms), Ok(boot_ms)) = (next().parse(), next().parse()) else { return begun };
        let since_ms = next().parse().ok().or(booted_ms);
        let mut list = || next().split(',').filter_map(|ms| ms.parse().ok()).collect();
        let (heard, stale) = (list(), list());
        Self { last: Some((wall_ms, boot_ms)), since_ms, heard, stale, ..begun }
    }

    /// What a later run of this boot must know.
    pub(super) fn note(&self, boot: &str) -> Option<String> {
        let (wall_ms, boot_ms) = self.last?;
        let since_ms = self.since_ms.map_or_else(|| "-".to_owned(), |ms| ms.to_string());
        Some(format!("{boot} {wall_ms} {boot_ms} {since_ms} {} {}", joined(&self.heard), joined(&self.stale)))
    }

    /// Whether there is something to note that does not bear waiting; asked once.
    pub(super) fn is_unnoted(&mut self) -> bool {
        std::mem::take(&mut self.unnoted)
    }

    /// Whether words were given that are not noted; asked once.
    pub(super) fn has_new_words(&mut self) -> bool {
        std::mem::take(&mut self.new_words)
    }

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
            let before = std::mem::take(&mut self.heard);
            before.into_iter().for_each(|made_ms| self.drop_word(made_ms));
            self.unnoted = true;
        } else if let (Some(since_ms), Some((last_wall_ms, last_boot_ms))) = (self.since_ms, self.last) {
            // Small corrections since the jump move the moment along.
            self.since_ms = Some(since_ms + (look.wall_ms - last_wall_ms) - (look.boot_ms - last_boot_ms));
        }
        self.last = Some((look.wall_ms, look.boot_ms));
        let heard = look.evidence.iter().filter_map(|word| word.made_ms).collect();
        let before = std::mem::replace(&mut self.heard, heard);
        self.new_words |= before != self.heard;
        for made_ms in self.heard.clone() {
            if made_ms > look.wall_ms + CUT_MS {
                self.drop_word(made_ms);
            }
        }
        let counts = |word: &&ClockWord| {
            word.made_ms.is_none_or(|made_ms| {
                !self.stale.contains(&made_ms)
                    && self.since_ms.is_none_or(|since_ms| made_ms >= since_ms - CUT_MS)
            })
        };
        let counts = look.evidence.iter().filter(counts).max_by_key(|word| word.made_ms).copied();
        let before = self.source;
        self.unnoted |= before.is_none() && counts.is_some();
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

    /// A word that no longer counts.
    fn drop_word(&mut self, made_ms: Millis) {
        if !self.stale.contains(&made_ms) {
            if self.stale.len() == STALE {
                self.stale.remove(0);
            }
            self.stale.push(made_ms);
            self.unnoted = true;
        }
    }
}
