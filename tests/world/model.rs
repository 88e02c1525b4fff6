//! What must hold, said a second time and simply: what was sent and held, what was acknowledged and answered,
//! and that the store, the letters and the days agree with it.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;
use rindwatch::local::{Answer, Request};
use rindwatch::mail::post::Errand;
use rindwatch::record::{DayRecord, Doubt, Millis, OutboxLetter, ProbeIx};
use rindwatch::run::Stepped;
use rindwatch::settings::garden::Garden;
use rindwatch::store::{Came, Kept, Reader};

use super::broker::Sent;
use super::card::Card;
use super::garden::{BARE, HOUR, PROBES, RAIN, Weather};
use super::mail::Mail;
use super::told;

/// A gap of two hours is caught up with, letters and all; of a longer one nothing is told.
const FRESH_MS: Millis = 2 * HOUR + HOUR / 4;
/// Messages inside the core at most: the broker's window and what piled up while the card failed.
const INSIDE: u64 = 2_100;

/// Before and after every story.
pub const FIRST_DATE: NaiveDate = NaiveDate::from_ymd_opt(1971, 1, 1).unwrap();
pub const LAST_DATE: NaiveDate = NaiveDate::from_ymd_opt(2090, 1, 1).unwrap();

type Key = (usize, Millis);

#[derive(Debug, Default)]
pub struct Model {
    sent: HashMap<Key, Vec<f64>>,
    /// Every value that a probe ever sent.
    values: HashSet<(usize, i64)>,
    held: HashSet<Key>,
    /// Seen in the store when it was acknowledged.
    stands: HashMap<Key, f64>,
    bare_sent: HashMap<i64, u32>,
    bare_acknowledged: HashMap<i64, u32>,
    /// Lines of the day book: how each was answered; `None` = not yet, or never.
    lines: BTreeMap<String, Option<Answer>>,
    /// While the time is not known: how much was decided when that began.
    decided: Option<usize>,
    looked_hour: i64,
    told_ms: Millis,
    pub stored: usize,
    broker_lost: bool,
    /// Rows seen waiting for the time, and the last of them.
    timeless: HashSet<Key>,
    timeless_through: i64,
    started_ms: Millis,
    /// The letters that the post was given.
    handed: HashSet<u32>,
    /// The store was damaged: what it held before may be gone.
    damaged: bool,
}

fn steps(probe: usize, value: f64) -> i64 {
    PROBES[probe].quantity.to_steps(value)
}

impl Model {
    pub fn sent(&mut self, sent: &Sent) {
        if let Some(value) = sent.value {
            self.values.insert((sent.probe, steps(sent.probe, value)));
        }
        match (sent.at_ms, sent.value) {
            (Some(at_ms), Some(value)) => self.sent.entry((sent.probe, at_ms)).or_default().push(value),
            (None, Some(value)) => *self.bare_sent.entry(steps(BARE, value)).or_default() += 1,
            _ => {}
        }
    }

    /// The broker has it.
    pub fn held(&mut self, sent: &Sent) {
        if let (Some(at_ms), 1) = (sent.at_ms, sent.qos) {
            self.held.insert((sent.probe, at_ms));
        }
    }

    /// The broker had it and lost it: no fault of ours, unless it was acknowledged.
    pub fn lost_by_broker(&mut self, sent: &Sent) {
        self.broker_lost = true;
        if let Some(at_ms) = sent.at_ms {
            self.held.remove(&(sent.probe, at_ms));
        }
    }

    /// Nothing is acknowledged that is not in the store.
    pub fn acknowledged(&mut self, core: &Stepped, sent: &Sent) -> Result<(), String> {
        let Some(value) = sent.value else { return Ok(()) };
        let Some(at_ms) = sent.at_ms else {
            *self.bare_acknowledged.entry(steps(BARE, value)).or_default() += 1;
            return Ok(());
        };
        let probe = ProbeIx(sent.probe as u16);
        let key = (sent.probe, at_ms);
        let kept = core.store().value_at(probe, at_ms).map_err(|error| error.to_string())?;
        if kept.is_none() && !self.waits(core, key)? {
            return Err(format!("acknowledged, and not in the store: {sent:?}"));
        }
        if let Some(kept) = kept {
            let stands = *self.stands.entry(key).or_insert(kept);
            if stands != kept {
                return Err(format!("{stands} stood for {sent:?}, and {kept} does now"));
            }
        }
        Ok(())
    }

    /// It waits in the store for the time to be known.
    fn waits(&mut self, core: &Stepped, key: Key) -> Result<bool, String> {
        self.read_timeless(core)?;
        if !self.timeless.contains(&key) {
            // Numbers of rows may come again once the table was empty.
            self.timeless_through = 0;
            self.timeless.clear();
            self.read_timeless(core)?;
        }
        Ok(self.timeless.contains(&key))
    }

    fn read_timeless(&mut self, core: &Stepped) -> Result<(), String> {
        let rows =
            core.store().timeless(self.timeless_through, u32::MAX).map_err(|error| error.to_string())?;
        for row in rows {
            self.timeless_through = row.id;
            if let Came::Reading(reading) = row.came.what {
                self.timeless.insert((usize::from(reading.probe.0), reading.at_ms));
            }
        }
        Ok(())
    }

    /// A letter goes to the post: only one that is stored, and a new one only about the present.
    pub fn handed(
        &mut self,
        core: &Stepped,
        letter: &OutboxLetter,
        now_ms: Option<Millis>,
    ) -> Result<(), String> {
        let number = letter.number;
        let kept = core.store().reader().letter(number).map_err(|error| error.to_string())?;
        if kept.is_none_or(|kept| kept.eml != letter.eml) {
            return Err(format!("letter {number} is sent and not stored: {}", letter.subject));
        }
        let new = self.handed.insert(number);
        match now_ms.map(|now_ms| now_ms - letter.at_ms) {
            // One of before the start may have had to wait until the time was known.
            Some(late_ms) if new && letter.at_ms > self.started_ms && late_ms.abs() > FRESH_MS => {
                Err(format!("letter {number} is {} min from now: {}", late_ms / 60_000, letter.subject))
            }
            _ => Ok(()),
        }
    }

    /// While the fate of a letter is not down no other leaves, so that only what was on its way already can go out
    /// twice.
    pub fn none_leaves_before_fates(
        &self,
        core: &Stepped,
        errand: &Errand,
        mail: &Mail,
    ) -> Result<(), String> {
        if mail.unwritten.is_empty() || matches!(errand, Errand::Held { .. }) {
            return Ok(());
        }
        let waiting = core.store().reader().letters_waiting().map_err(|error| error.to_string())?;
        match waiting.iter().find(|letter| mail.unwritten.contains(&letter.number)) {
            Some(letter) => {
                Err(format!("something leaves before the fate of letter {} is down", letter.number))
            }
            None => Ok(()),
        }
    }

    /// The time is not known, and nothing may be decided.
    pub fn sees_no_time(&self) -> bool {
        self.decided.is_some()
    }

    pub fn is_damaged(&self) -> bool {
        self.damaged
    }

    /// The card was damaged: what was promised for what it held is void, nothing else.
    pub fn damaged(&mut self) {
        self.damaged = true;
        self.held.clear();
        self.stands.clear();
        self.bare_acknowledged.clear();
        self.handed.clear();
        self.lines.values_mut().for_each(|answer| *answer = None);
    }

    /// What `status` says is answered at once, and does not claim to know the time where the core does not.
    pub fn status_is_right(&self, core: &mut Stepped) -> Result<(), String> {
        let answer = core.ask(Request::Status).try_recv();
        match answer {
            Ok(Answer::Status(status)) if status.clock_trusted == core.told().1 => {
                let mut views = status.survey.probes.iter().enumerate();
                // A probe shows a value that it sent, or none: never a nought for what nobody measured.
                let wrong = views.find(|(probe, view)| match (view.value, *probe == RAIN) {
                    (None, _) => false,
                    (Some(_), true) => !self.values.iter().any(|(of, _)| *of == RAIN),
                    (Some(value), false) => !self.values.contains(&(*probe, steps(*probe, value))),
                });
                wrong.map_or(Ok(()), |(_, view)| Err(format!("status shows what nobody sent: {view:?}")))
            }
            other => Err(format!("status is answered with {other:?}")),
        }
    }

    pub fn asked(&mut self, words: &str) {
        self.lines.insert(words.to_owned(), None);
    }

    pub fn answered(&mut self, words: &str, answer: &Answer) {
        self.lines.insert(words.to_owned(), Some(answer.clone()));
    }

    pub fn started(&mut self, true_ms: Millis) {
        self.started_ms = true_ms;
        self.timeless_through = 0;
        self.timeless.clear();
        self.decided = None;
        self.told_ms = Millis::MIN;
    }

    /// After every round.
    pub fn holds_now(&mut self, core: &Option<Stepped>, true_ms: Millis) -> Result<(), String> {
        let Some(core) = core else { return Ok(()) };
        let load = core.load();
        if load.unstored > INSIDE || load.unseen as u64 > INSIDE {
            return Err(format!("{load:?} wait inside"));
        }
        let (told_ms, trusted) = core.told();
        if trusted {
            self.decided = None;
            if told_ms < self.told_ms {
                return Err(format!("time ran back for the engine, from {} to {told_ms}", self.told_ms));
            }
            if (told_ms - true_ms).abs() > 2 * HOUR {
                return Err(format!("{told_ms} is believed, and it is {true_ms}"));
            }
            self.told_ms = told_ms;
            return Ok(());
        }
        self.told_ms = Millis::MIN;
        if load.batched > 0 {
            return Ok(());
        }
        // Counting it all costs: once an hour, in which the clocks may as well have been set.
        let hour = true_ms.div_euclid(HOUR);
        if self.decided.is_some() && self.looked_hour == hour {
            return Ok(());
        }
        self.looked_hour = hour;
        let decided = match decided(core.store().reader()) {
            // What was damaged cannot be counted; what follows from it is seen elsewhere.
            Err(_) if self.damaged => return Ok(()),
            decided => decided?,
        };
        let before = *self.decided.get_or_insert(decided);
        if before != decided {
            return Err(format!("{} things were decided while the time was not known", decided - before));
        }
        Ok(())
    }

    /// When all has been well for hours.
    pub fn holds_at_the_end(
        &mut self,
        core: &Option<Stepped>,
        garden: &Garden,
        mail: &Mail,
        weather: &Weather,
        card: &Card,
    ) -> Result<(), String> {
        let core = core.as_ref().ok_or("it does not run although all is well")?;
        let reader = core.store().reader();
        let (told, load) = (core.told(), core.load());
        if !told.1 || load.unstored > 0 || reader.timeless_count().map_err(|e| e.to_string())? > 0 {
            return Err(format!("something waits although all is well: {told:?}, {load:?}"));
        }
        if self.damaged {
            return self.all_since_is_there(core);
        }
        for probe in 0..PROBES.len() {
            self.readings_are_right(reader, garden, probe)?;
        }
        self.lines_are_right(reader)?;
        told::letters_are_right(reader, mail, garden)?;
        rain_is_right(reader, weather, self.broker_lost)?;
        match card.quick_check().as_str() {
            "ok" => Ok(()),
            words => Err(format!("the store is damaged: {words}")),
        }
    }

    fn readings_are_right(&mut self, reader: &Reader, garden: &Garden, probe: usize) -> Result<(), String> {
        let say = |error: rindwatch::store::StoreError| error.to_string();
        let series = reader.series_of(&garden.probes[probe]).map_err(say)?.ok_or("a series is missing")?;
        let raw = reader.raw(&series, Millis::MIN, Millis::MAX, u32::MAX).map_err(say)?;
        self.stored += raw.len();
        sums_are_right(reader, &series, &raw, garden)?;
        if probe == BARE {
            return self.bare_are_right(&raw);
        }
        let mut seen = HashSet::new();
        for kept in &raw {
            let key = (probe, kept.at_ms);
            if !seen.insert(kept.at_ms) {
                return Err(format!("{key:?} is stored twice"));
            }
            let values = self.sent.get(&key).ok_or_else(|| format!("nobody sent {key:?}: {kept:?}"))?;
            if !values.contains(&kept.value) {
                return Err(format!("{key:?} is stored as {}, sent as {values:?}", kept.value));
            }
            if self.stands.get(&key).is_some_and(|stands| *stands != kept.value) {
                return Err(format!("{key:?} no longer has its first value: {kept:?}"));
            }
        }
        let lost = self.held.iter().chain(self.stands.keys());
        let mut lost = lost.filter(|key| key.0 == probe && !seen.contains(&key.1));
        lost.next().map_or(Ok(()), |key| Err(format!("{key:?} was held for us and is lost")))
    }

    /// After damage: what came since is kept.
    fn all_since_is_there(&self, core: &Stepped) -> Result<(), String> {
        for key in self.held.iter().chain(self.stands.keys()) {
            let kept =
                core.store().value_at(ProbeIx(key.0 as u16), key.1).map_err(|error| error.to_string())?;
            let values = self.sent.get(key).ok_or_else(|| format!("nobody sent {key:?}"))?;
            if !kept.is_some_and(|kept| values.contains(&kept)) {
                return Err(format!("after the damage {key:?} is {kept:?} of {values:?}"));
            }
        }
        Ok(())
    }

    /// At least once each, and what may be a repeat is flagged.
    fn bare_are_right(&self, raw: &[Kept]) -> Result<(), String> {
        let (mut all, mut plain): (HashMap<i64, u32>, HashMap<i64, u32>) = Default::default();
        for kept in raw {
            *all.entry(steps(BARE, kept.value)).or_default() += 1;
            let flagged = matches!(kept.doubt, Some(Doubt::PossibleRepeat | Doubt::ClockUnsure));
            *plain.entry(steps(BARE, kept.value)).or_default() += u32::from(!flagged);
        }
        let none = 0;
        for (value, n) in &self.bare_acknowledged {
            if all.get(value).unwrap_or(&none) < n {
                return Err(format!("bare {value} was acknowledged {n} times and stored less often"));
            }
        }
        for (value, n) in &plain {
            if self.bare_sent.get(value).unwrap_or(&none) < n {
                return Err(format!(
                    "bare {value} is stored {n} times without a flag, more than it was sent"
                ));
            }
        }
        Ok(())
    }

    fn lines_are_right(&self, reader: &Reader) -> Result<(), String> {
        let book = reader.book(Millis::MIN, Millis::MAX).map_err(|error| error.to_string())?;
        for (words, answer) in &self.lines {
            let times = book.iter().filter(|line| line.words == *words).count();
            let right = match answer {
                Some(Answer::Done { .. }) => times == 1,
                Some(Answer::Refused { words }) if words.starts_with("taken") => times <= 1,
                Some(_) => times == 0,
                None => times <= 1,
            };
            if !right {
                return Err(format!("{words:?}, answered {answer:?}, stands {times} times in the day book"));
            }
        }
        Ok(())
    }
}

/// Days closed, changes of matters and letters.
fn decided(reader: &Reader) -> Result<usize, String> {
    let say = |error: rindwatch::store::StoreError| error.to_string();
    let days = reader.bed_days(None, FIRST_DATE, LAST_DATE).map_err(say)?.len();
    let matters = reader.matters(Millis::MIN, Millis::MAX).map_err(say)?.len();
    Ok(days + matters + reader.recent_letters(u32::MAX).map_err(say)?.len())
}

/// Hour and day records are the sums of the believed readings under them.
fn sums_are_right(
    reader: &Reader,
    series: &rindwatch::store::Series,
    raw: &[Kept],
    garden: &Garden,
) -> Result<(), String> {
    let say = |error: rindwatch::store::StoreError| error.to_string();
    let mut hours: BTreeMap<Millis, (u64, f64)> = BTreeMap::new();
    let mut days: BTreeMap<NaiveDate, (u64, f64)> = BTreeMap::new();
    for kept in raw.iter().filter(|kept| kept.doubt.is_none()) {
        let at = chrono::DateTime::from_timestamp_millis(kept.at_ms).ok_or("a time beyond the calendar")?;
        let date = at.with_timezone(&garden.zone).date_naive();
        for sums in
            [hours.entry(kept.at_ms.div_euclid(HOUR) * HOUR).or_default(), days.entry(date).or_default()]
        {
            *sums = (sums.0 + 1, sums.1 + kept.value);
        }
    }
    let same = |n: u64, mean: f64, sums: Option<&(u64, f64)>| {
        sums.is_some_and(|sums| {
            sums.0 == n && (mean * n as f64 - sums.1).abs() < 1e-6 * sums.1.abs().max(1.0)
        })
    };
    let stored = reader.hours(series, Millis::MIN, Millis::MAX).map_err(say)?;
    let whole = stored.len() == hours.len();
    if !whole || stored.iter().any(|hour| !same(hour.n, hour.mean, hours.get(&hour.start_ms))) {
        return Err(format!("hours of {} are not the sums of its readings", series.probe));
    }
    let stored = reader.days(series, FIRST_DATE, LAST_DATE).map_err(say)?;
    let whole = stored.len() == days.len();
    if !whole || stored.iter().any(|day| !same(day.n, day.mean, days.get(&day.date))) {
        return Err(format!("days of {} are not the sums of its readings", series.probe));
    }
    Ok(())
}

/// Rain is summed once.
fn rain_is_right(reader: &Reader, weather: &Weather, lost: bool) -> Result<(), String> {
    let days: Vec<DayRecord> =
        reader.bed_days(Some("long"), FIRST_DATE, LAST_DATE).map_err(|error| error.to_string())?;
    let summed: f64 = days.iter().filter_map(|day| day.rain_mm).sum();
    if summed > weather.rain_mm + 0.01 {
        return Err(format!("{summed} mm of rain in the days, {} fell ({RAIN}, {lost})", weather.rain_mm));
    }
    Ok(())
}
