//! The program's ends and starts, with and without power, and what becomes of the clock meanwhile.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use rindwatch::record::{ClockWord, TimeSource};
use rindwatch::run::{Inward, Stepped};

use super::card::Files;
use super::garden::{DAY, HOUR};
use super::planted::Fault;
use super::play::World;
use super::story::Wrong;

impl World {
    /// What the program knew of the clock lately is on the card: how it stood in this boot, and its last word.
    fn can_note(&self) -> bool {
        let boot = format!("scripted-{} ", self.hands.boot.load(Ordering::SeqCst));
        self.card.is_well() && self.card.clock_note().is_some_and(|note| note.starts_with(&boot))
    }

    /// The system clock is another all of a sudden.
    pub fn jump(&mut self, hours: i32) {
        self.hands.wall_ms.fetch_add(i64::from(hours) * HOUR, Ordering::SeqCst);
        self.jumped = true;
        self.disturbed |= self.true_ms - self.began_ms < 3 * HOUR;
        self.jumped_unseen |= !self.can_note();
    }

    /// What was taken is committed, and nobody hears of it.
    pub fn unheard_commit(&mut self) {
        self.pass(61_000);
        if let Some(core) = self.core.as_mut() {
            core.step();
        }
    }

    /// The program is gone as it stands; `torn`: what the card held before the last commit, and how much of
    /// that reached it.
    pub fn crash(&mut self, torn: Option<(Files, u32)>) -> Result<(), String> {
        self.gone();
        let forgets = self.fault == Some(Fault::CardForgets);
        self.card.crash(&mut self.core, torn, forgets);
        self.start()
    }

    pub fn gone(&mut self) {
        self.broker.unlink();
        self.mail.forget();
        self.asked.clear();
    }

    pub fn end(&mut self) -> Result<(), String> {
        let Some(mut core) = self.core.take() else { return self.start() };
        core.hear(Inward::Stop);
        core.finish();
        self.edges_of(&mut core)?;
        self.core = Some(core);
        self.see_fates()?;
        self.core = None;
        self.gone();
        self.start()
    }

    pub fn boot(&mut self, off_h: u32, clock: Wrong) -> Result<(), String> {
        let waiting = self.core.as_ref().is_none_or(|core| {
            core.load().batched > 0 || core.store().reader().timeless_count().is_ok_and(|rows| rows > 0)
        });
        self.lost_arrivals |= waiting;
        self.gone();
        self.card.crash(&mut self.core, None, false);
        let gone_ms = self.true_ms;
        self.pass_to(gone_ms + i64::from(off_h) * HOUR);
        self.hands.boot.fetch_add(1, Ordering::SeqCst);
        self.hands.mono_ms.store(0, Ordering::SeqCst);
        (self.jumped, self.jumped_unseen) = (false, false);
        let lies = self.fault == Some(Fault::TimeLies);
        self.hands.say(None);
        match clock {
            Wrong::Right => self.set_clock(),
            Wrong::Past => self.hands.set_wall(gone_ms),
            Wrong::Never => self.hands.set_wall(0),
            Wrong::Ahead => self.hands.set_wall(self.true_ms + DAY),
        }
        if lies {
            let made_ms = Some(self.hands.wall_ms.load(Ordering::SeqCst));
            self.hands.say(Some(ClockWord { source: TimeSource::Timesyncd, made_ms }));
        }
        self.start()
    }

    pub fn set_clock(&mut self) {
        (self.jumped, self.jumped_unseen) = (false, false);
        self.words += 1;
        self.hands.set_wall(self.true_ms);
        let made_ms = Some(self.true_ms + self.words % 1_000);
        self.hands.say(Some(ClockWord { source: TimeSource::Timesyncd, made_ms }));
    }

    pub fn start(&mut self) -> Result<(), String> {
        self.card.unlock();
        self.disturbed |= self.tally.starts > 0 && self.true_ms - self.began_ms < 3 * HOUR;
        self.model.started(self.true_ms);
        if self.jumped_unseen {
            self.set_clock();
        }
        if self.card.is_fixed() {
            return Ok(());
        }
        self.tally.starts += 1;
        match Stepped::open(self.card.folder(), Arc::clone(&self.garden), &self.hands) {
            Ok(core) => {
                self.card.opened(&core);
                self.core = Some(core);
                Ok(())
            }
            // The service manager tries again.
            Err(error) if error.may_pass() => Ok(()),
            Err(error) => Err(format!("it does not start: {error}")),
        }
    }
}
