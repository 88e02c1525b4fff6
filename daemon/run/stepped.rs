//! The core without its thread and edges: one round at a time, on a clock whose hands somebody moves. The
//! same code as [`run`](super::run); for a world that is made and broken by a test.

use std::path::Path;
use std::sync::Arc;

use tokio::sync::mpsc::{UnboundedReceiver, unbounded_channel};
use tokio::sync::oneshot;

use super::core::{Core, Inward, Outward};
use super::start::{self, Ground};
use crate::broker::Ticket;
use crate::clock::{Clock, Hands};
use crate::local::{Answer, Call, Request};
use crate::mail::post::Errand;
use crate::record::{Millis, OutboxLetter};
use crate::settings::garden::Garden;
use crate::store::{Store, StoreError};

/// A core that makes one round when told to. Dropped without [`Stepped::finish`] it is as if killed.
#[derive(Debug)]
pub struct Stepped {
    pub(super) core: Core,
    stored: UnboundedReceiver<Vec<Ticket>>,
    post: UnboundedReceiver<Errand>,
}

/// What waits inside the core.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Load {
    /// Messages heard and not looked at.
    pub unseen: usize,
    /// Messages looked at and not stored.
    pub unstored: u64,
    /// Readings, refusals, days, changes, letters and lines in the batch.
    pub batched: usize,
}

impl Stepped {
    /// Opens the store in `data` and brings the engine to where it was.
    ///
    /// # Errors
    /// What a start would say.
    pub fn open(data: &Path, garden: Arc<Garden>, hands: &Arc<Hands>) -> Result<Self, StoreError> {
        let (stored, tickets) = unbounded_channel();
        let (post, letters) = unbounded_channel();
        let clock = Clock::with_hands(Arc::clone(hands));
        let core = start::core(Ground {
            garden,
            data: data.to_path_buf(),
            pace: clock.clone(),
            clock,
            hand: None,
            out: Outward { stored, post },
            pulse: Arc::default(),
            beat: super::BEAT,
        })?;
        Ok(Self { core, stored: tickets, post: letters })
    }

    /// Takes one word from outside; true when it is told to end.
    pub fn hear(&mut self, word: Inward) -> bool {
        self.core.hear(word)
    }

    /// Asks something; the answer may come with a later round.
    pub fn ask(&mut self, request: Request) -> oneshot::Receiver<Answer> {
        let (answer, heard) = oneshot::channel();
        self.core.hear(Inward::Call(Call { request, answer }));
        heard
    }

    /// One round of the loop.
    pub fn step(&mut self) {
        self.core.step();
    }

    /// How long the loop would wait for the next word, milliseconds.
    pub fn patience_ms(&self) -> Millis {
        i64::try_from(self.core.patience().as_millis()).unwrap_or(i64::MAX)
    }

    /// The time by which messages are stamped as they arrive.
    pub fn wall_ms(&self) -> Millis {
        self.core.clock.wall_ms()
    }

    /// The latest time given to the engine, and whether it is known to be right.
    pub fn told(&self) -> (Millis, bool) {
        (self.core.held_ms, self.core.trusted)
    }

    /// What may be acknowledged to the broker since the last call.
    pub fn acknowledged(&mut self) -> Vec<Ticket> {
        std::iter::from_fn(|| self.stored.try_recv().ok()).flatten().collect()
    }

    /// What the post was given since the last call.
    pub fn errands(&mut self) -> Vec<Errand> {
        std::iter::from_fn(|| self.post.try_recv().ok()).collect()
    }

    /// Of [`Stepped::errands`] the letters; after a start, those that were waiting.
    pub fn letters(&mut self) -> Vec<OutboxLetter> {
        let letter = |errand| match errand {
            Errand::Carry(letter) | Errand::Held { letter, .. } => Some(letter),
            Errand::Sifted { .. } => None,
        };
        self.errands().into_iter().filter_map(letter).collect()
    }

    /// The store that it writes.
    pub fn store(&self) -> &Store {
        &self.core.store
    }

    /// What waits inside.
    pub fn load(&self) -> Load {
        let batch = &self.core.pending.batch;
        let batched = batch.readings.len()
            + batch.refusals.len()
            + batch.days.len()
            + batch.matters.len()
            + batch.letters.len()
            + batch.entries.len();
        Load { unseen: self.core.backlog.len(), unstored: self.core.pending.messages, batched }
    }

    /// Ends as when told to; false if something taken could not be stored. What may still be acknowledged
    /// and sent is asked for as before.
    pub fn finish(&mut self) -> bool {
        self.core.finish()
    }
}
