//! Answers to the local socket and the pages.

use super::core::Core;
use super::pending::Waiting;
use crate::daybook;
use crate::engine::{Event, TAKE_BACK_MS};
use crate::local::{Answer, Call, KEY_BYTES, Request, Status, UnknownTopic, When};
use crate::record::Millis;
use crate::store::{BookLine, Came};

/// Refusals shown.
const REFUSALS: usize = 20;

/// A line may lie so far ahead of our clock and counts as now.
const AHEAD_MS: Millis = 5 * 60_000;
/// And so far back.
const OLDEST_MS: Millis = 366 * 24 * 3_600_000;

/// A line that can be taken back.
#[derive(Debug, Clone)]
pub(super) struct Entered {
    key: String,
    words: String,
    entered_ms: Millis,
    /// What the engine calls it.
    number: u64,
}

fn listed(numbers: &[u32]) -> String {
    let words: Vec<String> = numbers.iter().map(u32::to_string).collect();
    if words.is_empty() { "none does".to_owned() } else { words.join(", ") }
}

impl Core {
    pub(super) fn answer(&mut self, call: Call) {
        let Call { request, answer } = call;
        match request {
            Request::Status => {
                // Whoever asked may have left.
                let _ = answer.send(Answer::Status(Box::new(self.status())));
            }
            Request::Sign => {
                let signed = self.sign();
                let _ = answer.send(signed);
            }
            Request::Jot { words, when, key, sure } => match self.enter(&words, when, key, sure) {
                Ok(words) => self.pending.waiting.push(Waiting { answer, words }),
                Err(other) => drop(answer.send(other)),
            },
            Request::TakeBack { key } => match self.take_back(&key) {
                Ok(words) => self.pending.waiting.push(Waiting { answer, words }),
                Err(words) => drop(answer.send(Answer::Refused { words })),
            },
            Request::Commit | Request::Settle { .. } | Request::Clock { .. } => self.drive(&request, answer),
        }
    }

    /// Takes a day-book line; the line as understood, or what is answered instead.
    pub(super) fn enter(
        &mut self,
        words: &str,
        when: When,
        key: Option<String>,
        sure: bool,
    ) -> Result<String, Answer> {
        let refused = |words: String| Answer::Refused { words };
        if let Some(key) = &key {
            if key.is_empty() || key.len() > KEY_BYTES || !key.bytes().all(|byte| byte.is_ascii_graphic()) {
                let words = format!("the key of a line is 1 to {KEY_BYTES} letters, digits and signs");
                return Err(refused(words));
            }
            if let Some(words) = self.unstored_line(key) {
                return Ok(words);
            }
            match self.store.reader().line_of(key) {
                Ok(None) => {}
                Ok(Some(words)) => return Err(Answer::Done { words }),
                Err(error) => return Err(Answer::Busy { words: error.to_string() }),
            }
        }
        let now = self.now();
        let happened_ms = self.happened_ms(when, now.ms)?;
        let entry = daybook::parse(words, &self.garden).map_err(|error| refused(error.to_string()))?;
        self.why_not(&entry, happened_ms).map_or(Ok(()), |words| Err(refused(words)))?;
        if !sure && let Some(words) = self.engine.asks(&entry, happened_ms) {
            return Err(Answer::Asks { words });
        }
        let line = entry.to_string();
        if !self.trusted {
            let wall_ms = self.clock.wall_ms();
            let ago_ms = now.ms.saturating_sub(happened_ms).max(0);
            let happened_ms = wall_ms.saturating_sub(ago_ms);
            let what = Came::Line { words: line.clone(), happened_ms, key };
            let came = self.timeless(wall_ms, what);
            self.pending.batch.timeless.push(came);
            self.pending.urgent = true;
            return Ok(format!("{line} (the time is not known yet; the line gets its own as soon as it is)"));
        }
        let actions = self.engine.handle(Event::Entry { entry, happened_ms }, now);
        if let Some(key) = &key {
            let words = line.clone();
            self.lines.retain(|line| now.ms - line.entered_ms <= TAKE_BACK_MS);
            let number = self.engine.last_line();
            self.lines.push(Entered { key: key.clone(), words, entered_ms: now.ms, number });
        }
        self.pending.batch.entries.push(BookLine {
            happened_ms,
            entered_ms: now.ms,
            words: line.clone(),
            key,
            ..BookLine::default()
        });
        self.perform(actions, None);
        self.pending.urgent = true;
        self.pending.with_state = true;
        Ok(line)
    }

    /// The line entered under a key that is about to be stored.
    fn unstored_line(&self, key: &str) -> Option<String> {
        let batch = &self.pending.batch;
        let entered = batch.entries.iter().find(|line| line.key.as_deref() == Some(key));
        let waiting = || {
            batch.timeless.iter().find_map(|one| match &one.what {
                Came::Line { words, key: Some(known), .. } if known == key => Some(words.clone()),
                _ => None,
            })
        };
        entered.map(|line| line.words.clone()).or_else(waiting)
    }

    /// When it happened, by our clock.
    fn happened_ms(&self, when: When, now_ms: Millis) -> Result<Millis, Answer> {
        match when {
            When::Now => Ok(now_ms),
            When::Ago(ms) => {
                let ms = Millis::try_from(ms).unwrap_or(Millis::MAX);
                self.within(now_ms.saturating_sub(ms), now_ms)
            }
            When::At(_) if !self.trusted => Err(Answer::Busy {
                words:
                    "the time is not known here yet, so a time in the past cannot be placed; try again later"
                        .to_owned(),
            }),
            // A phone's clock may stand a little ahead of ours.
            When::At(ms) if ms > now_ms && ms - now_ms <= AHEAD_MS => Ok(now_ms),
            When::At(ms) => self.within(ms, now_ms),
        }
    }

    fn within(&self, happened_ms: Millis, now_ms: Millis) -> Result<Millis, Answer> {
        let show = |ms: Millis| crate::rfc3339::show(ms);
        if happened_ms > now_ms {
            let words = format!("{} has not come yet: it is {} here", show(happened_ms), show(now_ms));
            return Err(Answer::Refused { words });
        }
        if now_ms - happened_ms > OLDEST_MS {
            let words =
                format!("{} is more than a year ago: a line may be a year old at most", show(happened_ms));
            return Err(Answer::Refused { words });
        }
        Ok(happened_ms)
    }

    /// Why a line cannot be taken, in words.
    fn why_not(&self, entry: &daybook::Entry, happened_ms: Millis) -> Option<String> {
        if let Some(task) = entry.answers() {
            let mut open = self.engine.open_tasks();
            if matches!(entry, daybook::Entry::NotNeeded { .. }) {
                open.extend(self.engine.open_proposals());
            }
            if !open.contains(&task) {
                return Some(format!("no task {task} waits for an answer; those that do: {}", listed(&open)));
            }
        }
        if let Some(what) = self.engine.without_bed(entry) {
            let beds: Vec<&str> = self.garden.beds.iter().map(|bed| bed.name.as_str()).collect();
            return Some(format!(
                "on which bed is {what}? Say it once, and it stays with it: \"fruit {what} spare on {}\" or \
                 \"flower {what} open on {}\" (the beds are {})",
                beds.first().unwrap_or(&""),
                beds.first().unwrap_or(&""),
                beds.join(", ")
            ));
        }
        // While the time is not known, what the engine was told last is the nearest to it.
        let at_ms = if self.trusted { happened_ms } else { self.told_ms.max(happened_ms) };
        if let Some(words) = self.engine.refuses(entry, at_ms) {
            return Some(words);
        }
        if let daybook::Entry::Accept { number } = entry {
            let open = self.engine.open_proposals();
            if !open.contains(number) {
                let open = listed(&open);
                return Some(format!("no proposal {number} waits for an answer; those that do: {open}"));
            }
        }
        None
    }

    /// Takes back the line of a key, which must be the last; its words, or why not.
    fn take_back(&mut self, key: &str) -> Result<String, String> {
        let now = self.now();
        let Some(at) = self.lines.iter().position(|line| line.key == key) else {
            let known = self.store.reader().line_of(key).map_err(|error| error.to_string())?;
            return Err(match known {
                Some(words) => format!(
                    "\"{words}\" can no longer be taken back: it was entered more than ten minutes ago, or \
                     rindwatch was started again since. Enter what is right as a new line"
                ),
                None => "no line of that key is known".to_owned(),
            });
        };
        if let Some(later) = self.lines.get(at + 1..).and_then(<[Entered]>::last) {
            return Err(format!("take back the later line first: \"{}\"", later.words));
        }
        let line = self.lines[at].clone();
        if self.engine.can_take_back(now.ms) != Some(line.number) {
            return Err(format!(
                "\"{}\" can no longer be taken back: ten minutes are over, or another line came since. Enter \
                 what is right as a new line",
                line.words
            ));
        }
        self.lines.truncate(at);
        let actions = self.engine.handle(Event::TakeBack { line: line.number }, now);
        self.pending.batch.struck.push((line.key, now.ms));
        self.perform(actions, None);
        self.pending.urgent = true;
        self.pending.with_state = true;
        Ok(line.words)
    }

    fn status(&mut self) -> Status {
        let now_ms = self.now().ms;
        // What stood when the time was last known, rather than ages by a clock that is wrong.
        let at_ms = if self.trusted || self.told_ms == i64::MIN { now_ms } else { self.told_ms };
        let mut refusals: Vec<_> = self.intake.refused().last().cloned().collect();
        refusals.reverse();
        refusals.truncate(REFUSALS);
        let unknown_topics = self.intake.strangers().list().into_iter().map(|(topic, stranger)| {
            let (payload, count) = (stranger.payload.clone(), stranger.count);
            UnknownTopic { topic: topic.to_owned(), payload, count }
        });
        Status {
            survey: self.engine.survey(at_ms),
            at_ms,
            clock_trusted: self.trusted,
            clock: self.clock_words(),
            board: self.box_lines(),
            counts: self.counts,
            letters_waiting: self.letters_under_way,
            letters_overtaken: self.store.reader().letters_overtaken().unwrap_or(0),
            refusals,
            unknown_topics: unknown_topics.collect(),
            broker: self.broker_words.clone(),
            mail: self.mail_words.clone(),
            store: self.store_trouble.as_ref().map(|trouble| trouble.words.clone()),
        }
    }
}
