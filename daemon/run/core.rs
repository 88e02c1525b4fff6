//! The core: one thread that owns engine, store and intake. Everything that counts happens here, in the
//! order it came.
//!
//! message → intake → known already? → engine → one transaction with all that follows → acknowledged.
//! Nothing is acknowledged, sent or answered before the transaction is down.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Duration;

use tracing::{debug, error, info};

use super::pending::Pending;
pub(super) use super::talk::{Inward, Outward};
use super::trust::Trust;
use crate::broker::{Message, Said};
use crate::clock::Clock;
use crate::engine::{Action, Engine, Event, Now};
use crate::intake::{Intake, Taken};
use crate::local::Counts;
use crate::record::{Board, Doubt, Millis, ProbeIx, Reading, Refusal};
use crate::rfc3339;
use crate::settings::garden::Garden;
use crate::store::{BookLine, Store};

/// Unacknowledged messages that are committed at once: brokers stop after 20 by default.
const UNACKNOWLEDGED: usize = 16;
/// Longest time between two turns of the engine.
pub(super) const TURN: Millis = 60_000;
/// Between two looks at the clocks while the time is not known.
pub(super) const LOOK: Millis = 5_000;
/// Waits after a commit that failed: first, longest.
const STORE_RETRY_MS: (Millis, Millis) = (1_000, 60_000);
const HOUR_MS: Millis = 3_600_000;

/// Why a second value for a known moment is refused.
pub(super) fn stands(known: f64, reading: &Reading) -> String {
    format!(
        "{known} is known for this probe at {} already and stands; {} is not taken",
        rfc3339::show(reading.at_ms),
        reading.value
    )
}

/// What is wrong with the store, and when it is tried again.
#[derive(Debug)]
pub(super) struct StoreTrouble {
    pub(super) words: String,
    retry_at_ms: Millis,
    delay_ms: Millis,
}

/// The core of a running daemon.
#[derive(Debug)]
pub(super) struct Core {
    pub(super) garden: Arc<Garden>,
    pub(super) clock: Clock,
    /// Not the driver's: commit delay, turns and retries go by it.
    pub(super) pace: Clock,
    pub(super) store: Store,
    pub(super) engine: Engine,
    pub(super) intake: Intake,
    pub(super) out: Outward,
    pub(super) pulse: Arc<AtomicU64>,
    pub(super) pending: Pending,
    /// Taken from the edges, not yet looked at; bounded by the room the broker task gives.
    pub(super) backlog: VecDeque<Message>,
    pub(super) counts: Counts,
    pub(super) gates: super::flood::Gates,
    /// The time is known, and all that waited for it is handed in.
    pub(super) trusted: bool,
    pub(super) trust: Trust,
    /// Names this boot.
    pub(super) boot: String,
    /// Monotonic time and time since the boot at the last look at the clocks.
    pub(super) looked: (Millis, Millis),
    /// When that was, by the pace clock.
    pub(super) looked_at_ms: Millis,
    /// Day-book lines that wait for the time to be known.
    pub(super) untold: Vec<BookLine>,
    /// Whose nodes are there or gone, until the time is known.
    pub(super) states: BTreeMap<ProbeIx, bool>,
    /// What became of a damaged store, until the engine has heard it.
    pub(super) rescued: Option<String>,
    /// Letters of earlier runs are with the post.
    pub(super) letters_sent: bool,
    /// The latest time given to the engine.
    pub(super) held_ms: Millis,
    /// The latest time known to be right that was given to it, in this run or an earlier one.
    pub(super) told_ms: Millis,
    pub(super) saved_hour: i64,
    pub(super) turned_at_ms: Millis,
    pub(super) broker_words: Option<String>,
    pub(super) mail_words: Option<String>,
    pub(super) store_trouble: Option<StoreTrouble>,
    /// When the store last took something, by the pace clock.
    pub(super) stored_at_ms: Option<Millis>,
    /// What the board said last.
    pub(super) board: Option<Board>,
    /// Letters handed to the post that it has not told of yet.
    pub(super) letters_under_way: usize,
    /// Day-book lines of the last minutes that can be taken back, oldest first.
    pub(super) lines: Vec<super::desk::Entered>,
    /// Addresses whose waiting letters are to be looked through.
    pub(super) asked: Vec<String>,
    pub(super) driver: super::driver::Driver,
    /// At least this often the loop turns.
    pub(super) beat: Duration,
    pub(super) taken: Taken,
    /// By probe: the latest moment given to a reading without a time of its own.
    pub(super) bare_ms: Vec<Millis>,
}

impl Core {
    /// Runs until told to stop; false if something taken could not be stored in the end.
    pub(super) fn run(mut self, inbox: &Receiver<Inward>) -> bool {
        let mut stopping = false;
        while !stopping {
            self.pulse.fetch_add(1, Ordering::Relaxed);
            match inbox.recv_timeout(self.patience()) {
                Ok(inward) => stopping |= self.hear(inward),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => stopping = true,
            }
            while let Ok(inward) = inbox.try_recv() {
                stopping |= self.hear(inward);
            }
            self.step();
        }
        self.finish()
    }

    /// One round, after what came in was heard.
    pub(super) fn step(&mut self) {
        self.take_backlog();
        self.tell_floods();
        self.turn_if_due();
        self.look_through_letters();
        if self.commit_is_due() {
            self.commit();
        }
        self.step_clock();
        self.answer_driver();
    }

    pub(super) fn finish(&mut self) -> bool {
        loop {
            self.take_backlog();
            // While the time is not known the engine was told nothing, and lines may wait for it.
            self.pending.with_state |= self.trusted;
            self.commit();
            if self.store_trouble.is_some() {
                error!(
                    "ending with messages that could not be stored; the broker keeps and sends them again"
                );
                return false;
            }
            if self.backlog.is_empty() {
                return true;
            }
        }
    }

    /// True when it is time to end.
    pub(super) fn hear(&mut self, inward: Inward) -> bool {
        self.see_jump();
        match inward {
            Inward::Broker(Said::Messages(messages)) => self.backlog.extend(messages),
            Inward::Broker(Said::Overheard { topic, payload }) => {
                let at_ms = self.now().ms;
                self.intake.overhear(&topic, &payload, at_ms);
            }
            Inward::Broker(Said::Up) => {
                self.broker_words = None;
                self.judge(Event::Broker(None));
            }
            Inward::Broker(Said::Deaf(words)) => self.broker_words = Some(words),
            Inward::Broker(Said::Down(words)) => {
                self.broker_words = Some(words.clone());
                self.judge(Event::Broker(Some(words)));
            }
            Inward::Post(word) => self.hear_post(word),
            Inward::Night(night) => self.hear_night(&night),
            Inward::Mirrored(cursor) => {
                if let Err(error) = self.store.mirror_done(cursor) {
                    // The rows are sent again, and the server keeps each once.
                    debug!(%error, "the mirror's progress could not be stored");
                }
            }
            Inward::Board(board) => {
                self.board = Some(board);
                self.judge(Event::Board(board));
            }
            Inward::Call(call) => self.answer(call),
            Inward::Stop => return true,
        }
        false
    }

    pub(super) fn take_backlog(&mut self) {
        while !self.pending.is_full() {
            let Some(message) = self.backlog.pop_front() else { return };
            self.take(&message);
        }
    }

    /// One message on its way in.
    fn take(&mut self, message: &Message) {
        self.counts.messages += 1;
        let now = self.now_at(message.arrived_ms);
        let mut taken = std::mem::take(&mut self.taken);
        self.intake.take(&message.topic, &message.payload, now.ms, message.retained, &mut taken);
        if self.is_flood(&mut taken, message) {
            self.taken = taken;
            return;
        }
        self.hear_stamps(message, &taken.readings);
        for reading in taken.readings.drain(..) {
            if self.trusted {
                self.take_reading(reading, message);
            } else {
                // Whoever speaks is there.
                self.states.remove(&reading.probe);
                self.hold(reading, message);
            }
        }
        for (probe, present) in taken.presence.drain(..) {
            self.hear_state(probe, present);
        }
        for (probe, refusal) in taken.refusals.drain(..) {
            self.counts.refused += 1;
            debug!(topic = %refusal.topic, reason = %refusal.reason, "refused");
            let reason = refusal.reason.clone();
            self.pending.batch.refusals.push(refusal);
            if let Some(probe) = probe.filter(|_| self.trusted) {
                let actions = self.engine.handle(Event::Unreadable { probe, reason }, now);
                self.perform(actions, None);
            }
        }
        self.taken = taken;
        self.pending.tickets.extend(message.ticket);
        self.pending.messages += 1;
        self.touch();
    }

    fn take_reading(&mut self, mut reading: Reading, message: &Message) {
        if !reading.own_time {
            if message.again && reading.doubt.is_none() {
                reading.doubt = Some(Doubt::PossibleRepeat);
            }
            self.give_a_moment(&mut reading);
        }
        match self.known_value(&reading) {
            Some(known) if known == reading.value => self.counts.repeats += 1,
            Some(known) => {
                let payload = crate::intake::shown(&message.payload, 200);
                self.refuse(&reading, message.topic.clone(), payload, stands(known, &reading));
            }
            None => {
                self.counts.readings += 1;
                let now = self.now_at(reading.arrived_ms);
                let at = self.pending.add(reading);
                let actions = self.engine.handle(Event::Reading(reading), now);
                self.perform(actions, Some(at));
                let kept = self.pending.batch.readings.get(at);
                self.counts.doubted += u64::from(kept.is_some_and(|reading| reading.doubt.is_some()));
            }
        }
    }

    /// Gives a reading without a time of its own a moment that its probe has not had: what was waiting at
    /// the broker arrives within one millisecond, and each is one of its own all the same.
    pub(super) fn give_a_moment(&mut self, reading: &mut Reading) {
        let place = usize::from(reading.probe.0);
        if self.bare_ms.len() <= place {
            self.bare_ms.resize(place + 1, Millis::MIN);
        }
        reading.at_ms = reading.at_ms.max(self.bare_ms[place].saturating_add(1));
        while self.known_value(reading).is_some() {
            reading.at_ms += 1;
        }
        reading.arrived_ms = reading.arrived_ms.max(reading.at_ms);
        self.bare_ms[place] = reading.at_ms;
    }

    /// The value known for a reading's probe and time, stored or about to be.
    pub(super) fn known_value(&self, reading: &Reading) -> Option<f64> {
        let (probe, at_ms) = (reading.probe, reading.at_ms);
        self.pending.value_at(probe, at_ms).or_else(|| match self.store.value_at(probe, at_ms) {
            Ok(value) => value,
            Err(error) => {
                // Taken as new: the store itself looks again when it keeps the reading.
                debug!(%error, "the store could not be asked for a known reading");
                None
            }
        })
    }

    /// A reading that cannot be taken beside what is known.
    pub(super) fn refuse(&mut self, reading: &Reading, topic: String, payload: String, reason: String) {
        self.counts.refused += 1;
        let probe = self.garden.probe(reading.probe).map(|probe| probe.name.clone());
        let refusal = Refusal { arrived_ms: reading.arrived_ms, topic, payload, probe, reason };
        self.intake.refuse(Some(reading.probe), &refusal);
        self.pending.batch.refusals.push(refusal);
    }

    /// Tells the engine something at the present time, and does what it wants; while that is not known the
    /// engine hears nothing, and what still holds is told it then.
    pub(super) fn judge(&mut self, event: Event) {
        if !self.trusted {
            return;
        }
        let now = self.now();
        let actions = self.engine.handle(event, now);
        self.perform(actions, None);
    }

    /// Puts what the engine wants into the batch; `reading` is the place of the reading it was told of.
    pub(super) fn perform(&mut self, actions: Vec<Action>, reading: Option<usize>) {
        if actions.is_empty() {
            return;
        }
        for action in actions {
            match action {
                Action::Doubt(doubt) => {
                    let slot = reading.and_then(|at| self.pending.batch.readings.get_mut(at));
                    if let Some(kept) = slot {
                        kept.doubt = kept.doubt.or(Some(doubt));
                    }
                }
                Action::Day(day) => self.pending.batch.days.push(*day),
                Action::Late(late) => self.pending.note_late(late),
                Action::Matter(change) => {
                    let (from, to) = (change.from.key(), change.to.key());
                    info!(matter = %change.matter, subject = %change.subject, from, to, why = %change.why, "matter");
                    self.pending.batch.matters.push(*change);
                }
                Action::Overtaken { number, words } => self.overtaken(number, words),
                Action::Letter(draft) => self.word(&draft),
            }
        }
        self.touch();
    }

    pub(super) fn touch(&mut self) {
        if self.pending.since_ms.is_none() {
            self.pending.since_ms = Some(self.pace.mono_ms());
        }
    }

    /// The present for the engine; never earlier than it was told before.
    pub(super) fn now(&mut self) -> Now {
        let wall_ms = self.clock.wall_ms();
        self.now_at(wall_ms)
    }

    fn now_at(&mut self, ms: Millis) -> Now {
        self.held_ms = self.held_ms.max(ms);
        if self.trusted {
            self.told_ms = self.held_ms;
        }
        Now { ms: self.held_ms, trusted: self.trusted }
    }

    fn hour_turned(&self) -> bool {
        self.trusted && self.held_ms.div_euclid(HOUR_MS) > self.saved_hour
    }

    /// How long the loop may wait for the next thing.
    pub(super) fn patience(&self) -> Duration {
        if !self.backlog.is_empty() && self.store_trouble.is_none() {
            return Duration::ZERO;
        }
        let pace_ms = self.pace.mono_ms();
        let mut due_ms = self.turned_at_ms + TURN;
        if !self.trusted {
            due_ms = due_ms.min(self.looked_at_ms + LOOK);
        }
        if let Some(trouble) = &self.store_trouble {
            due_ms = due_ms.min(trouble.retry_at_ms);
        } else if let Some(since_ms) = self.pending.since_ms {
            due_ms = due_ms.min(since_ms + self.commit_delay_ms());
        }
        if self.driver.is_stepping() {
            due_ms = due_ms.min(pace_ms + 10);
        }
        let wait_ms = u64::try_from(due_ms - pace_ms).unwrap_or(0);
        Duration::from_millis(wait_ms).min(self.beat)
    }

    fn commit_delay_ms(&self) -> Millis {
        self.driver.commit_delay_ms().unwrap_or(i64::from(self.garden.commit_delay_s) * 1000)
    }

    fn commit_is_due(&self) -> bool {
        let pace_ms = self.pace.mono_ms();
        if let Some(trouble) = &self.store_trouble {
            return pace_ms >= trouble.retry_at_ms;
        }
        let delayed = self.pending.since_ms.is_some_and(|since| pace_ms - since >= self.commit_delay_ms());
        self.pending.urgent
            || self.pending.tickets.len() >= UNACKNOWLEDGED
            || self.pending.is_full()
            || delayed
            || self.hour_turned()
            || self.driver.wants_commit(self.counts.messages)
    }

    /// One transaction, then everything that waited for it.
    pub(super) fn commit(&mut self) {
        let now = self.now();
        let hour = now.ms.div_euclid(HOUR_MS);
        let seal = self.hour_turned();
        if seal {
            self.pending.with_state = true;
            self.pending.batch.seal = true;
        }
        self.driver.commit_tried();
        if self.pending.is_empty() {
            return;
        }
        if self.pending.with_state {
            // Anew at each attempt: it must know every reading of the batch.
            self.pending.set_state(self.engine.save());
        }
        if self.trust.has_new_words() || self.pending.with_state {
            self.pending.batch.clock = self.trust.note(&self.boot);
        }
        self.pending.batch.now_ms = now.ms;
        match self.store.commit(&self.pending.batch) {
            Ok(committed) => {
                debug!(readings = committed.fresh, sealed = committed.sealed, "committed");
                self.stored_at_ms = Some(self.pace.mono_ms());
                if seal {
                    self.saved_hour = hour;
                }
                self.committed();
            }
            Err(error) => {
                self.mark_damage(&error);
                self.commit_failed(&error.to_string());
            }
        }
    }

    fn committed(&mut self) {
        self.counts.commits += 1;
        self.counts.settled += self.pending.messages;
        let tickets = std::mem::take(&mut self.pending.tickets);
        if !tickets.is_empty() {
            // The broker task is gone only when we end.
            let _ = self.out.stored.send(tickets);
        }
        self.post_letters();
        for waiting in self.pending.waiting.drain(..) {
            let _ = waiting.answer.send(crate::local::Answer::Done { words: waiting.words });
        }
        self.pending.clear();
        if self.store_trouble.take().is_some() {
            info!("the store can be written again");
            self.judge(Event::Store(None));
        }
    }

    fn commit_failed(&mut self, words: &str) {
        let pace_ms = self.pace.mono_ms();
        let known = self.store_trouble.as_ref().map(|trouble| (trouble.words.clone(), trouble.delay_ms));
        let delay_ms = known.as_ref().map_or(STORE_RETRY_MS.0, |(_, last)| (last * 2).min(STORE_RETRY_MS.1));
        self.store_trouble =
            Some(StoreTrouble { words: words.to_owned(), retry_at_ms: pace_ms + delay_ms, delay_ms });
        for waiting in self.pending.waiting.drain(..) {
            let words =
                format!("taken, and stored as soon as that is possible; do not enter it again. {words}");
            let _ = waiting.answer.send(crate::local::Answer::Refused { words });
        }
        if known.is_none_or(|(last, _)| last != words) {
            error!("{words}");
            self.judge(Event::Store(Some(words.to_owned())));
        }
    }
}
