//! The time by the nodes' own stamps: two nodes that agree within a minute and go on with our monotonic clock.
//!
//! One node alone proves nothing, and a stamp that does not advance is a clock that stands or a queue that
//! drains. All figures are judgement but the minute.

use crate::clock::OLDEST_MS;
use crate::record::Millis;

/// Two nodes agree within this.
const AGREE_MS: Millis = 60_000;
/// A node is watched at least this long before it counts.
const WATCHED_MS: Millis = 300_000;
/// Over that time its stamps may part from our monotonic clock by this much: some stamp whole minutes.
const PARTED_MS: Millis = 60_000;
/// A node not heard for so long no longer counts.
const SILENT_MS: Millis = 3_600_000;
/// Stamps are noted this far apart at least.
const APART_MS: Millis = 20_000;
/// Stamps remembered a node, and nodes.
const STAMPS: usize = 12;
const NODES: usize = 64;
/// 2100-01-01 UTC, as in intake.
const LATEST_MS: Millis = 4_102_444_800_000;

/// A node's stamps.
#[derive(Debug)]
struct Node {
    topic: String,
    /// What it measures, a bit a kind.
    kinds: u32,
    /// Stamp minus time since the boot, and that time; oldest first.
    stamps: Vec<(Millis, Millis)>,
}

/// The nodes that send their own times.
#[derive(Debug, Default)]
pub(super) struct Nodes(Vec<Node>);

impl Node {
    /// Stamp minus time since the boot, if it has held long enough.
    fn offset_ms(&self, boot_ms: Millis) -> Option<Millis> {
        let (_, first_ms) = self.stamps.first()?;
        let (offset_ms, last_ms) = self.stamps.last()?;
        let known = last_ms - first_ms >= WATCHED_MS && boot_ms - last_ms <= SILENT_MS;
        known.then_some(*offset_ms)
    }

    /// Topics that differ in their last level alone and tell different things are one node, whose one clock
    /// must not count twice.
    fn is_apart(&self, other: &Self) -> bool {
        let root = |topic: &str| topic.rsplit_once('/').map(|(root, _)| root.to_owned()).unwrap_or_default();
        root(&self.topic) != root(&other.topic) || self.kinds & other.kinds != 0
    }
}

impl Nodes {
    /// Takes note of a node's own time.
    pub(super) fn hear(&mut self, topic: &str, kinds: u32, stamp_ms: Millis, boot_ms: Millis) {
        if !(OLDEST_MS..LATEST_MS).contains(&stamp_ms) {
            return;
        }
        let offset_ms = stamp_ms - boot_ms;
        let Some(node) = self.0.iter_mut().find(|node| node.topic == topic) else {
            if self.0.len() < NODES {
                let stamps = vec![(offset_ms, boot_ms)];
                self.0.push(Node { topic: topic.to_owned(), kinds, stamps });
            }
            return;
        };
        node.kinds |= kinds;
        if node.stamps.iter().any(|(known_ms, _)| known_ms.abs_diff(offset_ms) > PARTED_MS.unsigned_abs()) {
            // It did not go on with our clock: a queue that drains, a clock that stands or was set. Anew from here.
            node.stamps.clear();
        } else if node.stamps.last().is_some_and(|(_, last_ms)| boot_ms - last_ms < APART_MS) {
            return;
        }
        if node.stamps.len() == STAMPS {
            // The first stays: it says for how long.
            node.stamps.remove(1);
        }
        node.stamps.push((offset_ms, boot_ms));
    }

    /// The time by the most nodes that agree, at least two; `None` if there are none, or as many for another.
    pub(super) fn time_ms(&self, boot_ms: Millis) -> Option<Millis> {
        let steady: Vec<(&Node, Millis)> =
            self.0.iter().filter_map(|node| Some((node, node.offset_ms(boot_ms)?))).collect();
        let agreeing = |offset_ms: Millis| -> Vec<(&Node, Millis)> {
            let near = |(_, other_ms): &&(&Node, Millis)| (0..=AGREE_MS).contains(&(offset_ms - *other_ms));
            steady.iter().filter(near).copied().collect()
        };
        // Each may be the latest of a group; a stamp is made before it arrives, so the latest is the nearest.
        let groups = steady.iter().map(|(_, offset_ms)| (*offset_ms, agreeing(*offset_ms)));
        let apart = |group: &[(&Node, Millis)]| {
            group
                .iter()
                .enumerate()
                .any(|(at, (node, _))| group.iter().skip(at + 1).any(|(other, _)| node.is_apart(other)))
        };
        let groups: Vec<(Millis, usize)> = groups
            .filter(|(_, group)| group.len() >= 2 && apart(group))
            .map(|(offset_ms, group)| (offset_ms, group.len()))
            .collect();
        let (best_ms, most) = groups.iter().copied().max_by_key(|(offset_ms, n)| (*n, *offset_ms))?;
        let rival = groups.iter().any(|(offset_ms, n)| *n == most && best_ms - offset_ms > AGREE_MS);
        (!rival).then_some(best_ms + boot_ms)
    }
}
