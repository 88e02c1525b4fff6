//! Whether the mail server serves us. While it does not, whoever stands first at the door knocks for all: a
//! dead host takes half a minute to say nothing, and thirty letters would wait for one another.

use std::sync::Mutex;
use std::time::Duration;

use tokio::time::{Instant, sleep_until};

use super::{Carrier, Desk, Outcome, Pace};
use crate::clock;
use crate::record::PostWord;

/// The door of the mail server.
#[derive(Debug, Default)]
pub(super) struct Door {
    state: Mutex<State>,
    /// Whoever holds it knocks.
    turn: tokio::sync::Mutex<()>,
}

#[derive(Debug, Clone, Copy, Default)]
enum State {
    /// Nobody has been there yet.
    #[default]
    Unknown,
    Open,
    Shut(Shut),
}

#[derive(Debug, Clone, Copy)]
struct Shut {
    since: Instant,
    /// Failures in a row.
    failures: u32,
    knock_at: Instant,
}

impl Door {
    fn state(&self) -> std::sync::MutexGuard<'_, State> {
        // A plain value is whole whenever the lock is free.
        self.state.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    pub(super) fn is_shut(&self) -> bool {
        matches!(*self.state(), State::Shut(_))
    }

    pub(super) fn opened(&self) {
        *self.state() = State::Open;
    }

    /// Notes a failure; for how long there have been nothing else.
    fn shut(&self, pace: &Pace, closed: bool) -> Duration {
        let now = clock::of_waits();
        let mut state = self.state();
        let (since, failures) = match *state {
            State::Shut(shut) => (shut.since, shut.failures.saturating_add(1)),
            State::Unknown | State::Open => (now, 1),
        };
        let wait = if closed { pace.closed } else { pace.after(failures) };
        *state = State::Shut(Shut { since, failures, knock_at: now + wait });
        now - since
    }

    fn knock_at(&self) -> Option<Instant> {
        match *self.state() {
            State::Shut(shut) => Some(shut.knock_at),
            State::Unknown | State::Open => None,
        }
    }

    fn is_open(&self) -> bool {
        matches!(*self.state(), State::Open)
    }
}

impl<C: Carrier, R: Fn(PostWord)> Desk<C, R> {
    /// Waits until the server serves us.
    pub(super) async fn at_open_door(&self) {
        let _turn = self.door.turn.lock().await;
        while !self.door.is_open() {
            if let Some(at) = self.door.knock_at() {
                sleep_until(at).await;
            }
            match self.carrier.lock().await.knock().await {
                Outcome::Accepted => self.door.opened(),
                outcome => self.found_shut(outcome),
            }
        }
    }

    /// The server does not serve us: said, and remembered for all lines.
    pub(super) fn found_shut(&self, outcome: Outcome) {
        let closed = matches!(outcome, Outcome::Closed { .. });
        let shut_for = self.door.shut(&self.pace, closed);
        match outcome {
            Outcome::Closed { words } | Outcome::Unfit { words } => {
                (self.report)(PostWord::Closed { words });
            }
            Outcome::Accepted => {}
            Outcome::Away { words }
            | Outcome::Later { words }
            | Outcome::Unsure { words }
            // A knock is about no letter.
            | Outcome::Never { words } => self.put_off(words, shut_for),
        }
    }

    /// Letters cannot go out, for so long now.
    pub(super) fn put_off(&self, words: String, put_off_for: Duration) {
        tracing::info!(seconds = put_off_for.as_secs(), %words, "letters put off");
        let long = put_off_for >= self.pace.long;
        (self.report)(if long { PostWord::Closed { words } } else { PostWord::PutOff { words } });
    }
}
