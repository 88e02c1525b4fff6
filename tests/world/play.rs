//! A story lived through by the real core: intake, engine, store and letters, with a made world around it.

use std::collections::VecDeque;
use std::sync::Arc;

use rindwatch::broker::{Message, Said};
use rindwatch::clock::Hands;
use rindwatch::local::{Answer, Request, When};
use rindwatch::mail::post::Errand;
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
use super::planted::Fault;
use super::story::{ROUNDS, Step};

/// What came of a story.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    pub garden_days: i64,
    pub stored: usize,
    pub letters: usize,
    /// Closed days that a clean replay made alike in every figure.
    pub replayed: usize,
    pub starts: u32,
}

impl Tally {
    pub fn add(&mut self, other: Self) {
        self.garden_days += other.garden_days;
        self.stored += other.stored;
        self.letters += other.letters;
        self.replayed += other.replayed;
        self.starts += other.starts;
    }
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
    /// It was made.
    pub planted: bool,
    /// Readings of a boot that never knew the time were kept: when they arrived is not known any more.
    pub lost_arrivals: bool,
    /// A start or a jump before the garden's first state was saved.
    pub disturbed: bool,
    /// When the story began.
    pub began_ms: Millis,
    /// The clock jumped in this boot while nothing could be written down of it, and nobody has set it since. A program
    /// that starts anew cannot see that: the last word for the clock looks like one that is merely old.
    pub jumped_unseen: bool,
    /// It jumped, and nobody has set it since.
    pub jumped: bool,
    /// Words for the clock so far: no two are given at the same moment.
    pub words: i64,
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
            planted: false,
            lost_arrivals: false,
            disturbed: false,
            began_ms: true_ms,
            jumped_unseen: false,
            jumped: false,
            words: 0,
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
        if !self.model.is_damaged() {
            self.tally.replayed = self.days_are_right(began_ms)?;
        }
        self.tally.garden_days = (self.true_ms - began_ms) / DAY;
        self.tally.stored = self.model.stored;
        self.tally.letters = self.mail.has.len();
        let tally = self.tally;
        Ok((self, tally))
    }

    fn step(&mut self, step: Step) -> Result<(), String> {
        match step {
            Step::Rounds(n) => return (0..n).try_for_each(|_| self.next_round()),
            Step::Hours(n) => return self.hours(n),
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
                self.jump(hours);
            }
            Step::KillJump(hours) => {
                self.gone();
                self.card.crash(&mut self.core, None, false);
                self.jump(hours);
                self.start()?;
            }
            Step::KillSent => {
                self.mail.carry_unheard();
                self.crash(None)?;
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
            Step::CardReadOnly => self.card.fix(self.core.as_ref()),
            Step::CardWell => self.card.make_well(self.core.as_ref()),
            Step::MailLater => self.mail.mood = Mood::Later,
            Step::MailSlow => self.mail.mood = Mood::Slow,
            Step::MailNever => self.mail.mood = Mood::Never,
            Step::MailBreaks => self.mail.mood = Mood::TakesAndBreaks,
            Step::MailTakes => self.mail.mood = Mood::Takes,
            Step::Jot(litres) => self.jot(litres),
            Step::Damage(how) => {
                self.gone();
                self.card.crash(&mut self.core, None, false);
                self.card.damage(how);
                self.model.damaged();
                // What was noted of the clock may be gone with the rest.
                self.jumped_unseen |= self.jumped;
                self.broker.tell_held(&mut self.model);
                self.start()?;
            }
        }
        self.edges()?;
        self.core.as_mut().map_or(Ok(()), |core| self.model.status_is_right(core))
    }

    /// Hours go by. In the middle of many two rounds an hour are enough: one as it turns, one after the readings.
    fn hours(&mut self, n: u32) -> Result<(), String> {
        let (from_ms, to_ms) = (self.true_ms, self.true_ms + i64::from(n) * HOUR);
        while self.true_ms < to_ms {
            let calm = self.true_ms - from_ms >= HOUR && to_ms - self.true_ms > HOUR;
            let rounds = if calm { &[ROUND_MS[0], ROUND_MS[3]][..] } else { &ROUND_MS };
            self.round_of(rounds)?;
        }
        Ok(())
    }

    /// Time goes by to the next round, and it is made.
    pub fn next_round(&mut self) -> Result<(), String> {
        self.round_of(&ROUND_MS)
    }

    fn round_of(&mut self, rounds: &[Millis]) -> Result<(), String> {
        let hour_ms = (self.true_ms - 30_001).div_euclid(HOUR) * HOUR;
        let next = rounds.iter().map(|round| hour_ms + round).find(|at| *at > self.true_ms);
        self.pass_to(next.unwrap_or(hour_ms + HOUR + ROUND_MS[0]));
        self.round()
    }

    pub fn pass_to(&mut self, to_ms: Millis) {
        while self.measured_ms <= to_ms {
            self.pass(self.measured_ms - self.true_ms);
            self.measure();
            self.measured_ms += HOUR;
        }
        self.pass(to_ms - self.true_ms);
    }

    pub fn pass(&mut self, ms: Millis) {
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
            // Whether the book had begun by then is a matter of moments.
            self.disturbed |= self.true_ms - self.began_ms < 3 * HOUR;
            self.weather.pour_mm(f64::from(litres) / 7.0);
        }
        if self.fault == Some(Fault::LineThrownAway) {
            self.model.answered(&words, &Answer::Done { words: words.clone() });
            return;
        }
        self.model.asked(&words);
        self.asked
            .push((words.clone(), core.ask(Request::Jot { words, when: When::Now, key: None, sure: true })));
    }

    /// One round of everything.
    pub fn round(&mut self) -> Result<(), String> {
        if self.core.is_none() {
            self.start()?;
        }
        self.edges()?;
        if let Some(core) = self.core.as_mut() {
            core.step();
        }
        self.edges()?;
        self.plant();
        for word in self.mail.carry() {
            if self.fault == Some(Fault::MarkForgotten) {
                continue;
            }
            if let (PostWord::Accepted { number } | PostWord::Refused { number, .. }, false) =
                (&word, self.card.is_well())
            {
                self.mail.unwritten.insert(*number);
            }
            if let Some(core) = self.core.as_mut() {
                core.hear(Inward::Post(word));
            }
        }
        if self.fault == Some(Fault::Resent) {
            self.mail.has.values_mut().for_each(|(_, times)| *times += 1);
        }
        self.card.heal(self.core.as_ref());
        self.see_fates()?;
        self.mail.heard_in_vain += u32::try_from(self.mail.unwritten.len()).unwrap_or(u32::MAX);
        self.model.holds_now(&self.core, self.true_ms)
    }

    /// Which fates are in the store by now.
    pub fn see_fates(&mut self) -> Result<(), String> {
        if let (Some(core), false) = (&self.core, self.mail.unwritten.is_empty()) {
            let waiting = core.store().reader().letters_waiting().map_err(|error| error.to_string())?;
            self.mail.unwritten.retain(|number| waiting.iter().any(|letter| letter.number == *number));
            if let (true, Some(number)) = (self.card.is_well(), self.mail.unwritten.first()) {
                return Err(format!(
                    "the fate of letter {number} is not down although the card takes writes"
                ));
            }
        }
        Ok(())
    }

    /// Everything that stands between the core and the world, until nothing moves any more.
    pub fn edges(&mut self) -> Result<(), String> {
        let Some(mut core) = self.core.take() else { return Ok(()) };
        let done = self.edges_of(&mut core);
        self.core = Some(core);
        done
    }

    pub fn edges_of(&mut self, core: &mut Stepped) -> Result<(), String> {
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
            // What a full card held back is told when it can be.
            let now_ms = self.card.is_well().then_some(self.true_ms);
            for errand in core.errands() {
                if let Errand::Carry(letter) | Errand::Held { letter, .. } = &errand {
                    self.model.handed(core, letter, now_ms)?;
                }
                self.model.none_leaves_before_fates(core, &errand, &self.mail)?;
                self.mail.bring(errand);
            }
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
