//! One turn: days are closed, forecasts made, probes looked at, matters judged, letters put together.

use std::collections::BTreeSet;

use crate::record::{Content, Decision, Fault, MatterKey, Millis, Stand, Task, Telling};
use crate::settings::garden::Place;

use super::calendar::{Calendar, HOUR_MS, MINUTE_MS, previous_day};
use super::core::{Engine, change};
use super::daylight;
use super::evidence;
use super::foresee::{AFTERNOON, Look, Sight, clock};
use super::gauge;
use super::life::{Matter, Verdict};
use super::matters;
use super::scene::{Estimate, Scene};
use super::telling::{self, MatterId, RIDE_ALONG_MS, ToTell};
use super::{Action, TURN_MS};

/// Beds are judged at every third turn: the soil does not move in five minutes.
pub(super) const BED_TURNS_MS: Millis = 15 * MINUTE_MS;

/// The subject of the broker's matter.
pub(super) const BROKER: &str = "broker";

/// The soil at 5 cm follows the air by so much (`agronomy::foresight::night_minimum_from_soil`).
const SOIL_LATER_MS: Millis = 90 * MINUTE_MS;

/// The hours of one civil day at which something is foreseen.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Today {
    /// The day ends.
    until_ms: Millis,
    looks_ms: [Millis; 3],
    afternoon_ms: Millis,
    dusk_ms: Millis,
    /// Of the soil's look at the evening.
    evening_ms: Millis,
}

impl Today {
    fn of(calendar: &Calendar, place: Place, at_ms: Millis) -> Self {
        let date = calendar.date(at_ms);
        let at = |time| calendar.at(date, clock(time));
        // The FAO fit begins two hours after sunset; far north, or west in its zone, that is after midnight.
        let dusks =
            [previous_day(date), date].map(|on| daylight::sun_up(place, on, calendar).1 + 2 * HOUR_MS);
        let today = |ms: &Millis| calendar.date(*ms) == date;
        let evenings = dusks.map(|ms| ms + SOIL_LATER_MS);
        Self {
            until_ms: calendar.day_end(date),
            looks_ms: Look::ALL.map(|look| at(look.time())),
            afternoon_ms: at(AFTERNOON),
            dusk_ms: dusks.into_iter().find(today).unwrap_or(Millis::MAX),
            evening_ms: evenings.into_iter().find(today).unwrap_or(Millis::MAX),
        }
    }
}

impl Engine {
    /// One turn. One that `tells` nothing is made up for after the box was off: days are closed and forecasts
    /// learn, but what was due then is no letter now.
    pub(super) fn turn(&mut self, at_ms: Millis, tells: bool, actions: &mut Vec<Action>) {
        if at_ms.rem_euclid(gauge::LOOK_MS) == 0 {
            self.look_at_gauge(at_ms);
        }
        let faults = self.look_at_probes(at_ms);
        if at_ms.rem_euclid(BED_TURNS_MS) == 0 {
            self.look_for_water(at_ms, actions);
        }
        self.close_due_days(at_ms, actions);
        self.forecast_due(at_ms);
        if !tells {
            if at_ms.rem_euclid(BED_TURNS_MS) == 0 {
                self.begin_books(at_ms);
            }
            return;
        }
        let mut to_tell = Vec::new();
        self.judge_gear(faults, at_ms, &mut to_tell, actions);
        if at_ms.rem_euclid(BED_TURNS_MS) == 0 {
            self.begin_books(at_ms);
            let estimates = self.estimates(at_ms);
            self.judge_beds(&estimates, at_ms, &mut to_tell, actions);
            if at_ms.rem_euclid(HOUR_MS) == 0 {
                let verdict = matters::scout::judge(&self.scene(at_ms));
                self.live((matters::scout::KEY, String::new()), verdict, at_ms, &mut to_tell, actions);
            }
            self.judge_fruits(at_ms, &mut to_tell, actions);
            self.judge_board(at_ms, &mut to_tell, actions);
            self.tell(to_tell, &estimates, at_ms, actions);
            self.write_morning(&estimates, at_ms, actions);
        } else if !to_tell.is_empty() {
            let estimates = self.estimates(at_ms);
            self.tell(to_tell, &estimates, at_ms, actions);
        }
    }

    fn forecast_due(&mut self, at_ms: Millis) {
        if at_ms >= self.today.until_ms {
            self.today = Today::of(&self.calendar, self.garden.place, at_ms);
        }
        let strikes = |time_ms: Millis| (at_ms - TURN_MS + 1..=at_ms).contains(&time_ms);
        let look = Look::ALL.into_iter().find(|look| strikes(self.today.looks_ms[*look as usize]));
        let afternoon = strikes(self.today.afternoon_ms);
        let dusk = strikes(self.today.dusk_ms);
        let evening = strikes(self.today.evening_ms);
        if look.is_none() && !afternoon && !dusk && !evening {
            return;
        }
        let max_before_c = self.memory.days.last().and_then(|day| day.air).map(|air| air.max);
        let mut foresee = std::mem::take(&mut self.memory.foresee);
        let sight = Sight {
            garden: &self.garden,
            calendar: &self.calendar,
            hours: &self.hours,
            air: self.patch.air,
            humidity: self.patch.humidity,
            wind: self.patch.wind,
            soil: self.patch.soil,
            now_ms: at_ms,
        };
        if let Some(look) = look {
            if look == Look::Morning {
                foresee.learn_night(sight);
            }
            foresee.call_maximum(sight, look, max_before_c);
        }
        if afternoon {
            foresee.call_minimum(sight, &self.memory.days);
        }
        if evening {
            foresee.call_evening(sight, &self.memory.days);
        }
        if dusk {
            foresee.note_dusk(sight);
        }
        self.memory.foresee = foresee;
    }

    fn judge_gear(
        &mut self,
        faults: Vec<Option<Fault>>,
        at_ms: Millis,
        to_tell: &mut Vec<ToTell>,
        actions: &mut Vec<Action>,
    ) {
        let away = self.memory.broker_away.clone();
        let broker = away.map(|(since_ms, words)| Fault::BrokerAway { since_ms, words });
        let broker_away = broker.is_some();
        self.judge_one_gear(BROKER, broker, at_ms, to_tell, actions);
        // When nothing at all comes it is one fault, not a dozen.
        let silent = |fault: &Option<Fault>| matches!(fault, Some(Fault::Silent { .. }));
        let all_silent = self.all_silent(at_ms);
        let whole = if all_silent && !broker_away { faults.iter().flatten().next().cloned() } else { None };
        self.judge_one_gear("", whole, at_ms, to_tell, actions);
        let names: Vec<String> = self.garden.probes.iter().map(|probe| probe.name.clone()).collect();
        for (ix, (name, fault)) in names.iter().zip(faults).enumerate() {
            let fault = fault.or_else(|| self.battery_fault(ix, at_ms));
            let heard_ms = self.memory.watches.get(ix).and_then(|watch| watch.heard_ms);
            if fault.is_none() && heard_ms.is_none_or(|heard_ms| Some(heard_ms) < self.memory.listening_ms) {
                continue; // it has not had its time yet, and nothing says it works again
            }
            let covered = (broker_away || all_silent) && silent(&fault);
            let told = self
                .memory
                .matters
                .get(&(MatterKey::Gear, name.clone()))
                .is_some_and(|matter| matter.stand == Stand::Standing);
            if covered && !told {
                continue;
            }
            self.judge_one_gear(name, fault, at_ms, to_tell, actions);
        }
    }

    /// Nothing at all comes; a sun sensor that is excused at night counts too.
    fn all_silent(&self, at_ms: Millis) -> bool {
        let scene = self.scene(at_ms);
        let mut probes = self.garden.probes.iter().zip(&self.memory.watches);
        self.garden.probes.len() >= 3
            && probes.all(|(probe, watch)| matters::gear::is_silent(&scene, probe, watch))
    }

    fn judge_one_gear(
        &mut self,
        subject: &str,
        fault: Option<Fault>,
        at_ms: Millis,
        to_tell: &mut Vec<ToTell>,
        actions: &mut Vec<Action>,
    ) {
        let id = (MatterKey::Gear, subject.to_owned());
        if fault.is_none() && !self.memory.matters.contains_key(&id) {
            return;
        }
        let told_ms = self.memory.matters.get(&id).and_then(Matter::last_told_ms);
        let verdict = matters::gear::judge(&self.scene(at_ms), fault, told_ms);
        self.live(id, verdict, at_ms, to_tell, actions);
    }

    fn judge_beds(
        &mut self,
        estimates: &[Option<Estimate>],
        at_ms: Millis,
        to_tell: &mut Vec<ToTell>,
        actions: &mut Vec<Action>,
    ) {
        let fresh = Matter::default();
        for (at, estimate) in estimates.iter().enumerate() {
            let Some(bed) = self.garden.beds.get(at) else { continue };
            let name = bed.name.clone();
            let verdicts = {
                let scene = self.scene(at_ms);
                let known = |key: MatterKey| self.memory.matters.get(&(key, name.clone())).unwrap_or(&fresh);
                let estimate = estimate.as_ref();
                let (water, hold) = (known(matters::water::KEY), known(matters::hold_water::KEY));
                let blind = known(matters::blind::KEY);
                let unseen = matters::blind::unseen(&scene, bed, estimate, blind);
                let water_unseen =
                    unseen.iter().any(|one| one.decision == Decision::Water) && !blind.declined;
                let hold_verdict = matters::hold_water::judge(&scene, bed, estimate, hold, water.is_told());
                let held = match &hold_verdict {
                    Verdict::Claim(_) => true,
                    Verdict::Unknown => hold.is_told(),
                    Verdict::Quiet { .. } => false,
                };
                let water_verdict = match water_unseen {
                    true => matters::blind::in_place_of_water(water),
                    false => matters::water::judge(&scene, bed, estimate, water, held),
                };
                [
                    (matters::blind::KEY, matters::blind::judge(&scene, bed, unseen, estimate, blind)),
                    (matters::water::KEY, water_verdict),
                    (matters::hold_water::KEY, hold_verdict),
                    (matters::shade::KEY, matters::shade::judge(&scene, bed)),
                    (matters::cover::KEY, matters::cover::judge(&scene, bed, known(matters::cover::KEY))),
                    (matters::plant::KEY, matters::plant::judge(&scene, bed, known(matters::plant::KEY))),
                ]
            };
            for (key, verdict) in verdicts {
                self.live((key, name.clone()), verdict, at_ms, to_tell, actions);
            }
        }
    }

    fn judge_fruits(&mut self, at_ms: Millis, to_tell: &mut Vec<ToTell>, actions: &mut Vec<Action>) {
        let scene = self.scene(at_ms);
        let verdicts: Vec<(String, Verdict)> = self
            .memory
            .fruits
            .iter()
            .map(|(name, fruit)| {
                let bed = self.memory.facts.bed_of(&self.garden, name);
                (name.clone(), matters::growth::judge(&scene, fruit, bed, &self.memory.records))
            })
            .collect();
        for (name, verdict) in verdicts {
            self.live((matters::growth::KEY, name), verdict, at_ms, to_tell, actions);
        }
    }

    fn judge_board(&mut self, at_ms: Millis, to_tell: &mut Vec<ToTell>, actions: &mut Vec<Action>) {
        let Some(board) = self.board else { return };
        let fresh = Matter::default();
        for subject in matters::board::SUBJECTS {
            let id = (matters::board::KEY, subject.to_owned());
            let matter = self.memory.matters.get(&id).unwrap_or(&fresh);
            let verdict = matters::board::judge(&self.scene(at_ms), &board, subject, matter);
            self.live(id, verdict, at_ms, to_tell, actions);
        }
    }

    /// Lets a verdict act on a matter's life.
    fn live(
        &mut self,
        id: MatterId,
        verdict: Verdict,
        at_ms: Millis,
        to_tell: &mut Vec<ToTell>,
        actions: &mut Vec<Action>,
    ) {
        if matches!(verdict, Verdict::Quiet { .. } | Verdict::Unknown)
            && !self.memory.matters.contains_key(&id)
        {
            return;
        }
        let matter = self.memory.matters.entry(id.clone()).or_default();
        let turned = matter.turn(verdict, at_ms);
        if let Some(from) = turned.from {
            actions.push(change(&id, matter, from, at_ms));
        }
        if let Some(telling) = turned.tell {
            to_tell.push(ToTell { id, telling });
        }
    }

    /// Puts letters together from what is due; what is due soon for the same person rides along.
    fn tell(
        &mut self,
        mut to_tell: Vec<ToTell>,
        estimates: &[Option<Estimate>],
        at_ms: Millis,
        actions: &mut Vec<Action>,
    ) {
        if to_tell.is_empty() {
            return;
        }
        let claims = to_tell.iter().filter_map(|one| self.memory.matters.get(&one.id)?.claim.as_ref());
        let written_to: BTreeSet<String> = claims.map(|claim| claim.person.clone()).collect();
        let tells_blind = to_tell.iter().any(|one| one.id.0 == MatterKey::Blind);
        for (id, matter) in &self.memory.matters {
            let soon = matter.claim.as_ref().is_some_and(|claim| {
                // What made a bed blind is told with it.
                let cause = tells_blind && id.0 == MatterKey::Gear && claim.content.is_some();
                let held = claim.hold_ms == 0 || cause && matter.has_held(claim.hold_ms, at_ms);
                held && (cause || claim.tell_ms <= at_ms + RIDE_ALONG_MS)
            });
            let listed = to_tell.iter().any(|one| one.id == *id);
            let person = matter.claim.as_ref().map(|claim| claim.person.as_str());
            let rides = person.is_some_and(|person| written_to.contains(person));
            if matter.stand == Stand::Building && soon && !listed && rides {
                to_tell.push(ToTell { id: id.clone(), telling: Telling::First });
            }
        }
        let mut matters = std::mem::take(&mut self.memory.matters);
        let mut counters = std::mem::take(&mut self.memory.counters);
        let scene = self.scene(at_ms);
        let mut drafts =
            telling::drafts(&to_tell, &mut matters, &mut counters, at_ms, |id, matter, telling| {
                task(&scene, estimates, id, matter, telling)
            });
        self.memory.matters = matters;
        self.memory.counters = counters;
        for draft in &mut drafts {
            draft.held = self.memory.held.remove(&draft.person);
        }
        for one in &to_tell {
            let letter = drafts.iter().find(|draft| {
                draft.tasks.iter().any(|task| task.matter == one.id.0 && task.subject == one.id.1)
            });
            let Some(letter) = letter else { continue };
            let Some(matter) = self.memory.matters.get_mut(&one.id) else { continue };
            let content = matter.claim.as_ref().and_then(|claim| claim.content.as_ref());
            let battery = matches!(content, Some(Content::Gear { fault: Fault::BatteryLow { .. } }));
            if let Some(from) = matter.told(one.telling, &letter.person, letter.number, at_ms) {
                actions.push(change(&one.id, matter, from, at_ms));
            }
            if battery {
                self.battery_told(&one.id.1);
            }
        }
        actions.extend(drafts.into_iter().map(|draft| Action::Letter(Box::new(draft))));
    }
}

/// A matter as a task of a letter; `None` without a number, or where there is nothing to tell.
pub(super) fn task(
    scene: &Scene,
    estimates: &[Option<Estimate>],
    id: &MatterId,
    matter: &Matter,
    telling: Telling,
) -> Option<Task> {
    let claim = matter.claim.as_ref()?;
    let title = match id.0 {
        MatterKey::Gear | MatterKey::Box => String::new(),
        _ => scene.garden.bed(&id.1).map(|bed| bed.title.clone()).unwrap_or_default(),
    };
    Some(Task {
        number: matter.number?,
        subject: id.1.clone(),
        title,
        matter: id.0,
        urgency: claim.urgency,
        telling,
        by_ms: claim.by_ms,
        content: claim.content.clone()?,
        evidence: evidence::gather(scene, id, estimates),
    })
}
