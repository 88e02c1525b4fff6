//! Wall and monotonic time: the only file that may ask for either.
//!
//! The system clock is never set by us. Where it is wrong and the time is known from elsewhere, our time goes
//! by the monotonic clock from a base (`go_by`), and every clone of the clock goes by it at once.
#![allow(clippy::disallowed_methods)]

mod evidence;

use std::sync::Arc;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use crate::record::{ClockKeeping, ClockWord, Millis, TimeSource};
pub use evidence::{Machine, service_answers};

/// No board of ours ran before this: 2026-11-01 UTC. An earlier wall clock is wrong whatever it claims.
pub const OLDEST_MS: Millis = 1_793_491_200_000;

/// Our time is the system clock's.
const BY_WALL: i64 = i64::MIN;

/// The clock that waits of the edges go by; a test can let it run as fast as it can.
pub fn of_waits() -> tokio::time::Instant {
    tokio::time::Instant::now()
}

/// Where the time comes from.
#[derive(Debug, Clone)]
pub struct Clock {
    source: Source,
    shared: Arc<Shared>,
}

#[derive(Debug, Clone)]
enum Source {
    /// The board's own clocks; since when this run goes by the monotonic one.
    Board(Instant),
    /// A clock that a driver moves (demo, tests).
    Hand(Arc<AtomicI64>),
    /// A clock of three hands that tests move apart.
    Hands(Arc<Hands>),
}

/// What all clones of a clock share.
#[derive(Debug)]
struct Shared {
    /// Our time = this + monotonic time; [`BY_WALL`] = our time is the system clock's.
    base_ms: AtomicI64,
    /// When the time service was asked that last said yes, by the system clock.
    service_ms: AtomicI64,
    /// Somebody waits for the word of the time service.
    wanted: AtomicBool,
}

/// The hands of a clock that tests move apart.
#[derive(Debug, Default)]
pub struct Hands {
    /// The system clock.
    pub wall_ms: AtomicI64,
    /// Time since the boot.
    pub mono_ms: AtomicI64,
    /// Which boot it is.
    pub boot: AtomicI64,
    /// What the machine says of its clock.
    pub evidence: Mutex<Option<ClockWord>>,
}

impl Hands {
    /// Lets time go by: both hands move on.
    pub fn pass(&self, ms: Millis) {
        self.wall_ms.fetch_add(ms, Ordering::SeqCst);
        self.mono_ms.fetch_add(ms, Ordering::SeqCst);
    }

    /// Sets the system clock, as a time service or a hand would.
    pub fn set_wall(&self, ms: Millis) {
        self.wall_ms.store(ms, Ordering::SeqCst);
    }

    /// From now on the machine says this of its clock.
    pub fn say(&self, evidence: Option<ClockWord>) {
        *self.evidence.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = evidence;
    }
}

impl Clock {
    fn of(source: Source) -> Self {
        let shared = Shared {
            base_ms: AtomicI64::new(BY_WALL),
            service_ms: AtomicI64::new(i64::MIN),
            wanted: AtomicBool::new(false),
        };
        Self { source, shared: Arc::new(shared) }
    }

    /// The board's own clocks.
    pub fn real() -> Self {
        Self::of(Source::Board(Instant::now()))
    }

    /// A scripted clock standing at `start_ms`, and the handle that moves it.
    pub fn scripted(start_ms: Millis) -> (Self, Arc<AtomicI64>) {
        let hand = Arc::new(AtomicI64::new(start_ms));
        (Self::of(Source::Hand(Arc::clone(&hand))), hand)
    }

    /// A scripted clock of three hands.
    pub fn with_hands(hands: Arc<Hands>) -> Self {
        Self::of(Source::Hands(hands))
    }

    /// Our time, milliseconds since 1970 UTC: the system clock, or what [`Clock::go_by`] put in its place.
    pub fn wall_ms(&self) -> Millis {
        match self.shared.base_ms.load(Ordering::SeqCst) {
            BY_WALL => self.system_ms(),
            base_ms => base_ms.saturating_add(self.mono_ms()),
        }
    }

    /// The system clock, right or wrong.
    pub fn system_ms(&self) -> Millis {
        match &self.source {
            Source::Board(_) => match SystemTime::now().duration_since(UNIX_EPOCH) {
                Ok(since) => i64::try_from(since.as_millis()).unwrap_or(i64::MAX),
                Err(before) => -i64::try_from(before.duration().as_millis()).unwrap_or(i64::MAX),
            },
            Source::Hand(hand) => hand.load(Ordering::SeqCst),
            Source::Hands(hands) => hands.wall_ms.load(Ordering::SeqCst),
        }
    }

    /// Time since the run began that no correction of the wall clock moves.
    pub fn mono_ms(&self) -> Millis {
        match &self.source {
            Source::Board(began) => i64::try_from(began.elapsed().as_millis()).unwrap_or(i64::MAX),
            Source::Hand(hand) => hand.load(Ordering::SeqCst),
            Source::Hands(hands) => hands.mono_ms.load(Ordering::SeqCst),
        }
    }

    /// Time since the boot, sleep of the machine included, that no correction of the wall clock moves. `None`
    /// where the machine does not tell.
    pub fn boot_ms(&self) -> Option<Millis> {
        match &self.source {
            Source::Board(_) => evidence::since_boot_ms(),
            Source::Hand(_) | Source::Hands(_) => Some(self.mono_ms()),
        }
    }

    /// Names this boot: what was noted by [`Clock::boot_ms`] counts only within it.
    pub fn boot(&self) -> String {
        match &self.source {
            Source::Board(_) => evidence::boot(),
            Source::Hand(_) => "scripted".to_owned(),
            Source::Hands(hands) => format!("scripted-{}", hands.boot.load(Ordering::SeqCst)),
        }
    }

    /// Our time is `our_ms` now and goes on with the monotonic clock; `None` = it is the system clock's again.
    pub fn go_by(&self, our_ms: Option<Millis>) {
        let base_ms = our_ms.map_or(BY_WALL, |our_ms| our_ms.saturating_sub(self.mono_ms()));
        self.shared.base_ms.store(base_ms, Ordering::SeqCst);
    }

    /// What the machine says of its system clock now. A scripted clock of one hand is always right.
    pub fn evidence(&self, keeping: &ClockKeeping) -> Vec<ClockWord> {
        match &self.source {
            Source::Board(_) => {
                let service_ms = self.shared.service_ms.load(Ordering::SeqCst);
                let service_ms = (service_ms != i64::MIN).then_some(service_ms);
                Machine::real().evidence(keeping, self.system_ms(), service_ms)
            }
            Source::Hand(_) => vec![ClockWord { source: TimeSource::Script, made_ms: None }],
            Source::Hands(hands) => {
                let word = *hands.evidence.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                word.into_iter().collect()
            }
        }
    }

    /// Says whether the word of the machine's time service is wanted: [`service_answers`] costs a process.
    pub fn want_service(&self, wanted: bool) {
        self.shared.wanted.store(wanted, Ordering::SeqCst);
    }

    /// Whether it is wanted.
    pub fn wants_service(&self) -> bool {
        self.shared.wanted.load(Ordering::SeqCst)
    }

    /// The time service, asked at `asked_ms` by the system clock, said that the clock is synchronised.
    pub fn service_said_yes(&self, asked_ms: Millis) {
        self.shared.service_ms.store(asked_ms, Ordering::SeqCst);
    }
}
