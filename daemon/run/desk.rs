//! Answers to the local socket and the pages.

use super::core::Core;
use super::pending::Waiting;
use crate::daybook;
use crate::engine::Event;
use crate::local::{Answer, Call, Request, Status, UnknownTopic};
use crate::store::{BookLine, Came};

/// Refusals shown.
const REFUSALS: usize = 20;

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
            Request::Jot { words } => match self.enter(&words) {
                Ok(words) => self.pending.waiting.push(Waiting { answer, words }),
                Err(words) => {
                    let _ = answer.send(Answer::Refused { words });
                }
            },
            Request::Commit | Request::Settle { .. } | Request::Clock { .. } => self.drive(&request, answer),
        }
    }

    /// Takes a day-book line that happened now; the line as understood, or why it was not.
    pub(super) fn enter(&mut self, words: &str) -> Result<String, String> {
        let now = self.now();
        let entry = daybook::parse(words, &self.garden).map_err(|error| error.to_string())?;
        if let Some(task) = entry.answers() {
            let mut open = self.engine.open_tasks();
            if matches!(entry, daybook::Entry::NotNeeded { .. }) {
                open.extend(self.engine.open_proposals());
            }
            if !open.contains(&task) {
                let open: Vec<String> = open.iter().map(u32::to_string).collect();
                let open = if open.is_empty() { "none does".to_owned() } else { open.join(", ") };
                return Err(format!("no task {task} waits for an answer; those that do: {open}"));
            }
        }
        if let Some(what) = self.engine.without_bed(&entry) {
            let beds: Vec<&str> = self.garden.beds.iter().map(|bed| bed.name.as_str()).collect();
            return Err(format!(
                "on which bed is {what}? Say it once, and it stays with it: \"fruit {what} spare on {}\" or \
                 \"flower {what} open on {}\" (the beds are {})",
                beds.first().unwrap_or(&""),
                beds.first().unwrap_or(&""),
                beds.join(", ")
            ));
        }
        // While the time is not known, what the engine was told last is the nearest to it.
        let at_ms = if self.trusted { now.ms } else { self.told_ms.max(now.ms) };
        if let Some(words) = self.engine.refuses(&entry, at_ms) {
            return Err(words);
        }
        if let daybook::Entry::Accept { number } = entry {
            let open = self.engine.open_proposals();
            if !open.contains(&number) {
                let open: Vec<String> = open.iter().map(u32::to_string).collect();
                let open = if open.is_empty() { "none does".to_owned() } else { open.join(", ") };
                return Err(format!("no proposal {number} waits for an answer; those that do: {open}"));
            }
        }
        let line = entry.to_string();
        if !self.trusted {
            let wall_ms = self.clock.wall_ms();
            let came = self.timeless(wall_ms, Came::Line { words: line.clone(), happened_ms: wall_ms });
            self.pending.batch.timeless.push(came);
            self.pending.urgent = true;
            return Ok(format!("{line} (the time is not known yet; the line gets its own as soon as it is)"));
        }
        self.pending.batch.entries.push(BookLine {
            happened_ms: now.ms,
            entered_ms: now.ms,
            words: line.clone(),
            clock_unsure: false,
        });
        let actions = self.engine.handle(Event::Entry { entry, happened_ms: now.ms }, now);
        self.perform(actions, None);
        self.pending.urgent = true;
        self.pending.with_state = true;
        Ok(line)
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
