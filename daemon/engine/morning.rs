//! The morning note: how the garden stands, once a day of the season, to whoever keeps it. It is also the sign that
//! box, network and mail work, so it names the hour by which its absence is a warning.
//!
//! It asks for nothing new. A letter that leaves for the same person at that minute carries it; else it is a letter
//! of its own. It leaves at 06:15, or when the quiet hours end if that is later; a box that was off then makes up for
//! it until noon. When nothing grows any more one last note says that no more will come. The hours are judgement.

use chrono::NaiveDate;

use crate::record::{
    LetterDraft, MatterKey, Millis, Morning, MorningBed, MorningTask, MorningWeather, Stand,
};

use super::Action;
use super::calendar::{HOUR_MS, next_day, previous_day};
use super::core::Engine;
use super::foresee::{Look, clock};
use super::life::Matter;
use super::people;
use super::scene::{Estimate, Scene};
use super::survey::{MatterView, Survey, Trust};

/// A note that could not leave in its hour leaves later by this at most.
const MADE_UP_MS: Millis = 6 * HOUR_MS;
/// So long after its hour the absence of a note is a warning: mail may be slow.
const OVERDUE_MS: Millis = 2 * HOUR_MS;
/// What happened and was given within this time is told.
const DAY_MS: Millis = 24 * HOUR_MS;

impl Engine {
    /// Writes the morning note if it is due, into a letter that leaves now for the same person or as its own.
    pub(super) fn write_morning(
        &mut self,
        estimates: &[Option<Estimate>],
        at_ms: Millis,
        actions: &mut Vec<Action>,
    ) {
        let date = self.calendar.date(at_ms);
        let hour_ms = self.note_hour(date);
        if self.memory.noted == Some(date) || !(hour_ms..hour_ms + MADE_UP_MS).contains(&at_ms) {
            return;
        }
        let readers = self.garden.people.iter().filter(|person| person.morning_note);
        let readers: Vec<String> = readers.map(|person| person.name.clone()).collect();
        let grows = self.grows(date);
        if readers.is_empty() || !grows && self.memory.noted.is_none() {
            return;
        }
        self.memory.noted = grows.then_some(date);
        let morning = self.morning(estimates, grows, at_ms);
        for person in readers {
            let leaves_now = actions.iter_mut().find_map(|action| match action {
                Action::Letter(draft) if draft.person == person && draft.at_ms == at_ms => Some(draft),
                _ => None,
            });
            let morning = Some(morning.clone());
            if let Some(draft) = leaves_now {
                draft.morning = morning;
                continue;
            }
            self.memory.counters.letters += 1;
            let held = self.memory.held.remove(&person);
            let number = self.memory.counters.letters;
            let draft = LetterDraft { number, person, at_ms, morning, held, ..LetterDraft::default() };
            actions.push(Action::Letter(Box::new(draft)));
        }
    }

    /// When the note of a date leaves.
    fn note_hour(&self, date: NaiveDate) -> Millis {
        let at_ms = self.calendar.at(date, clock(Look::Dawn.time()));
        people::out_of_quiet(&self.garden, &self.calendar, at_ms)
    }

    fn grows(&self, date: NaiveDate) -> bool {
        let facts = &self.memory.facts;
        let beds = &self.garden.beds;
        beds.iter().any(|bed| facts.is_growing(bed, date) && !self.memory.ended.contains_key(&bed.name))
    }

    fn morning(&self, estimates: &[Option<Estimate>], grows: bool, at_ms: Millis) -> Morning {
        let scene = self.scene(at_ms);
        let survey = self.survey(at_ms);
        let date = scene.date();
        let given = |bed: &str| {
            let of_bed = self.memory.poured.iter().filter(|given| given.bed == bed);
            of_bed.filter(|given| at_ms - given.at_ms < DAY_MS).map(|given| given.litres).sum()
        };
        let beds = self.garden.beds.iter().zip(&survey.beds).zip(estimates);
        let beds = beds
            .filter(|((bed, _), _)| self.memory.facts.is_growing(bed, date))
            .map(|((bed, view), estimate)| MorningBed {
                title: bed.title.clone(),
                share_used: estimate.as_ref().map(|now| (now.share_used(), now.sd_mm / now.marks.taw_mm)),
                cover_days: view.cover_days.zip(view.cover_days_hot),
                given_litres: given(&bed.name),
                stage: view.stage.as_ref().map(|view| view.stage.clone()),
            })
            .collect();
        let task = |(id, matter): (&(MatterKey, String), &Matter)| {
            let title = self.garden.bed(&id.1).map_or(&id.1, |bed| &bed.title).clone();
            let answered = matches!(matter.stand, Stand::Seen | Stand::InHand);
            let (number, by_ms) = (matter.number?, matter.told_by_ms);
            Some(MorningTask { number, title, matter: id.0, by_ms, answered })
        };
        let matters = || self.memory.matters.iter();
        let is_open = |stand| matches!(stand, Stand::Standing | Stand::Seen | Stand::InHand);
        let ended = |matter: &Matter| matter.stand == Stand::Over && at_ms - matter.since_ms < DAY_MS;
        let amiss = survey.probes.iter().filter(|probe| probe.trust != Trust::Good);
        let good = survey.probes.iter().filter(|probe| probe.trust == Trust::Good).count();
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        let next_ms = grows.then(|| self.note_hour(next_day(date)));
        Morning {
            beds,
            open: matters().filter(|(_, matter)| is_open(matter.stand)).filter_map(task).collect(),
            handled: matters().filter(|(_, matter)| ended(matter)).filter_map(task).collect(),
            yesterday: self.weather_of_yesterday(&scene, &survey),
            foreseen_max_c: scene.foresee.maximum(Look::Dawn, date).map(|max| (max.value_c, max.sd_c)),
            probes_good: (count(good), count(survey.probes.len())),
            probes_amiss: amiss.map(|probe| (probe.name.clone(), probe.why.clone())).collect(),
            notes: self.sentences(&survey),
            next_ms,
            overdue_ms: next_ms.map(|next_ms| next_ms + OVERDUE_MS),
        }
    }

    fn weather_of_yesterday(&self, scene: &Scene<'_>, survey: &Survey) -> Option<MorningWeather> {
        let date = previous_day(scene.date());
        let day = self.memory.records.get(&date)?.first()?;
        // A gauge that fell silent in the day saw a part of its rain at most.
        let gauge = self.patch.rain.and_then(|ix| survey.probes.get(ix));
        let day_end_ms = self.calendar.day_end(date);
        let rain_seen = gauge.is_some_and(|gauge| match gauge.trust {
            Trust::Good | Trust::Doubtful => true,
            Trust::Missing => gauge.at_ms.is_some_and(|at_ms| at_ms >= day_end_ms),
            Trust::Condemned => false,
        });
        Some(MorningWeather {
            air_c: day.air_min_c.zip(day.air_max_c),
            rain_mm: day.rain_mm.filter(|_| rain_seen),
            guessed: day.guessed.contains(&crate::record::Guess::Air),
        })
    }

    /// What stands without a task, and what is worth knowing of the beds.
    fn sentences(&self, survey: &Survey) -> Vec<String> {
        let stands = |view: &&MatterView| view.stand == Stand::Standing && view.number.is_none();
        // A probe that is amiss is named by itself.
        let probe = |view: &MatterView| survey.probes.iter().any(|probe| probe.name == view.subject);
        let matters = survey.matters.iter().filter(stands).filter(|view| !probe(view)).map(|view| {
            let title = self.garden.bed(&view.subject).map_or(&view.subject, |bed| &bed.title);
            let of = if title.is_empty() { String::new() } else { format!("{title}, ") };
            format!("{of}{}: {}", view.matter.key(), view.why)
        });
        let several = self.garden.beds.len() > 1;
        let beds = survey.beds.iter().flat_map(|bed| {
            let of = if several { format!("{}: ", bed.title) } else { String::new() };
            bed.notes.iter().map(move |note| format!("{of}{note}"))
        });
        matters.chain(beds).collect()
    }
}
