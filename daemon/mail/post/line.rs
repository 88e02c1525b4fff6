//! The letters to one address, in the order of their numbers.

use std::collections::BTreeMap;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc::UnboundedReceiver;
use tokio::sync::watch;
use tokio::time::{Instant, sleep_until, timeout};

use super::{Carrier, Desk, Errand, Outcome};
use crate::clock;
use crate::record::{OutboxLetter, PostWord};

/// How long an attempt under way may go on after the end was asked for.
const LAST_CALL: Duration = Duration::from_secs(10);

/// Letters decided or looked through so short a time ago are tried again as they are (judgement): each look costs
/// two commits, and a server may put letters off for days.
const FRESH: Duration = Duration::from_secs(600);

/// What waits for one address.
#[derive(Default)]
struct Line {
    waiting: BTreeMap<u32, Waiting>,
    /// Had to wait: they are looked through before any goes out.
    held: bool,
    /// When they were decided or looked through.
    looked_at: Option<Instant>,
    /// Failures in a row that were about these letters, since when, and when to try again.
    failures: u32,
    since: Option<Instant>,
    not_before: Option<Instant>,
}

struct Waiting {
    letter: OutboxLetter,
    /// The server may have it already.
    maybe_there: bool,
    /// The core counts it as perhaps there, which it certainly is not.
    untouched: bool,
}

impl Line {
    /// True if this was the answer to our asking.
    fn take(&mut self, errand: Errand) -> bool {
        match errand {
            Errand::Carry(letter) => {
                if self.waiting.is_empty() {
                    self.looked_at = Some(clock::of_waits());
                }
                self.waiting.insert(letter.number, Waiting { letter, maybe_there: false, untouched: true });
            }
            Errand::Held { letter, maybe_there } => {
                self.held = true;
                self.waiting.insert(letter.number, Waiting { letter, maybe_there, untouched: false });
            }
            Errand::Sifted { gone, .. } => {
                self.waiting.retain(|number, _| !gone.contains(number));
                // The core counts them as perhaps there from now on.
                self.waiting.values_mut().for_each(|waiting| waiting.untouched = !waiting.maybe_there);
                self.looked_at = Some(clock::of_waits());
                self.held = false;
                return true;
            }
        }
        false
    }

    fn remove(&mut self, number: u32) {
        self.waiting.remove(&number);
        (self.failures, self.since, self.not_before) = (0, None, None);
    }
}

/// Serves one address until stopped.
pub(super) async fn serve<C: Carrier, R: Fn(PostWord)>(
    desk: Arc<Desk<C, R>>,
    mut incoming: UnboundedReceiver<Errand>,
    mut stopped: watch::Receiver<bool>,
) {
    let mut line = Line::default();
    while !*stopped.borrow() {
        while let Ok(errand) = incoming.try_recv() {
            line.take(errand);
        }
        let Some((number, waiting)) = line.waiting.iter().next() else {
            tokio::select! {
                errand = incoming.recv() => match errand {
                    Some(errand) => line.take(errand),
                    None => return,
                },
                _ = stopped.changed() => return,
            };
            continue;
        };
        if line.held || desk.door.is_shut() {
            line.held = true;
            if wait_and_ask(&desk, &mut line, &mut incoming, &mut stopped).await.is_none() {
                return;
            }
            continue;
        }
        if let Some(at) = line.not_before.filter(|at| *at > clock::of_waits()) {
            tokio::select! {
                () = sleep_until(at) => {}
                Some(errand) = incoming.recv() => drop(line.take(errand)),
                _ = stopped.changed() => return,
            }
            continue;
        }
        let number = *number;
        let Some(outcome) = attempt(&desk, &waiting.letter, &mut stopped).await else { return };
        desk.hear(&mut line, number, outcome);
    }
}

/// Until the server serves us, the letters' own wait is over, and the core has said which are still worth it;
/// `None` if the end came first.
async fn wait_and_ask<C: Carrier, R: Fn(PostWord)>(
    desk: &Desk<C, R>,
    line: &mut Line,
    incoming: &mut UnboundedReceiver<Errand>,
    stopped: &mut watch::Receiver<bool>,
) -> Option<()> {
    desk.tell_untouched(line);
    let not_before = line.not_before;
    let mut open = pin!(async {
        if let Some(at) = not_before {
            sleep_until(at).await;
        }
        desk.at_open_door().await;
    });
    loop {
        tokio::select! {
            () = &mut open => break,
            errand = incoming.recv() => {
                line.take(errand?);
                desk.tell_untouched(line);
            }
            _ = stopped.changed() => return None,
        }
    }
    let address = line.waiting.values().next().map(|waiting| waiting.letter.address.clone())?;
    (desk.report)(PostWord::Asks { address });
    loop {
        tokio::select! {
            errand = incoming.recv() => if line.take(errand?) { return Some(()) },
            _ = stopped.changed() => return None,
        }
    }
}

impl<C, R: Fn(PostWord)> Desk<C, R> {
    /// Tells which of the waiting letters were certainly not handed over.
    fn tell_untouched(&self, line: &mut Line) {
        let untouched = line.waiting.iter_mut().filter(|(_, waiting)| waiting.untouched);
        let numbers: Vec<u32> = untouched
            .map(|(number, waiting)| {
                waiting.untouched = false;
                *number
            })
            .collect();
        if !numbers.is_empty() {
            (self.report)(PostWord::Untouched { numbers });
        }
    }
}

impl<C: Carrier, R: Fn(PostWord)> Desk<C, R> {
    /// Tells what became of an attempt, and sees to what follows.
    fn hear(&self, line: &mut Line, number: u32, outcome: Outcome) {
        let unsure = matches!(outcome, Outcome::Unsure { .. });
        match outcome {
            Outcome::Accepted => {
                self.door.opened();
                (self.report)(PostWord::Accepted { number });
                line.remove(number);
            }
            Outcome::Never { words } => {
                self.door.opened();
                (self.report)(PostWord::Refused { number, words });
                line.remove(number);
            }
            Outcome::Later { words } | Outcome::Unsure { words } => {
                if let Some(waiting) = line.waiting.get_mut(&number) {
                    waiting.maybe_there |= unsure;
                    waiting.untouched &= !unsure;
                }
                line.failures = line.failures.saturating_add(1);
                let now = clock::of_waits();
                line.held = line.looked_at.is_none_or(|at| now - at >= FRESH);
                line.not_before = Some(now + self.pace.after(line.failures));
                self.put_off(words, now - *line.since.get_or_insert(now));
            }
            Outcome::Away { .. } | Outcome::Unfit { .. } | Outcome::Closed { .. } => {
                line.held = true;
                self.found_shut(outcome);
            }
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
