//! The engine itself: its state, its turns, the events it takes.

use std::sync::Arc;

use crate::quantities::Quantity;
use crate::record::{
    Board, Content, Fault, HOURS_KEPT_MS, LateDay, MatterChange, MatterKey, Millis, Reading, Stand, Urgency,
};
use crate::settings::garden::Garden;

use super::book;
use super::calendar::{Calendar, HOUR_MS, MINUTE_MS};
use super::hours::Hours;
use super::judge::{BED_TURNS_MS, Today};
use super::life::{Claim, Matter};
use super::marks::{self, View};
use super::memory::Memory;
use super::rain::{self, Fall, Tells};
use super::scene::{Estimate, Scene};
use super::taken_back::TakenBack;
use super::telling::MatterId;
use super::weather::PatchProbes;
use super::{Action, Event, Now, TURN_MS};

/// Turns that lie so far back were not taken because the box was off: what was due then is not told now.
const OFF_MS: Millis = 2 * HOUR_MS;
/// A broker that was away so long has kept probes from being heard.
const LONG_AWAY_MS: Millis = 10 * MINUTE_MS;
/// Closed days remembered for demand and forecasts.
const DAYS_KEPT: usize = 40;
/// Wet or given at least this share of the held water at once, an unmeasured book begins at full.
const SOAKING_SHARE: f64 = 0.3;

/// The engine of one garden.
#[derive(Debug)]
pub struct Engine {
    /// As the settings have it.
    pub(super) settings: Arc<Garden>,
    /// With the marks that count now.
    pub(super) garden: Arc<Garden>,
    /// With the marks that counted from each change on.
    pub(super) views: Vec<View>,
    pub(super) calendar: Calendar,
    pub(super) patch: PatchProbes,
    pub(super) hours: Hours,
    pub(super) memory: Memory,
    pub(super) today: Today,
    pub(super) taken_back: TakenBack,
    /// What the board said last, in this run.
    pub(super) board: Option<Board>,
    /// The civil hour of the last reading: most readings fall into the same one.
    hour_ms: (Millis, Millis),
}

impl Engine {
    /// A new engine that knows nothing yet.
    pub fn new(garden: Arc<Garden>) -> Self {
        let n = garden.probes.len();
        let memory = Memory::new(&garden);
        Self {
            settings: Arc::clone(&garden),
            views: marks::views(&garden, &memory.marks),
            calendar: Calendar::new(garden.zone),
            patch: PatchProbes::of(&garden),
            hours: Hours::new(n),
            memory,
            today: Today::default(),
            taken_back: TakenBack::default(),
            board: None,
            hour_ms: (0, 0),
            garden,
        }
    }

    /// Takes one event at time `now`, after all turns up to then.
    pub fn handle(&mut self, event: Event, now: Now) -> Vec<Action> {
        let mut actions = Vec::new();
        if now.trusted {
            self.turns(now.ms, &mut actions);
        }
        match event {
            Event::Reading(reading) => self.take_reading(&reading, &mut actions),
            Event::Unreadable { probe, reason } => {
                if let Some(watch) = self.memory.watches.get_mut(usize::from(probe.0)) {
                    watch.unreadable(now.ms, &reason);
                }
            }
            Event::Presence { probe, present } => {
                if let Some(watch) = self.memory.watches.get_mut(usize::from(probe.0)) {
                    watch.gone_ms = if present { None } else { watch.gone_ms.or(Some(now.ms)) };
                }
            }
            Event::Floods { probe, count } => {
                if let Some(watch) = self.memory.watches.get_mut(usize::from(probe.0)) {
                    watch.flood(now.ms, count);
                }
            }
            Event::Entry { entry, happened_ms } => self.take_line(&entry, happened_ms, now.ms, &mut actions),
            Event::TakeBack { line } => self.take_back(line, now.ms, &mut actions),
            Event::Broker(words) => {
                let since_ms = self.memory.broker_away.as_ref().map(|(since_ms, _)| *since_ms);
                if words.is_none() && since_ms.is_some_and(|since_ms| now.ms - since_ms >= LONG_AWAY_MS) {
                    self.memory.listening_ms = Some(now.ms);
                }
                self.memory.broker_away = words.map(|words| (since_ms.unwrap_or(now.ms), words));
            }
            Event::Post(words) => self.take_mail("", words, now.ms, &mut actions),
            Event::Letter { number, person, refused } => {
                // It was the server that spoke, so that works.
                self.take_mail("", None, now.ms, &mut actions);
                let words = refused.map(|words| format!("letter {number}: {words}"));
                self.take_mail(&person, words, now.ms, &mut actions);
            }
            Event::Waiting(waiting) => self.sift(&waiting, now.ms, &mut actions),
            Event::Store(words) => self.take_fault(
                MatterKey::Box,
                "",
                words.map(|words| Fault::StoreFails { words }),
                now.ms,
                &mut actions,
            ),
            Event::Board(board) => self.board = Some(board),
            Event::Turn => {}
        }
        actions
    }

    fn turns(&mut self, now_ms: Millis, actions: &mut Vec<Action>) {
        if self.memory.began_ms.is_none() {
            self.memory.began_ms = Some(now_ms);
            self.memory.listening_ms = Some(now_ms);
            self.memory.next_turn_ms = now_ms - now_ms.rem_euclid(TURN_MS) + TURN_MS;
            self.memory.closed_through = Some(super::calendar::previous_day(self.calendar.date(now_ms)));
        }
        for watch in self.memory.watches.iter_mut().filter(|watch| watch.heard_ms.is_none()) {
            // A probe new to the settings is given its time from here on.
            watch.touched_ms.get_or_insert(now_ms);
        }
        if self.memory.next_turn_ms - now_ms > TURN_MS || self.hours.newest_ms() > now_ms + 24 * HOUR_MS {
            self.set_back(now_ms);
        }
        let was_off = now_ms - self.memory.next_turn_ms > OFF_MS;
        while self.memory.next_turn_ms <= now_ms {
            let at_ms = self.memory.next_turn_ms;
            self.memory.next_turn_ms += TURN_MS;
            let tells = !was_off || now_ms - at_ms < BED_TURNS_MS;
            if was_off && tells {
                self.memory.listening_ms = Some(now_ms);
            }
            self.turn(at_ms, tells, actions);
        }
    }

    /// A run whose clock stood ahead has left days, turns and hours that have not come yet. They are forgotten:
    /// kept, they would silence everything until then.
    fn set_back(&mut self, now_ms: Millis) {
        let today = self.calendar.date(now_ms);
        self.forget_batteries_from(today);
        let memory = &mut self.memory;
        memory.next_turn_ms = memory.next_turn_ms.min(now_ms - now_ms.rem_euclid(TURN_MS) + TURN_MS);
        memory.closed_through =
            memory.closed_through.map(|closed| closed.min(super::calendar::previous_day(today)));
        memory.listening_ms = Some(now_ms);
        memory.derive_from = None;
        memory.marks.set_back(now_ms);
        memory.days.retain(|day| day.date < today);
        memory.records.retain(|date, _| *date < today);
        memory.ended.retain(|_, ended| ended.date < today);
        memory.warmths.values_mut().for_each(|warmth| warmth.forget_from(today));
        memory.matters.retain(|_, matter| {
            matter.since_ms <= now_ms && matter.last_told_ms().is_none_or(|told_ms| told_ms <= now_ms)
        });
        memory.poured.retain(|watering| watering.at_ms <= now_ms);
        memory.poured_from = None;
        for book in &mut memory.books {
            book.midnights.retain(|_, balance| balance.at_ms <= now_ms);
        }
        for watch in &mut memory.watches {
            watch.start_anew(now_ms);
        }
        self.hours.forget_after(now_ms);
        self.today = Today::default();
        self.see_marks();
    }

    fn take_reading(&mut self, reading: &Reading, actions: &mut Vec<Action>) {
        let ix = usize::from(reading.probe.0);
        let Some(probe) = self.garden.probes.get(ix) else { return };
        let Some(watch) = self.memory.watches.get_mut(ix) else { return };
        if let Some(doubt) = watch.take(probe.quantity, reading) {
            if reading.doubt.is_none() {
                actions.push(Action::Doubt(doubt));
            }
            return;
        }
        let soil_moisture = probe.quantity == Quantity::SoilMoisture;
        if reading.at_ms < self.hour_ms.0 || reading.at_ms >= self.hour_ms.1 {
            self.hour_ms = self.calendar.hour(reading.at_ms);
        }
        let fall = match (probe.rain, self.memory.gauges.get_mut(ix)) {
            (Some(form), Some(gauge)) => {
                let so_far_mm = self.hours.sum(ix, self.hour_ms.0, self.hour_ms.0 + 1).unwrap_or(0.0);
                let tells = Tells { form, tip_mm: probe.tip_mm };
                match gauge.amount(tells, reading.value, reading.at_ms, so_far_mm, &self.calendar) {
                    Ok(fall) => fall,
                    Err(doubt) => {
                        watch.doubt(reading);
                        return actions.push(Action::Doubt(doubt));
                    }
                }
            }
            // Not rain: it may lie below 0.
            _ => Fall { mm: reading.value, gap_from_ms: None },
        };
        let mut own = fall.mm;
        for (start_ms, share) in
            fall.gap_from_ms.map(|from| rain::shares(from, reading.at_ms, &self.calendar)).unwrap_or_default()
        {
            if start_ms < self.hour_ms.0 {
                self.hours.add_guess(ix, start_ms, fall.mm * share);
                own = (own - fall.mm * share).max(0.0);
            }
        }
        let kept = self.hours.add(ix, self.hour_ms.0, reading.value, own, reading.at_ms);
        // A newcomer looks at the page a minute after the first message: its bed must not wait for a turn.
        if soil_moisture && self.memory.books.iter().any(|book| book.midnights.is_empty()) {
            self.begin_books(reading.arrived_ms);
        }
        if let Some(closed) = self.memory.closed_through {
            let first_ms = fall.gap_from_ms.unwrap_or(reading.at_ms);
            let late = first_ms < reading.arrived_ms - 15 * MINUTE_MS;
            let date = self.calendar.date(reading.at_ms);
            if !kept && date <= closed {
                let bed = self.garden.probes.get(ix).and_then(|probe| probe.bed.clone());
                let at_ms = reading.arrived_ms;
                actions.push(Action::Late(LateDay { date, bed, at_ms }));
            }
            if late && kept {
                self.memory.poured_from =
                    Some(self.memory.poured_from.map_or(first_ms, |known| known.min(first_ms)));
                let date = self.calendar.date(first_ms);
                if date <= closed {
                    let from = self.memory.derive_from.map_or(date, |known| known.min(date));
                    self.memory.derive_from = Some(from);
                }
            }
        }
    }

    /// A fault of the mail server, or what it holds against letters to one person.
    pub(super) fn take_mail(
        &mut self,
        person: &str,
        words: Option<String>,
        now_ms: Millis,
        actions: &mut Vec<Action>,
    ) {
        let fault = words.map(|words| Fault::MailRefused { words });
        self.take_fault(MatterKey::Mail, person, fault, now_ms, actions);
    }

    /// A fault of the mail or of the box stands on the page: no letter could tell of it.
    fn take_fault(
        &mut self,
        key: MatterKey,
        subject: &str,
        fault: Option<Fault>,
        now_ms: Millis,
        actions: &mut Vec<Action>,
    ) {
        let id = (key, subject.to_owned());
        if fault.is_none() && !self.memory.matters.contains_key(&id) {
            return;
        }
        let matter = self.memory.matters.entry(id.clone()).or_default();
        let from = match fault {
            Some(fault) => {
                let why = match &fault {
                    Fault::MailRefused { words } | Fault::StoreFails { words } => words.clone(),
                    _ => String::new(),
                };
                let from = matter.go(Stand::Standing, &why, now_ms);
                matter.claim = Some(Claim {
                    why,
                    urgency: Urgency::Gear,
                    by_ms: None,
                    litres: None,
                    content: Some(Content::Gear { fault }),
                    step: 0,
                    hold_ms: 0,
                    tell_ms: Millis::MAX / 4,
                    repeat_after_ms: Millis::MAX / 4,
                    person: String::new(),
                });
                from
            }
            None if matter.is_told() => matter.go(Stand::Over, "it works again", now_ms),
            None => None,
        };
        if let Some(from) = from {
            actions.push(change(&id, matter, from, now_ms));
        }
    }

    /// The garden as the matters' files see it at an instant.
    pub(super) fn scene(&self, now_ms: Millis) -> Scene<'_> {
        // A day closed again is seen with the marks that counted then.
        let view = self.views.iter().rev().find(|view| view.from_ms <= now_ms).or(self.views.first());
        Scene {
            garden: view.map_or(&self.garden, |view| &view.garden),
            known: view.map_or(&[], |view| &view.known),
            marks: &self.memory.marks,
            calendar: &self.calendar,
            hours: &self.hours,
            facts: &self.memory.facts,
            poured: &self.memory.poured,
            trusts: &self.memory.trusts,
            watches: &self.memory.watches,
            gauges: &self.memory.gauges,
            days: &self.memory.days,
            foresee: &self.memory.foresee,
            warmths: &self.memory.warmths,
            ended: &self.memory.ended,
            patch: &self.patch,
            both_ways: &self.memory.both_ways,
            listening_ms: self.memory.listening_ms.unwrap_or(now_ms),
            now_ms,
        }
    }

    /// What is believed of each bed at an instant.
    pub(super) fn estimates(&self, now_ms: Millis) -> Vec<Option<Estimate>> {
        let scene = self.scene(now_ms);
        let beds = self.garden.beds.iter().zip(&self.memory.books);
        beds.map(|(bed, book)| scene.estimate(bed, book)).collect()
    }

    /// Books that have not begun begin with the first word of a calibrated probe, or at full with the first
    /// soaking.
    pub(super) fn begin_books(&mut self, now_ms: Millis) {
        if self.memory.closed_through.is_none() {
            return; // the clock was never trusted: no midnight can be named
        }
        for (at, bed) in self.garden.beds.iter().enumerate() {
            if self.memory.books.get(at).is_none_or(|book| !book.midnights.is_empty()) {
                continue;
            }
            let scene = self.scene(now_ms);
            let drainable_mm = book::drainable_mm(bed);
            let taw_mm = 1000.0 * (bed.full - bed.wilt) * bed.depth_m;
            let begun = match scene.measure(bed, now_ms) {
                Some(measured) => {
                    let sd_mm = measured.sd_mm.max(0.1 * taw_mm);
                    book::Balance::begin(
                        now_ms,
                        measured.depletion_mm.min(taw_mm),
                        sd_mm,
                        drainable_mm,
                        false,
                    )
                }
                None => {
                    let ground = scene.ground(bed, scene.date());
                    let inflow = scene.inflow(bed, &ground, now_ms - 24 * HOUR_MS, now_ms);
                    let soaked = inflow.rain_mm + inflow.given_mm >= SOAKING_SHARE * taw_mm;
                    soaked
                        .then(|| book::Balance::begin(now_ms, 0.0, 0.15 * taw_mm, drainable_mm, true))
                        .flatten()
                }
            };
            let date = self.calendar.date(now_ms);
            if let (Some(balance), Some(book)) = (begun, self.memory.books.get_mut(at)) {
                book.midnights.insert(date, balance);
            }
        }
    }

    /// Forgets what is too old to matter.
    pub(super) fn forget(&mut self, now_ms: Millis) {
        for book in &mut self.memory.books {
            book::drop_old(book, &self.calendar, now_ms);
        }
        for watch in &mut self.memory.watches {
            watch.belief.forget(now_ms);
        }
        let spare = self.memory.days.len().saturating_sub(DAYS_KEPT);
        self.memory.days.drain(..spare);
        let oldest = self.calendar.date(now_ms - HOURS_KEPT_MS);
        self.memory.records.retain(|date, _| *date >= oldest);
        self.memory.matters.retain(|_, matter| {
            let idle = matches!(matter.stand, Stand::Settled | Stand::Over);
            !idle || now_ms - matter.since_ms < 30 * 24 * HOUR_MS
        });
    }
}

/// The row of a change of state.
pub(super) fn change(id: &MatterId, matter: &Matter, from: Stand, now_ms: Millis) -> Action {
    let claim = matter.claim.as_ref();
    let told = matter.is_told();
    let person = claim.map(|claim| claim.person.clone()).filter(|person| told && !person.is_empty());
    Action::Matter(Box::new(MatterChange {
        at_ms: now_ms,
        // What of the box it is its reason says.
        subject: if id.0 == MatterKey::Box { String::new() } else { id.1.clone() },
        matter: id.0,
        urgency: claim.map_or(Urgency::Note, |claim| claim.urgency),
        from,
        to: matter.stand,
        why: matter.why.clone(),
        litres: claim.and_then(|claim| claim.litres).filter(|_| told),
        by_ms: claim.and_then(|claim| claim.by_ms).filter(|_| told),
        person,
    }))
}
