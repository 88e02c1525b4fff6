//! What a test driver may ask for under a scripted clock: a commit, the settling of all that was
//! published, the next moment. In a released build it is refused.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use tokio::sync::oneshot;

use super::core::Core;
use crate::engine::{Event, TURN_MS};
use crate::local::{Answer, Request};
use crate::record::Millis;

/// While the driver waits, a commit waits this long for company.
const WAITED_FOR_MS: Millis = 10;
/// Under a scripted clock nobody waits for the delay of the settings.
const NOBODY_WAITS_MS: Millis = 1_000;
/// Longest the driver is kept waiting for the post.
const POST_PATIENCE_MS: Millis = 5_000;

/// The driver's side of a run.
#[derive(Debug, Default)]
pub(super) struct Driver {
    /// The hand of the scripted clock.
    hand: Option<Arc<AtomicI64>>,
    waiting: Vec<Settling>,
    commit_at_once: bool,
    /// Where the clock is on its way to.
    goal_ms: Option<Millis>,
    /// Since when, by the pace clock, a letter is waited for on the way.
    letter_since_ms: Option<Millis>,
}

/// One caller who waits until everything has settled.
#[derive(Debug)]
struct Settling {
    /// So many messages in all.
    messages: u64,
    asked_at_ms: Millis,
    answer: oneshot::Sender<Answer>,
}

impl Driver {
    /// `hand` = the hand of a scripted clock, where there is one.
    pub(super) fn new(hand: Option<Arc<AtomicI64>>) -> Self {
        Self { hand, ..Self::default() }
    }

    pub(super) fn commit_delay_ms(&self) -> Option<Millis> {
        match (&self.hand, self.waiting.is_empty()) {
            (None, _) => None,
            (Some(_), true) => Some(NOBODY_WAITS_MS),
            (Some(_), false) => Some(WAITED_FOR_MS),
        }
    }

    pub(super) fn wants_commit(&self, taken: u64) -> bool {
        self.commit_at_once || self.waiting.iter().any(|settling| settling.messages <= taken)
    }

    /// The clock is on its way.
    pub(super) fn is_stepping(&self) -> bool {
        self.goal_ms.is_some()
    }

    pub(super) fn commit_tried(&mut self) {
        self.commit_at_once = false;
    }
}

impl Core {
    /// Answers a question that only a driver has.
    pub(super) fn drive(&mut self, request: &Request, answer: oneshot::Sender<Answer>) {
        let Some(hand) = self.driver.hand.clone() else {
            let words = "only with a scripted clock, in a build for tests".to_owned();
            let _ = answer.send(Answer::Refused { words });
            return;
        };
        let mut messages = self.counts.messages + self.backlog.len() as u64;
        match request {
            Request::Settle { messages: published } => messages = *published,
            Request::Clock { ms } if *ms < hand.load(Ordering::SeqCst) => {
                let words = format!("the clock never runs back; {ms} is earlier than now");
                let _ = answer.send(Answer::Refused { words });
                return;
            }
            Request::Clock { ms } => self.driver.goal_ms = Some(*ms),
            Request::Commit
            | Request::Status
            | Request::Sign
            | Request::Jot { .. }
            | Request::TakeBack { .. } => {}
        }
        self.driver.commit_at_once = true;
        self.driver.waiting.push(Settling { messages, asked_at_ms: self.pace.mono_ms(), answer });
    }

    /// Moves the scripted clock on, one turn of the engine at a time; a letter decided on the way is stored
    /// and sent before the next turn, as it would be in real time.
    pub(super) fn step_clock(&mut self) {
        while let (Some(goal_ms), Some(hand)) = (self.driver.goal_ms, self.driver.hand.clone()) {
            if self.waits_for_letter() {
                return;
            }
            let now_ms = hand.load(Ordering::SeqCst);
            if now_ms >= goal_ms {
                self.driver.goal_ms = None;
                return;
            }
            let turn_ms = (now_ms.div_euclid(TURN_MS) + 1) * TURN_MS;
            hand.store(turn_ms.min(goal_ms), Ordering::SeqCst);
            self.judge(Event::Turn);
        }
    }

    fn waits_for_letter(&mut self) -> bool {
        if !self.pending.urgent && (self.letters_under_way == 0 || self.mail_words.is_some()) {
            self.driver.letter_since_ms = None;
            return false;
        }
        let pace_ms = self.pace.mono_ms();
        let since_ms = *self.driver.letter_since_ms.get_or_insert(pace_ms);
        pace_ms - since_ms < POST_PATIENCE_MS
    }

    /// Tells the driver what has settled: stored, acknowledged, and the letters that followed sent.
    pub(super) fn answer_driver(&mut self) {
        if self.driver.waiting.is_empty() || self.driver.goal_ms.is_some() {
            return;
        }
        let settled = self.counts.settled;
        let (stored, quiet) = (self.store_trouble.is_none(), self.pending.is_empty());
        // A letter that was put off is on its way no more.
        let letters = if self.mail_words.is_some() { 0 } else { self.letters_under_way };
        let pace_ms = self.pace.mono_ms();
        let (done, waiting) =
            std::mem::take(&mut self.driver.waiting).into_iter().partition::<Vec<_>, _>(|settling| {
                let post = letters == 0 || pace_ms - settling.asked_at_ms > POST_PATIENCE_MS;
                stored && quiet && post && settled >= settling.messages
            });
        self.driver.waiting = waiting;
        for settling in done {
            let _ = settling.answer.send(Answer::Done { words: format!("{settled} messages") });
        }
    }
}
