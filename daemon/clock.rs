//! Wall and monotonic time: the only file that may ask for either.
#![allow(clippy::disallowed_methods)]

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use crate::record::Millis;

/// No board of ours ran before this: 2026-11-01 UTC. An earlier wall clock is wrong whatever it claims.
const OLDEST_MS: Millis = 1_793_491_200_000;

/// Made by systemd-timesyncd in each boot; [`SYNCHRONISED`] in it only once it has heard a time server.
const TIMESYNC: &str = "/run/systemd/timesync";
const SYNCHRONISED: &str = "/run/systemd/timesync/synchronized";

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

    /// Whether the wall time may be believed. A board without a battery clock boots at the hour it was
    /// last shut down, so where systemd-timesyncd keeps the time we wait for its word of this boot;
    /// elsewhere a clock that is not older than this program is believed. A scripted clock always is.
    pub fn trusted(&self) -> bool {
        match self {
            Clock::Real { .. } => {
                self.wall_ms() >= OLDEST_MS
                    && (!Path::new(TIMESYNC).exists() || Path::new(SYNCHRONISED).exists())
            }
            Clock::Scripted(_) => true,
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
