//! Wall and monotonic time: the only file that may ask for either.
#![allow(clippy::disallowed_methods)]

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use crate::record::Millis;

/// Where the time comes from.
#[derive(Debug, Clone)]
pub enum Clock {
    /// The board's own clocks.
    Real {
        /// When this run began, by the monotonic clock.
        began: Instant,
    },
    /// A clock that a driver moves (demo, tests).
    Scripted(Arc<AtomicI64>),
}

impl Clock {
    /// The board's own clocks.
    pub fn real() -> Self {
        Clock::Real { began: Instant::now() }
    }

    /// A scripted clock standing at `start_ms`, and the handle that moves it.
    pub fn scripted(start_ms: Millis) -> (Self, Arc<AtomicI64>) {
        let hand = Arc::new(AtomicI64::new(start_ms));
        (Clock::Scripted(Arc::clone(&hand)), hand)
    }

    /// Wall time, milliseconds since 1970 UTC.
    pub fn wall_ms(&self) -> Millis {
        match self {
            Clock::Real { .. } => match SystemTime::now().duration_since(UNIX_EPOCH) {
                Ok(since) => i64::try_from(since.as_millis()).unwrap_or(i64::MAX),
                Err(before) => -i64::try_from(before.duration().as_millis()).unwrap_or(i64::MAX),
            },
            Clock::Scripted(hand) => hand.load(Ordering::SeqCst),
        }
    }

    /// Time since the run began that no correction of the wall clock moves.
    pub fn mono_ms(&self) -> Millis {
        match self {
            Clock::Real { began } => i64::try_from(began.elapsed().as_millis()).unwrap_or(i64::MAX),
            Clock::Scripted(hand) => hand.load(Ordering::SeqCst),
        }
    }
}
