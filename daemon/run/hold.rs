//! While the time is not known: what comes is stored apart and acknowledged, and nothing reaches the engine.
//! Once it is known all of it is handed in under its true time, before anything else is judged.
//!
//! A kill on the way loses nothing: each slice leaves the waiting rows in the transaction that keeps it as
//! readings, with the engine's state that knows them.

use tracing::{info, warn};

use super::core::{Core, LOOK, TURN, stands};
use super::trust::{Look, Turned};
use crate::broker::Message;
use crate::daybook;
use crate::engine::{Event, Now};
use crate::intake;
use crate::record::{Doubt, Millis, ProbeIx, Reading, TimeSource};
use crate::store::{BookLine, Came, KeptTimeless, Timeless};

/// Waiting rows handed in with one transaction.
const SLICE: u32 = 2_000;
/// The clock may run this far behind what the engine was told last without being set back.
const HELD_MS: Millis = 600_000;
/// Nodes whose time parts from ours by more are followed (judgement).
const FOLLOWED_MS: u64 = 10_000;
const HOUR_MS: Millis = 3_600_000;
/// What is said of the broker before anything is known of it.
pub(super) const NOT_YET: &str = "not connected yet";

#[cfg(test)]
mod tests;

impl Core {
    /// Lets the engine take its turns, and looks at the clocks, when it is time for either.
    pub(super) fn turn_if_due(&mut self) {
        let pace_ms = self.pace.mono_ms();
        if !self.trusted && pace_ms - self.looked_at_ms >= LOOK {
            self.looked_at_ms = pace_ms;
            self.look_at_clock();
        }
        if pace_ms - self.turned_at_ms < TURN {
            return;
        }
        self.turned_at_ms = pace_ms;
        if self.trusted {
            self.look_at_clock();
        }
        self.judge(Event::Turn);
    }

    /// Looks at the clocks anew if the system clock has parted from the monotonic one: nothing that came
    /// after a jump may be taken under its time.
    pub(super) fn see_jump(&mut self) {
        let (mono_ms, boot_ms) = self.looked;
        let about_boot_ms = boot_ms + self.clock.mono_ms() - mono_ms;
        if self.trust.jump_ms(self.clock.system_ms(), about_boot_ms).is_some() {
            self.look_at_clock();
        }
    }

    /// Looks at the clocks and does what follows.
    pub(super) fn look_at_clock(&mut self) {
        let boot_ms = self.since_boot_ms();
        self.looked = (self.clock.mono_ms(), boot_ms);
        let evidence = self.clock.evidence(&self.garden.clock);
        let turned = self.trust.look(Look { wall_ms: self.clock.system_ms(), boot_ms, evidence });
        match turned {
            Turned::Same => {}
            Turned::Known(source) => info!("the time is known: {}", source.words()),
            Turned::Stepped(ms) => {
                info!(seconds = ms / 1000, "the clock was set");
                self.take_up_time();
            }
            Turned::Lost(ms) => {
                warn!(
                    seconds = ms / 1000,
                    "the clock has jumped, and nothing says that it is right: what comes waits until it is"
                );
                self.trusted = false;
                self.intake.trust_clock(false);
            }
        }
        if self.trust.is_unnoted() {
            self.note_clock();
        }
        self.set_base(turned, boot_ms);
        if self.trust.source().is_some() && !self.trusted {
            self.come_to_know(boot_ms);
        }
        self.clock.want_service(!self.trusted);
    }

    /// A later run of this boot must know how the clocks stood to each other, and which words count no more.
    pub(super) fn note_clock(&mut self) {
        self.pending.batch.clock = self.trust.note(&self.boot);
        self.pending.urgent = true;
        self.touch();
    }

    /// Our time is the system clock's, or that of the nodes, who are followed as their clocks are set.
    fn set_base(&mut self, turned: Turned, boot_ms: Millis) {
        let new = turned != Turned::Same;
        match (self.trust.source(), self.trust.nodes_ms(boot_ms)) {
            (Some(TimeSource::Nodes), Some(nodes_ms))
                if new || nodes_ms.abs_diff(self.clock.wall_ms()) > FOLLOWED_MS =>
            {
                self.clock.go_by(Some(nodes_ms));
            }
            (Some(TimeSource::Nodes), _) => {}
            _ if matches!(turned, Turned::Known(_)) => {
                self.clock.go_by(None);
                if self.trusted {
                    self.take_up_time();
                }
            }
            _ => {}
        }
    }

    pub(super) fn since_boot_ms(&self) -> Millis {
        self.clock.boot_ms().unwrap_or_else(|| self.clock.mono_ms())
    }

    /// Goes by the clock as it stands now: moments held from before would stand still for long, or run ahead.
    fn take_up_time(&mut self) {
        let now_ms = self.clock.wall_ms();
        let ahead_ms = self.told_ms.saturating_sub(now_ms);
        self.held_ms = if (0..HELD_MS).contains(&ahead_ms) { self.told_ms } else { now_ms };
        self.saved_hour = self.saved_hour.min(self.held_ms.div_euclid(HOUR_MS));
        for moment in &mut self.bare_ms {
            *moment = (*moment).min(now_ms);
        }
    }

    /// The time is known: all that waited for it is handed in. If the store fails, the next look goes on.
    fn come_to_know(&mut self, boot_ms: Millis) {
        self.commit();
        if self.store_trouble.is_some() {
            return;
        }
        self.take_up_time();
        self.saved_hour = self.held_ms.div_euclid(HOUR_MS);
        self.intake.trust_clock(true);
        let offset_ms = self.clock.wall_ms() - boot_ms;
        self.tell_untold();
        let mut after = 0;
        loop {
            let rows = match self.store.timeless(after, SLICE) {
                Ok(rows) => rows,
                Err(error) => {
                    warn!(%error, "what waited for the time could not be read; it waits on");
                    self.intake.trust_clock(false);
                    return;
                }
            };
            let Some(last) = rows.last() else { break };
            after = last.id;
            info!(count = rows.len(), "what came while the time was not known is handed in");
            for row in rows {
                self.hand_in(row, offset_ms);
            }
            self.pending.with_state = true;
            self.commit();
            if self.store_trouble.is_some() {
                self.intake.trust_clock(false);
                return;
            }
        }
        self.trusted = true;
        self.tell_what_waited();
    }

    /// Lines entered while no daemon ran. Before any state is saved: it counts all lines of the day book as known.
    fn tell_untold(&mut self) {
        let now = self.now();
        for line in std::mem::take(&mut self.untold) {
            self.tell_line(&line, now);
            self.pending.with_state = true;
            self.pending.urgent = true;
        }
    }

    /// A node is there or gone. The broker may never say it again, so it is saved before it is acknowledged; while the
    /// time is not known it waits with all else that the engine is not told.
    pub(super) fn hear_state(&mut self, probe: ProbeIx, present: bool) {
        if self.trusted {
            self.judge(Event::Presence { probe, present });
            self.pending.with_state = true;
        } else {
            self.states.insert(probe, present);
        }
    }

    /// The engine hears what else was kept from it.
    fn tell_what_waited(&mut self) {
        for (probe, present) in std::mem::take(&mut self.states) {
            self.hear_state(probe, present);
        }
        if let Some(words) = self.rescued.take() {
            self.judge(Event::Store(Some(words)));
            self.pending.with_state = true;
            self.pending.urgent = true;
        }
        let broker = self.broker_words.clone();
        if broker.as_deref() != Some(NOT_YET) {
            self.judge(Event::Broker(broker));
        }
        if let Some(words) = self.mail_words.clone() {
            self.judge(Event::Post(Some(words)));
        }
        self.send_waiting_letters();
    }

    /// Keeps a reading apart until the time is known.
    pub(super) fn hold(&mut self, mut reading: Reading, message: &Message) {
        reading.doubt = reading.doubt.filter(|doubt| reading.own_time || *doubt != Doubt::ClockUnsure);
        if message.again && !reading.own_time {
            reading.doubt = reading.doubt.or(Some(Doubt::PossibleRepeat));
        }
        self.counts.readings += 1;
        self.counts.doubted += u64::from(reading.doubt.is_some());
        // The arrival that intake went by: after a step back it is not that of the system clock, and a reading's place
        // before its arrival is taken from here when it is handed in.
        let came = self.timeless(reading.arrived_ms, Came::Reading(reading));
        self.pending.batch.timeless.push(came);
    }

    pub(super) fn timeless(&self, wall_ms: Millis, what: Came) -> Timeless {
        Timeless { boot: self.boot.clone(), boot_ms: self.since_boot_ms(), wall_ms, what }
    }

    /// Takes note of the nodes' own times, as long as they may be needed.
    pub(super) fn hear_stamps(&mut self, message: &Message, readings: &[Reading]) {
        if message.retained || !self.trust.wants_nodes() {
            return;
        }
        let own = readings.iter().filter(|reading| reading.own_time);
        let Some(stamp_ms) = own.clone().map(|reading| reading.at_ms).max() else { return };
        let kinds = own
            .filter_map(|reading| self.garden.probe(reading.probe))
            .fold(0, |kinds, probe| kinds | 1 << (probe.quantity as u32));
        let boot_ms = self.since_boot_ms();
        self.trust.hear(&message.topic, kinds, stamp_ms, boot_ms);
    }

    /// `offset_ms`: our time minus time since the boot.
    fn hand_in(&mut self, row: KeptTimeless, offset_ms: Millis) {
        let KeptTimeless { id, came: Timeless { boot, boot_ms, wall_ms, what } } = row;
        self.pending.batch.released.push(id);
        let arrived_ms = (boot == self.boot).then_some(boot_ms + offset_ms);
        match (what, arrived_ms) {
            (Came::Reading(reading), Some(arrived_ms)) => self.hand_in_reading(reading, arrived_ms),
            (Came::Reading(reading), None) => self.hand_in_lost(reading),
            (Came::Line { words, happened_ms, key }, Some(arrived_ms)) => {
                let happened_ms = arrived_ms - (wall_ms - happened_ms).max(0);
                let entered_ms = arrived_ms;
                let line = BookLine { happened_ms, entered_ms, words, key, ..BookLine::default() };
                self.tell_line(&line, Now { ms: arrived_ms, trusted: false });
                self.pending.batch.entries.push(line);
            }
            (Came::Line { words, happened_ms, key }, None) => {
                let (entered_ms, clock_unsure) = (wall_ms, true);
                let line = BookLine { happened_ms, entered_ms, words, clock_unsure, key, struck_ms: None };
                warn!(line = %line.words, "the time of a day-book line was never known: kept and marked");
                self.pending.batch.entries.push(line);
            }
        }
    }

    fn tell_line(&mut self, line: &BookLine, now: Now) {
        match daybook::parse(&line.words, &self.garden) {
            Ok(entry) => {
                let event = Event::Entry { entry, happened_ms: line.happened_ms };
                let actions = self.engine.handle(event, now);
                self.perform(actions, None);
            }
            Err(error) => warn!(line = %line.words, %error, "a day-book line no longer fits the settings"),
        }
    }

    /// A reading of this boot, its arrival known now.
    fn hand_in_reading(&mut self, mut reading: Reading, arrived_ms: Millis) {
        let held_ms = std::mem::replace(&mut reading.arrived_ms, arrived_ms);
        if reading.own_time {
            match intake::weigh(reading.at_ms, arrived_ms) {
                Ok(doubt) => reading.doubt = reading.doubt.or(doubt),
                Err(reason) => return self.refuse_held(&reading, reason),
            }
        } else {
            // A SenML record may lie a little before its arrival.
            reading.at_ms = arrived_ms + (reading.at_ms - held_ms);
            self.give_a_moment(&mut reading);
        }
        self.keep_held(reading);
    }

    /// A reading of a boot that never knew the time. Its own time is as good as ever; without one it stays
    /// marked for good.
    fn hand_in_lost(&mut self, mut reading: Reading) {
        if reading.own_time {
            reading.arrived_ms = reading.at_ms;
        } else {
            reading.doubt = Some(Doubt::ClockUnsure);
            while self.known_value(&reading).is_some() {
                reading.at_ms += 1;
            }
            reading.arrived_ms = reading.at_ms;
        }
        self.keep_held(reading);
    }

    fn keep_held(&mut self, reading: Reading) {
        match self.known_value(&reading) {
            Some(known) if known == reading.value => self.counts.repeats += 1,
            Some(known) => self.refuse_held(&reading, stands(known, &reading)),
            None => {
                let at = self.pending.add(reading);
                if reading.doubt != Some(Doubt::ClockUnsure) {
                    let now = Now { ms: reading.arrived_ms, trusted: false };
                    let actions = self.engine.handle(Event::Reading(reading), now);
                    self.perform(actions, Some(at));
                }
            }
        }
    }

    fn refuse_held(&mut self, reading: &Reading, reason: String) {
        let topic = self.garden.probe(reading.probe).map(|probe| probe.topic.clone()).unwrap_or_default();
        self.refuse(reading, topic, reading.value.to_string(), reason);
    }

    /// The time and where it comes from, in a few words.
    pub(super) fn clock_words(&self) -> String {
        if let (true, Some(source)) = (self.trusted, self.trust.source()) {
            return source.words().to_owned();
        }
        let waiting =
            self.store.reader().timeless_count().unwrap_or(0) + self.pending.batch.timeless.len() as u64;
        format!(
            "not known: nothing in this boot says that the clock is right. Nothing is closed or told until \
             something does; {waiting} readings and lines wait for it and get their true time then"
        )
    }
}
