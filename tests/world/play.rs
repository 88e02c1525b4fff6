//! A story lived through by the real core: intake, engine, store and letters, with a made world around it.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use rindwatch::broker::{Message, Said};
use rindwatch::clock::Hands;
use rindwatch::local::{Answer, Request};
use rindwatch::record::{ClockWord, Millis, PostWord, TimeSource};
use rindwatch::run::{Inward, Stepped};
use rindwatch::settings::garden::Garden;
use tokio::sync::oneshot::Receiver;

use super::broker::{Broker, Sent};
use super::card::Card;
use super::chance::Chance;
use super::garden::{self, DAY, HOUR, PROBES, Weather};
use super::mail::{Mail, Mood};
use super::model::Model;
use super::story::{ROUNDS, Step, Wrong};

/// A fault made on purpose in this world, which the model must see.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The edge acknowledges what it has only handed in.
    AckBeforeCommit,
    /// The card says that it has written, and forgets it with the power.
    CardForgets,
    /// What came of a letter is not passed on.
    MarkForgotten,
    /// A letter is sent a second time without a reason.
    Resent,
    /// What comes doubled comes under another time.
    DoubledApart,
    /// The gauge counts each tip twice.
    RainDoubled,
    /// A line is answered with "done" and thrown away.
    LineThrownAway,
    /// The time service says yes although the clock is wrong.
    TimeLies,
}

/// What came of a story.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    pub garden_days: i64,
    pub stored: usize,
    pub letters: usize,
    pub starts: u32,
}

/// Rounds stand at these minutes of the hour, half a minute past.
const ROUND_MS: [Millis; ROUNDS as usize] = [300_000, 1_200_000, 2_100_000, HOUR + 30_000];
/// A reading is made so long after the full hour.
const MEASURED_MS: Millis = 240_000;

pub struct World {
    pub garden: Arc<Garden>,
    pub card: Card,
    pub core: Option<Stepped>,
    pub broker: Broker,
    pub mail: Mail,
    pub model: Model,
    pub weather: Weather,
    pub hands: Arc<Hands>,
    pub true_ms: Millis,
    pub measured_ms: Millis,
    pub held: [bool; PROBES.len()],
    pub kept: [VecDeque<Sent>; PROBES.len()],
    pub doubled: [bool; PROBES.len()],
    pub last: [Option<Sent>; PROBES.len()],
    pub asked: Vec<(String, Receiver<Answer>)>,
    pub lines: u32,
    pub fault: Option<Fault>,
    /// The clock jumped in this boot while no core ran, or none that could note it, and nobody has set it since.
    /// A program that starts anew cannot see that: the last word for the clock looks like one that is merely old.
    pub jumped_unseen: bool,
    /// Nodes are switched off.
    pub quiet: bool,
    pub tally: Tally,
}

/// The day of a garden on which a story begins: any of two years, often near the hour that is left out or
/// comes twice (14 March and 7 November 2027).
fn begins_ms(seed: u64) -> Millis {
    const MARCH_2027_MS: Millis = 1_803_859_200_000;
    let mut chance = Chance::new(seed ^ 0xda11);
    let day = match chance.below(6) {
        0 => 9,
        1 => 247,
        _ => chance.below(700) as i64,
    };
    MARCH_2027_MS + day * DAY
}

impl World {
    pub fn new(seed: u64, fault: Option<Fault>) -> Self {
        let hands = Arc::new(Hands::default());
        let true_ms = begins_ms(seed) + 30_000;
        hands.set_wall(true_ms);
        hands.say(Some(ClockWord { source: TimeSource::Timesyncd, made_ms: Some(true_ms) }));
        let mut world = Self {
            garden: garden::garden(),
            card: Card::new(),
            core: None,
            broker: Broker::default(),
            mail: Mail::default(),
            model: Model::default(),
            weather: Weather::new(seed),
            hands,
            true_ms,
            measured_ms: true_ms + MEASURED_MS - 30_000,
            held: Default::default(),
            kept: Default::default(),
            doubled: Default::default(),
            last: Default::default(),
            asked: Vec::new(),
            lines: 0,
            fault,
            jumped_unseen: false,
            quiet: false,
            tally: Tally::default(),
        };
        world.card.keep_copy();
        world
    }

    /// Lives through a story; what broke, if anything did.
    pub fn live(mut self, story: &[Step]) -> Result<(Self, Tally), String> {
        let began_ms = self.true_ms;
        self.round()?;
        for (at, step) in story.iter().enumerate() {
            self.step(*step).map_err(|broken| format!("step {at} ({step:?}): {broken}"))?;
        }
        self.all_well()?;
        self.model.holds_at_the_end(&self.core, &self.garden, &self.mail, &self.weather, &self.card)?;
        self.tally.garden_days = (self.true_ms - began_ms) / DAY;
        self.tally.stored = self.model.stored;
        self.tally.letters = self.mail.has.len();
        let tally = self.tally;
        Ok((self, tally))
    }

    fn step(&mut self, step: Step) -> Result<(), String> {
        match step {
            Step::Rounds(n) => return (0..n).try_for_each(|_| self.next_round()),
            Step::Hours(n) => return (0..n * ROUNDS).try_for_each(|_| self.next_round()),
            Step::Kill => self.crash(None)?,
            Step::KillUnheard => {
                self.unheard_commit();
                self.crash(None)?;
            }
            Step::Torn(byte) => {
                let before = self.card.read();
                self.unheard_commit();
                self.crash(Some((before, byte)))?;
            }
            Step::End => self.end()?,
            Step::Boot { off_h, clock } => self.boot(off_h, clock)?,
            Step::ClockSet => self.set_clock(),
            Step::ClockJump(hours) => {
                self.hands.wall_ms.fetch_add(i64::from(hours) * HOUR, Ordering::SeqCst);
                // A core that runs sees it in this very step.
                self.jumped_unseen |= self.core.is_none() || !self.card.is_well();
            }
            Step::BrokerAway => {
                self.broker.away = true;
                self.unlink();
            }
            Step::BrokerBack { kept } => self.broker_back(kept),
            Step::Cut => self.unlink(),
            Step::Held(probe) => self.held[probe] = true,
            Step::Freed(probe, order) => self.free(probe, order),
            Step::Doubled(probe) => self.doubled[probe] = true,
            Step::Second(probe) => self.second(probe),
            Step::Garbage(probe) => self.garbage(probe),
            Step::CardFull => self.card.fill(self.core.as_ref()),
            Step::CardLocked => self.card.lock(),
            Step::CardWell => self.card.make_well(self.core.as_ref()),
            Step::MailLater => self.mail.mood = Mood::Later,
            Step::MailNever => self.mail.mood = Mood::Never,
            Step::MailBreaks => self.mail.mood = Mood::TakesAndBreaks,
            Step::MailTakes => self.mail.mood = Mood::Takes,
            Step::Jot(litres) => self.jot(litres),
            Step::Damage(how) => {
                self.gone();
                self.card.crash(&mut self.core, None, false);
                self.card.damage(how);
                self.model.damaged();
                self.broker.tell_held(&mut self.model);
                self.start()?;
            }
        }
        self.edges()?;
        self.core.as_mut().map_or(Ok(()), |core| self.model.status_is_right(core))
    }

    /// Time goes by to the next round, and it is made.
    pub fn next_round(&mut self) -> Result<(), String> {
        let hour_ms = (self.true_ms - 30_001).div_euclid(HOUR) * HOUR;
        let next = ROUND_MS.iter().map(|round| hour_ms + round).find(|at| *at > self.true_ms);
        self.pass_to(next.unwrap_or(hour_ms + HOUR + ROUND_MS[0]));
        self.round()
    }

    fn pass_to(&mut self, to_ms: Millis) {
        while self.measured_ms <= to_ms {
            self.pass(self.measured_ms - self.true_ms);
            self.measure();
            self.measured_ms += HOUR;
        }
        self.pass(to_ms - self.true_ms);
    }

    fn pass(&mut self, ms: Millis) {
        self.hands.pass(ms.max(0));
        self.true_ms += ms.max(0);
    }

    fn jot(&mut self, litres: u32) {
        self.lines += 1;
        let words = match litres {
            0 => format!("note line {}", self.lines),
            // The figures behind the point name the line.
            _ => format!("watered long {litres}.{:04}1 L", self.lines),
        };
        let Some(core) = self.core.as_mut() else { return };
        if litres > 0 {
            self.weather.pour_mm(f64::from(litres) / 7.0);
        }
        if self.fault == Some(Fault::LineThrownAway) {
            self.model.answered(&words, &Answer::Done { words: words.clone() });
            return;
        }
        self.model.asked(&words);
        self.asked.push((words.clone(), core.ask(Request::Jot { words })));
    }

    /// One round of everything.
    fn round(&mut self) -> Result<(), String> {
        if self.core.is_none() {
            self.start()?;
        }
        self.edges()?;
        if let Some(core) = self.core.as_mut() {
            core.step();
        }
        self.edges()?;
        for word in self.mail.carry() {
            if self.fault == Some(Fault::MarkForgotten) {
                continue;
            }
            if let (PostWord::Accepted { number } | PostWord::Refused { number, .. }, false) =
                (&word, self.card.is_well())
            {
                // A fate that cannot be written down is asked for again after the next start.
                *self.mail.unwritten.entry(*number).or_default() += 1;
            }
            if let Some(core) = self.core.as_mut() {
                core.hear(Inward::Post(word));
            }
        }
        if self.fault == Some(Fault::Resent) {
            self.mail.has.values_mut().for_each(|(_, times)| *times += 1);
        }
        self.card.heal(self.core.as_ref());
        self.model.holds_now(&self.core, self.true_ms)
    }

    /// Everything that stands between the core and the world, until nothing moves any more.
    fn edges(&mut self) -> Result<(), String> {
        let Some(mut core) = self.core.take() else { return Ok(()) };
        let done = self.edges_of(&mut core);
        self.core = Some(core);
        done
    }

    fn edges_of(&mut self, core: &mut Stepped) -> Result<(), String> {
        if !self.broker.away && !self.broker.is_linked() {
            let again = self.broker.link();
            core.hear(Inward::Broker(Said::Up));
            hand_in(core, again);
        }
        loop {
            for ticket in core.acknowledged() {
                if let Some(sent) = self.broker.acknowledge(ticket) {
                    self.model.acknowledged(core, &sent)?;
                }
            }
            let letters = core.letters();
            // What a full card held back is told when it can be.
            let now_ms = self.card.is_well().then_some(self.true_ms);
            for letter in &letters {
                self.model.handed(core, letter, now_ms)?;
            }
            self.mail.bring(letters);
            let messages = self.broker.deliver();
            if self.fault == Some(Fault::AckBeforeCommit) {
                for ticket in self.broker.tickets() {
                    let sent = self.broker.acknowledge(ticket).ok_or("no such ticket")?;
                    self.model.acknowledged(core, &sent)?;
                }
            }
            if messages.is_empty() {
                break;
            }
            hand_in(core, messages);
            core.step();
        }
        self.asked.retain_mut(|(words, answer)| match answer.try_recv() {
            Ok(answer) => {
                self.model.answered(words, &answer);
                false
            }
            Err(_) => true,
        });
        Ok(())
    }

    fn unlink(&mut self) {
        if self.broker.is_linked() {
            self.broker.unlink();
            if let Some(core) = self.core.as_mut() {
                core.hear(Inward::Broker(Said::Down("the connection broke".to_owned())));
            }
        }
    }

    fn broker_back(&mut self, kept: bool) {
        if !self.broker.away {
            return;
        }
        self.broker.away = false;
        if !kept {
            for sent in self.broker.lose_session() {
                self.model.lost_by_broker(&sent);
            }
        }
    }

    /// What was taken is committed, and nobody hears of it.
    fn unheard_commit(&mut self) {
        self.pass(61_000);
        if let Some(core) = self.core.as_mut() {
            core.step();
        }
    }

    /// The program is gone as it stands; `torn`: what the card held before the last commit, and how much of
    /// that reached it.
    fn crash(&mut self, torn: Option<(super::card::Files, u32)>) -> Result<(), String> {
        self.gone();
        let forgets = self.fault == Some(Fault::CardForgets);
        self.card.crash(&mut self.core, torn, forgets);
        self.start()
    }

    fn gone(&mut self) {
        self.broker.unlink();
        self.mail.forget();
        self.asked.clear();
    }

    fn end(&mut self) -> Result<(), String> {
        let Some(mut core) = self.core.take() else { return self.start() };
        core.hear(Inward::Stop);
        core.finish();
        self.edges_of(&mut core)?;
        drop(core);
        self.gone();
        self.start()
    }

    fn boot(&mut self, off_h: u32, clock: Wrong) -> Result<(), String> {
        self.gone();
        self.card.crash(&mut self.core, None, false);
        let gone_ms = self.true_ms;
        self.pass_to(gone_ms + i64::from(off_h) * HOUR);
        self.hands.boot.fetch_add(1, Ordering::SeqCst);
        self.hands.mono_ms.store(0, Ordering::SeqCst);
        self.jumped_unseen = false;
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

    fn set_clock(&mut self) {
        self.jumped_unseen = false;
        self.hands.set_wall(self.true_ms);
        self.hands.say(Some(ClockWord { source: TimeSource::Timesyncd, made_ms: Some(self.true_ms) }));
    }

    fn start(&mut self) -> Result<(), String> {
        self.tally.starts += 1;
        self.card.unlock();
        self.model.started(self.true_ms);
        if self.jumped_unseen {
            self.set_clock();
        }
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

    /// Everybody is well again, and the last of it comes home.
    fn all_well(&mut self) -> Result<(), String> {
        self.card.make_well(self.core.as_ref());
        self.set_clock();
        self.broker_back(true);
        self.mail.mood = Mood::Takes;
        for probe in 0..PROBES.len() {
            self.free(probe, 0);
        }
        (0..6 * ROUNDS).try_for_each(|_| self.next_round())?;
        // Nothing new, until every hour is sealed.
        self.quiet = true;
        (0..3 * ROUNDS).try_for_each(|_| self.next_round())?;
        if !self.broker.is_empty() || !self.mail.is_idle() {
            return Err("messages or letters are still on their way when all has been well for hours".into());
        }
        Ok(())
    }
}

/// Messages arrive at the core, stamped by its clock.
fn hand_in(core: &mut Stepped, mut messages: Vec<Message>) {
    if messages.is_empty() {
        return;
    }
    let arrived_ms = core.wall_ms();
    messages.iter_mut().for_each(|message| message.arrived_ms = arrived_ms);
    core.hear(Inward::Broker(Said::Messages(messages)));
}
