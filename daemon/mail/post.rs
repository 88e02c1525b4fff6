//! The post: hands letters to a mail server until it has accepted them, at least once each.
//!
//! A letter whose acceptance got lost on the way back goes out a second time with the same message id.
//! Letters to one person go in the order of their numbers; a server that puts one person's letter off
//! does not hold up another's.

use std::collections::BTreeMap;
use std::collections::HashMap;
use std::future::Future;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::sync::{Mutex, watch};
use tokio::task::JoinSet;
use tokio::time::{sleep, timeout};

use crate::record::{OutboxLetter, PostWord};

/// What became of one attempt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// The server has taken responsibility for the letter.
    Accepted,
    /// Not now; the same may well succeed later.
    Later {
        /// What happened.
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
}

/// How long the post waits between attempts.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// After the first failure; doubles with each further one.
    pub first: Duration,
    /// At most.
    pub most: Duration,
    /// After "closed": somebody must change something first.
    pub closed: Duration,
}

impl Default for Pace {
    /// One minute doubling to an hour; half an hour while closed.
    fn default() -> Self {
        Self {
            first: Duration::from_secs(60),
            most: Duration::from_secs(3600),
            closed: Duration::from_secs(1800),
        }
    }
}

/// Failures in a row after which a letter that is put off counts as not getting out: with the usual pace
/// about two hours.
const LONG: u32 = 7;
/// How long an attempt under way may go on after the end was asked for.
const LAST_CALL: Duration = Duration::from_secs(10);

/// Carries letters until `shutdown` comes true or no more can come. Each fate is handed to `report`.
pub async fn run<C: Carrier>(
    carrier: C,
    pace: Pace,
    mut letters: UnboundedReceiver<OutboxLetter>,
    report: impl Fn(PostWord) + Send + Sync + 'static,
    shutdown: impl Future<Output = ()>,
) {
    let (stop, stopped) = watch::channel(false);
    let desk = Arc::new(Desk { carrier: Mutex::new(carrier), pace, report });
    let mut lines: HashMap<String, UnboundedSender<OutboxLetter>> = HashMap::new();
    let mut tasks = JoinSet::new();
    let mut shutdown = pin!(shutdown);
    loop {
        let letter = tokio::select! {
            letter = letters.recv() => letter,
            () = &mut shutdown => None,
        };
        let Some(letter) = letter else { break };
        let line = lines.entry(letter.address.clone()).or_insert_with(|| {
            let (line, waiting) = unbounded_channel();
            tasks.spawn(serve(Arc::clone(&desk), waiting, stopped.clone()));
            line
        });
        // A line ends only when stopped, so this cannot fail before the loop ends.
        let _ = line.send(letter);
    }
    let _ = stop.send(true);
    while tasks.join_next().await.is_some() {}
}

/// What all lines share. The carrier takes one letter at a time, in the order they were brought.
struct Desk<C, R> {
    carrier: Mutex<C>,
    pace: Pace,
    report: R,
}

/// Letters to one address.
async fn serve<C: Carrier, R: Fn(PostWord)>(
    desk: Arc<Desk<C, R>>,
    mut incoming: UnboundedReceiver<OutboxLetter>,
    mut stopped: watch::Receiver<bool>,
) {
    let mut waiting: BTreeMap<u32, OutboxLetter> = BTreeMap::new();
    let mut failures = 0;
    loop {
        while let Ok(letter) = incoming.try_recv() {
            waiting.insert(letter.number, letter);
        }
        let Some(letter) = waiting.values().next() else {
            tokio::select! {
                letter = incoming.recv() => match letter {
                    Some(letter) => waiting.insert(letter.number, letter),
                    None => return,
                },
                _ = stopped.changed() => return,
            };
            continue;
        };
        let number = letter.number;
        let Some(outcome) = attempt(&desk, letter, &mut stopped).await else { return };
        let ended = *stopped.borrow();
        // How long to wait, and whether a new letter is reason enough to try sooner.
        let wait = match outcome {
            Outcome::Accepted => {
                (desk.report)(PostWord::Accepted { number });
                None
            }
            Outcome::Never { words } => {
                (desk.report)(PostWord::Refused { number, words });
                None
            }
            Outcome::Later { words } => {
                failures += 1;
                tracing::info!(number, failures, %words, "letter put off");
                if failures >= LONG {
                    (desk.report)(PostWord::Closed { words });
                }
                Some((desk.pace.after(failures), true))
            }
            Outcome::Closed { words } => {
                (desk.report)(PostWord::Closed { words });
                Some((desk.pace.closed, false))
            }
        };
        if wait.is_none() {
            waiting.remove(&number);
            failures = 0;
        }
        match wait {
            _ if ended => return,
            None => {}
            Some((wait, hasty)) => tokio::select! {
                () = sleep(wait) => {}
                Some(letter) = incoming.recv(), if hasty => {
                    waiting.insert(letter.number, letter);
                }
                _ = stopped.changed() => return,
            },
        }
    }
}

/// One attempt; `None` if the end came first.
async fn attempt<C: Carrier, R>(
    desk: &Desk<C, R>,
    letter: &OutboxLetter,
    stopped: &mut watch::Receiver<bool>,
) -> Option<Outcome> {
    let carrier = tokio::select! {
        carrier = desk.carrier.lock() => carrier,
        _ = stopped.changed() => return None,
    };
    let mut carrying = pin!(carrier.carry(letter));
    tokio::select! {
        outcome = &mut carrying => Some(outcome),
        // Cutting an attempt short may send the letter twice, so it gets a little time to end.
        _ = stopped.changed() => timeout(LAST_CALL, carrying).await.ok(),
    }
}

impl Pace {
    /// The wait after so many failures in a row, a fifth more or less so that gardens do not knock in step.
    fn after(&self, failures: u32) -> Duration {
        let doubled = self.first.saturating_mul(2_u32.saturating_pow(failures.saturating_sub(1)));
        doubled.min(self.most).mul_f64(rand::random_range(0.8..1.2))
    }
}
