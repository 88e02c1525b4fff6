//! The post: hands letters to a mail server until it has accepted them, at least once each.
//!
//! A letter whose acceptance got lost on the way back goes out a second time with the same message id.
//! Letters to one person go in the order of their numbers; a server that puts one person's letter off
//! does not hold up another's. While the server is away one line knocks for all (`door.rs`). Before letters that
//! had to wait are sent (put off, or left from the last run) the core is asked which of them are still worth it.

mod door;
mod line;

use std::collections::HashMap;
use std::future::Future;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::sync::{Mutex, watch};
use tokio::task::JoinSet;

use self::door::Door;
use crate::record::{OutboxLetter, PostWord};

/// What became of one attempt, or of a knock.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// The server has taken responsibility for the letter, or it serves us.
    Accepted,
    /// Not this letter now; the same may well succeed later.
    Later {
        /// What happened.
        words: String,
    },
    /// The letter was under way when the connection broke: nobody knows whether the server has it.
    Unsure {
        /// What happened.
        words: String,
    },
    /// The server cannot be reached or serves nobody now.
    Away {
        /// What happened.
        words: String,
    },
    /// Whoever answers there is not fit to be given a password or a letter, so neither was; it may be mended there at
    /// any time.
    Unfit {
        /// What is wrong and what to do.
        words: String,
    },
    /// The server refuses this letter for good.
    Never {
        /// What it said.
        words: String,
    },
    /// The server does not take letters from us until somebody changes something.
    Closed {
        /// What is wrong and what to do.
        words: String,
    },
}

/// Whoever carries letters out into the world.
pub trait Carrier: Send + Sync + 'static {
    /// One attempt to hand `letter` over; ends within a bounded time.
    fn carry(&self, letter: &OutboxLetter) -> impl Future<Output = Outcome> + Send;

    /// Whether the server would serve us, without a letter; ends within a bounded time.
    fn knock(&self) -> impl Future<Output = Outcome> + Send;
}

/// What the post is given.
#[derive(Debug, Clone, PartialEq)]
pub enum Errand {
    /// A new letter.
    Carry(OutboxLetter),
    /// A letter that waited for the start: it is asked about before it goes.
    Held {
        /// The letter.
        letter: OutboxLetter,
        /// The server may have it already.
        maybe_there: bool,
    },
    /// The letters to `address` that wait were looked through: these are gone, the others may go.
    Sifted {
        /// The address.
        address: String,
        /// Numbers of letters not to be sent.
        gone: Vec<u32>,
    },
}

/// How long the post waits between attempts.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// After the first failure; doubles with each further one.
    pub first: Duration,
    /// At most, before the fifth more or less.
    pub most: Duration,
    /// After "closed": somebody must change something first, and a password refused often locks the account.
    pub closed: Duration,
    /// For how long letters may be put off until that counts as a fault of the mail.
    pub long: Duration,
}

impl Default for Pace {
    /// Ten seconds doubling to fifty, so that a server that is back is found within a minute; half an hour while
    /// closed. All judgement.
    fn default() -> Self {
        Self {
            first: Duration::from_secs(10),
            most: Duration::from_secs(50),
            closed: Duration::from_secs(1800),
            long: Duration::from_secs(600),
        }
    }
}

/// Carries letters until `shutdown` comes true or no more can come. Each fate is handed to `report`.
pub async fn run<C: Carrier>(
    carrier: C,
    pace: Pace,
    mut errands: UnboundedReceiver<Errand>,
    report: impl Fn(PostWord) + Send + Sync + 'static,
    shutdown: impl Future<Output = ()>,
) {
    let (stop, stopped) = watch::channel(false);
    let desk = Arc::new(Desk { carrier: Mutex::new(carrier), door: Door::default(), pace, report });
    let mut lines: HashMap<String, UnboundedSender<Errand>> = HashMap::new();
    let mut tasks = JoinSet::new();
    let mut shutdown = pin!(shutdown);
    loop {
        let errand = tokio::select! {
            errand = errands.recv() => errand,
            () = &mut shutdown => None,
        };
        let Some(errand) = errand else { break };
        let address = match &errand {
            Errand::Carry(letter) | Errand::Held { letter, .. } => &letter.address,
            Errand::Sifted { address, .. } => address,
        };
        let line = lines.entry(address.clone()).or_insert_with(|| {
            let (line, waiting) = unbounded_channel();
            tasks.spawn(line::serve(Arc::clone(&desk), waiting, stopped.clone()));
            line
        });
        // A line ends only when stopped, so this cannot fail before the loop ends.
        let _ = line.send(errand);
    }
    let _ = stop.send(true);
    while tasks.join_next().await.is_some() {}
}

/// What all lines share. The carrier takes one letter at a time, in the order they were brought.
struct Desk<C, R> {
    carrier: Mutex<C>,
    door: Door,
    pace: Pace,
    report: R,
}

impl Pace {
    /// The wait after so many failures in a row, a fifth more or less so that gardens do not knock in step.
    fn after(&self, failures: u32) -> Duration {
        let doubled = self.first.saturating_mul(2_u32.saturating_pow(failures.saturating_sub(1)));
        doubled.min(self.most).mul_f64(rand::random_range(0.8..1.2))
    }
}
