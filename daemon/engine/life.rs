//! The life of a matter: settled, building, standing, seen, in hand, over; parked until a time.
//!
//! A matter's file says whether it holds and what it would ask; everything that follows from time and
//! answers alone (holding back, telling, repeating, withdrawing) is decided here, the same for all.

use serde::{Deserialize, Serialize};

use crate::record::{Content, Millis, Stand, Telling, Urgency};

use super::calendar::HOUR_MS;

/// A matter is told at most so often until it changes: first, and two repeats (common practice: more is
/// not read).
pub const MOST_TELLINGS: u8 = 3;

/// That it got worse is not told so soon after a letter: whoever read that one is on the way.
const WORSE_AFTER_MS: Millis = 4 * HOUR_MS;

/// How long the soil is given to agree after work was logged.
pub const IN_HAND_MS: Millis = 4 * HOUR_MS;

/// What a matter's file makes of the moment.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// Nothing to do.
    Quiet {
        /// Why, with figures.
        why: String,
        /// Whoever was told should hear that it is no longer needed.
        withdraw: bool,
    },
    /// Something is to be done.
    Claim(Box<Claim>),
    /// Cannot be judged now; stays as it is.
    Unknown,
}

/// What a matter asks for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Claim {
    /// Why, with figures.
    pub why: String,
    /// How soon.
    pub urgency: Urgency,
    /// The deadline.
    pub by_ms: Option<Millis>,
    /// Litres, where water is asked for.
    pub litres: Option<f64>,
    /// Values for the letter; `None` for a note, which gets no letter of its own: its words are `why`.
    pub content: Option<Content>,
    /// Grows when it gets worse by a step; a told matter is told again then.
    pub step: u8,
    /// Must have held this long before it is told.
    pub hold_ms: Millis,
    /// Not to be told before.
    pub tell_ms: Millis,
    /// Not to be repeated before (counted from the last telling).
    pub repeat_after_ms: Millis,
    /// Who is asked: the name of a person.
    pub person: String,
}

impl Claim {
    /// A note: it stands at once, gets no letter of its own, and its words are `why`. `person` may be nobody.
    pub fn note(why: String, person: String, now_ms: Millis) -> Self {
        Self {
            why,
            urgency: Urgency::Note,
            by_ms: None,
            litres: None,
            content: None,
            step: 0,
            hold_ms: 0,
            tell_ms: now_ms,
            repeat_after_ms: Millis::MAX / 4,
            person,
        }
    }
}

/// One matter on one bed (or probe, or the whole).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Matter {
    /// Where it stands.
    pub stand: Stand,
    /// Since when.
    pub since_ms: Millis,
    /// Since when it holds without a break.
    pub true_since_ms: Option<Millis>,
    /// The number an answer names; given at the first telling.
    pub number: Option<u32>,
    /// How often it was told.
    pub tellings: u8,
    /// When it was last told.
    pub told_ms: Option<Millis>,
    /// When the round before this one was last told.
    pub before_ms: Option<Millis>,
    /// The step it was told at.
    pub told_step: u8,
    /// The deadline it was told with.
    pub told_by_ms: Option<Millis>,
    /// The person and the letter that first told it.
    pub first_letter: Option<(String, u32)>,
    /// What it asks for now.
    pub claim: Option<Claim>,
    /// Parked until.
    pub parked_ms: Option<Millis>,
    /// Answered "not needed": silent until it no longer holds, or gets worse.
    pub declined: bool,
    /// Why it is where it is.
    pub why: String,
}

impl Default for Matter {
    fn default() -> Self {
        Self {
            stand: Stand::Settled,
            since_ms: 0,
            true_since_ms: None,
            number: None,
            tellings: 0,
            told_ms: None,
            before_ms: None,
            told_step: 0,
            told_by_ms: None,
            first_letter: None,
            claim: None,
            parked_ms: None,
            declined: false,
            why: String::new(),
        }
    }
}

/// What a turn of a matter's life brought.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Turned {
    /// State before, if it changed.
    pub from: Option<Stand>,
    /// It wants telling now.
    pub tell: Option<Telling>,
}

impl Matter {
    /// Somebody was told and it is not over.
    pub fn is_told(&self) -> bool {
        matches!(self.stand, Stand::Standing | Stand::Seen | Stand::InHand | Stand::Parked)
    }

    /// It has held without a break for so long.
    pub fn has_held(&self, span_ms: Millis, now_ms: Millis) -> bool {
        self.true_since_ms.is_some_and(|since_ms| now_ms - since_ms >= span_ms)
    }

    /// When it was last told, in this round or the one before.
    pub fn last_told_ms(&self) -> Option<Millis> {
        self.told_ms.or(self.before_ms)
    }

    /// Moves to another state; `None` if it is there already.
    pub fn go(&mut self, to: Stand, why: &str, now_ms: Millis) -> Option<Stand> {
        why.clone_into(&mut self.why);
        if self.stand == to {
            return None;
        }
        let from = self.stand;
        (self.stand, self.since_ms) = (to, now_ms);
        Some(from)
    }

    /// One turn: what the verdict makes of the state. The caller tells what `tell` asks for and then calls
    /// [`Matter::told`].
    pub fn turn(&mut self, verdict: Verdict, now_ms: Millis) -> Turned {
        match verdict {
            Verdict::Unknown => Turned::default(),
            Verdict::Quiet { why, withdraw } => self.turn_quiet(&why, withdraw, now_ms),
            Verdict::Claim(claim) => self.turn_claim(*claim, now_ms),
        }
    }

    fn turn_quiet(&mut self, why: &str, withdraw: bool, now_ms: Millis) -> Turned {
        self.true_since_ms = None;
        self.declined = false;
        match self.stand {
            Stand::Settled | Stand::Over => Turned::default(),
            Stand::Building => {
                self.claim = None;
                Turned { from: self.go(Stand::Settled, why, now_ms), tell: None }
            }
            Stand::Standing | Stand::Seen | Stand::InHand | Stand::Parked => {
                // Only who still carries the task in mind needs to hear that it is off.
                let pending = self.claim.as_ref().is_some_and(|claim| match claim.content {
                    Some(Content::Blind { .. }) => true, // whoever goes by hand and eye has no deadline
                    _ => claim.by_ms.is_some_and(|by| by > now_ms),
                });
                let tell =
                    (withdraw && pending && self.stand == Stand::Standing).then_some(Telling::Withdrawn);
                Turned { from: self.go(Stand::Over, why, now_ms), tell }
            }
        }
    }

    fn turn_claim(&mut self, claim: Claim, now_ms: Millis) -> Turned {
        let since = *self.true_since_ms.get_or_insert(now_ms);
        let ripe = now_ms - since >= claim.hold_ms && now_ms >= claim.tell_ms;
        let mut turned = Turned::default();
        match self.stand {
            Stand::Settled | Stand::Over => {
                if self.declined && claim.step <= self.told_step {
                    return turned;
                }
                self.begin();
                turned = self.ripen(&claim, ripe, now_ms);
            }
            Stand::Building if ripe => turned = self.ripen(&claim, ripe, now_ms),
            Stand::Building => {}
            Stand::Standing => {
                if claim.step < self.told_step {
                    // Better by a step: somebody did something, and what comes now is news again.
                    (self.told_step, self.tellings) = (claim.step, 0);
                }
                turned.tell = self.again(&claim, now_ms);
            }
            Stand::Seen => {}
            Stand::InHand => {
                if now_ms - self.since_ms >= IN_HAND_MS {
                    turned.from = self.go(Stand::Standing, "not confirmed after four hours", now_ms);
                }
            }
            Stand::Parked => {
                if self.parked_ms.is_none_or(|until| now_ms >= until) {
                    self.parked_ms = None;
                    turned.from = self.go(Stand::Standing, "the time it was put off to has come", now_ms);
                    turned.tell = (now_ms >= claim.tell_ms).then_some(Telling::Again);
                }
            }
        }
        self.claim = Some(claim);
        turned
    }

    /// A claim that has held long enough is told; a note stands without being told.
    fn ripen(&mut self, claim: &Claim, ripe: bool, now_ms: Millis) -> Turned {
        match (ripe, claim.urgency) {
            (false, _) => Turned { from: self.go(Stand::Building, &claim.why, now_ms), tell: None },
            (true, Urgency::Note) => {
                Turned { from: self.go(Stand::Standing, &claim.why, now_ms), tell: None }
            }
            (true, _) => Turned { from: None, tell: Some(Telling::First) },
        }
    }

    /// A told matter is told again when it got worse by a step, or when its time for a repeat has come;
    /// a parked or answered one is not.
    fn again(&self, claim: &Claim, now_ms: Millis) -> Option<Telling> {
        let told_ms = self.told_ms?;
        if now_ms < claim.tell_ms {
            return None;
        }
        if claim.step > self.told_step {
            return (now_ms - told_ms >= WORSE_AFTER_MS).then_some(Telling::Worse);
        }
        let due = self.tellings < MOST_TELLINGS && now_ms - told_ms >= claim.repeat_after_ms;
        due.then_some(Telling::Again)
    }

    fn begin(&mut self) {
        self.number = None;
        self.tellings = 0;
        self.before_ms = self.last_told_ms();
        self.told_ms = None;
        self.told_step = 0;
        self.told_by_ms = None;
        self.first_letter = None;
        self.parked_ms = None;
        self.declined = false;
    }

    /// It was put into a letter. State before, if it changed.
    pub fn told(&mut self, telling: Telling, person: &str, letter: u32, now_ms: Millis) -> Option<Stand> {
        if telling == Telling::Withdrawn {
            return None;
        }
        self.tellings = self.tellings.saturating_add(1);
        self.told_ms = Some(now_ms);
        if let Some(claim) = &self.claim {
            (self.told_step, self.told_by_ms) = (claim.step, claim.by_ms);
        }
        if self.first_letter.is_none() {
            self.first_letter = Some((person.to_owned(), letter));
        }
        let why = self.claim.as_ref().map(|claim| claim.why.clone()).unwrap_or_default();
        self.go(Stand::Standing, &why, now_ms)
    }

    /// The grower says it is done, or logged the work. If that was not enough, asking begins anew.
    pub fn done(&mut self, why: &str, now_ms: Millis) -> Option<Stand> {
        if !self.is_told() {
            return None;
        }
        self.tellings = 0;
        self.go(Stand::InHand, why, now_ms)
    }

    /// Put off until.
    pub fn park(&mut self, until_ms: Millis, why: &str, now_ms: Millis) -> Option<Stand> {
        if !self.is_told() {
            return None;
        }
        self.parked_ms = Some(until_ms);
        self.go(Stand::Parked, why, now_ms)
    }

    /// The grower says it is not needed: over, and silent until it no longer holds or gets worse.
    pub fn decline(&mut self, why: &str, now_ms: Millis) -> Option<Stand> {
        if !self.is_told() {
            return None;
        }
        self.declined = true;
        self.go(Stand::Over, why, now_ms)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::ColdSign;

    fn claim(step: u8, hold_ms: Millis) -> Verdict {
        Verdict::Claim(Box::new(Claim {
            why: "dry".into(),
            urgency: Urgency::Today,
            by_ms: Some(100 * HOUR_MS),
            litres: Some(40.0),
            content: Some(Content::Cover {
                foreseen_min_c: 1.0,
                sd_c: 1.0,
                mark_c: 3.0,
                sign: ColdSign::Afternoon,
                crosses_ms: None,
            }),
            step,
            hold_ms,
            tell_ms: 0,
            repeat_after_ms: 12 * HOUR_MS,
            person: "grower".into(),
        }))
    }

    fn quiet(withdraw: bool) -> Verdict {
        Verdict::Quiet { why: "wet".into(), withdraw }
    }

    #[test]
    fn builds_holds_stands_repeats_thrice_and_ends() {
        let mut matter = Matter::default();
        assert_eq!(matter.turn(claim(0, HOUR_MS), 0).from, Some(Stand::Settled));
        assert_eq!(matter.turn(claim(0, HOUR_MS), HOUR_MS / 2).tell, None);
        let mut told = Vec::new();
        for hour in 1..100 {
            if let Some(telling) = matter.turn(claim(0, HOUR_MS), hour * HOUR_MS).tell {
                matter.told(telling, "grower", 1, hour * HOUR_MS);
                told.push((hour, telling));
            }
        }
        assert_eq!(told, [(1, Telling::First), (13, Telling::Again), (25, Telling::Again)]);
        assert_eq!(matter.turn(claim(1, HOUR_MS), 26 * HOUR_MS).tell, None); // an hour after a letter
        let worse = matter.turn(claim(1, HOUR_MS), 100 * HOUR_MS - 1);
        assert_eq!(worse.tell, Some(Telling::Worse));
        matter.told(Telling::Worse, "grower", 4, 100 * HOUR_MS - 1);
        assert_eq!(matter.turn(quiet(false), 101 * HOUR_MS).from, Some(Stand::Standing));
        assert_eq!(matter.stand, Stand::Over);
    }

    #[test]
    fn a_condition_that_breaks_off_while_building_tells_nobody() {
        let mut matter = Matter::default();
        matter.turn(claim(0, HOUR_MS), 0);
        matter.turn(quiet(true), HOUR_MS / 2);
        assert_eq!(matter.turn(claim(0, HOUR_MS), HOUR_MS).tell, None);
        assert_eq!(matter.stand, Stand::Building);
    }

    #[test]
    fn work_that_the_soil_does_not_confirm_stands_again_after_four_hours() {
        let mut matter = Matter::default();
        matter.turn(claim(0, 0), 0);
        matter.told(Telling::First, "grower", 1, 0);
        assert_eq!(matter.done("done", HOUR_MS), Some(Stand::Standing));
        assert_eq!(matter.turn(claim(0, 0), 2 * HOUR_MS), Turned::default());
        assert_eq!(matter.turn(claim(0, 0), 5 * HOUR_MS).from, Some(Stand::InHand));
        assert_eq!(matter.stand, Stand::Standing);
    }

    #[test]
    fn a_withdrawal_is_told_only_while_the_task_is_pending() {
        let mut matter = Matter::default();
        matter.turn(claim(0, 0), 0);
        matter.told(Telling::First, "grower", 1, 0);
        let mut late = matter.clone();
        assert_eq!(matter.turn(quiet(true), HOUR_MS).tell, Some(Telling::Withdrawn));
        assert_eq!(late.turn(quiet(true), 101 * HOUR_MS).tell, None);
    }

    #[test]
    fn not_needed_is_silent_until_worse() {
        let mut matter = Matter::default();
        matter.turn(claim(0, 0), 0);
        matter.told(Telling::First, "grower", 1, 0);
        matter.decline("not needed", 1);
        assert_eq!(matter.turn(claim(0, 0), 20 * HOUR_MS).tell, None);
        assert_eq!(matter.turn(claim(1, 0), 21 * HOUR_MS).tell, Some(Telling::First));
    }

    #[test]
    fn parked_comes_back_at_its_time() {
        let mut matter = Matter::default();
        matter.turn(claim(0, 0), 0);
        matter.told(Telling::First, "grower", 1, 0);
        matter.park(10 * HOUR_MS, "later", HOUR_MS);
        assert_eq!(matter.turn(claim(0, 0), 9 * HOUR_MS).tell, None);
        assert_eq!(matter.turn(claim(0, 0), 10 * HOUR_MS).tell, Some(Telling::Again));
    }
}
