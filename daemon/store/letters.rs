//! The outbox: a letter stays until the server has accepted it or refused it for good, or until it is overtaken.

use rusqlite::{Connection, OptionalExtension, Row};

use super::error::told;
use super::{Reader, Store, StoreError};
use crate::record::{LetterDraft, MatterKey, Millis, OutboxLetter, Waiting, WaitingLetter};

/// What became of a letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fate {
    /// Not yet accepted.
    Waiting,
    /// The server accepted it then.
    Accepted(Millis),
    /// The server refused it for good then, with these words.
    Refused(Millis, String),
    /// It had to wait, and then was not needed any more, for this reason.
    Overtaken(Millis, String),
    /// A later version kept what this one cannot read.
    Unknown,
}

/// A letter as pages list it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptLetter {
    /// Its number.
    pub number: u32,
    /// The person's name.
    pub person: String,
    /// The address at the time of writing.
    pub address: String,
    /// When it was decided.
    pub at_ms: Millis,
    /// What it is about.
    pub matters: Vec<MatterKey>,
    /// Subject line.
    pub subject: String,
    /// What became of it.
    pub fate: Fate,
}

/// Accepted letters to one person that are searched for what was told: at three a day some three months.
const ACCEPTED_LOOKED_AT: u32 = 300;

impl Store {
    /// The server has accepted letter `number`. Telling it again changes nothing.
    pub fn mark_accepted(&mut self, number: u32, at_ms: Millis) -> Result<(), StoreError> {
        self.mark_fate(&LetterFate { number, at_ms, refused: None })
    }

    /// The server has refused letter `number` for good.
    pub fn mark_refused(&mut self, number: u32, at_ms: Millis, words: &str) -> Result<(), StoreError> {
        self.mark_fate(&LetterFate { number, at_ms, refused: Some(words.to_owned()) })
    }

    /// These letters have to wait and were certainly not handed to the server.
    pub fn mark_untouched(&mut self, numbers: &[u32]) -> Result<(), StoreError> {
        let Reader { conn, path } = &mut self.reader;
        let mut mark = || -> rusqlite::Result<()> {
            let tx = conn.transaction()?;
            for number in numbers {
                tx.execute("UPDATE outbox SET maybe_there = 0 WHERE number = ?1 AND fate = 0", [number])?;
            }
            tx.commit()
        };
        mark().map_err(|e| told(path, e))
    }

    /// A letter has met its fate.
    pub fn mark_fate(&mut self, fate: &LetterFate) -> Result<(), StoreError> {
        let Reader { conn, path } = &self.reader;
        keep_fates(conn, std::slice::from_ref(fate)).map_err(|e| told(path, e))
    }
}

impl Reader {
    /// Letters not yet accepted, oldest first.
    pub fn letters_waiting(&self) -> Result<Vec<OutboxLetter>, StoreError> {
        self.list(
            "SELECT number, person, address, at_ms, matters, subject, eml, draft FROM outbox WHERE fate = 0
             ORDER BY id",
            [],
            whole_letter,
        )
    }

    /// Numbers of the letters that wait and that the server may have all the same.
    pub fn maybe_there(&self) -> Result<Vec<u32>, StoreError> {
        self.list(
            "SELECT number FROM outbox WHERE fate = 0 AND maybe_there <> 0 ORDER BY number",
            [],
            |row| row.get(0),
        )
    }

    /// How many letters were overtaken before they could be sent.
    pub fn letters_overtaken(&self) -> Result<u64, StoreError> {
        let counted: Vec<i64> =
            self.list("SELECT count(*) FROM outbox WHERE fate = 3", [], |row| row.get(0))?;
        Ok(counted.first().map_or(0, |count| count.unsigned_abs()))
    }

    /// The letters to `address` that wait and can be looked through, and what is known to have reached it.
    pub fn waiting_for(&self, address: &str) -> Result<Waiting, StoreError> {
        let waiting = self.list(
            "SELECT draft, maybe_there FROM outbox WHERE fate = 0 AND address = ?1 ORDER BY number",
            [address],
            |row| Ok((draft(row, 0)?, row.get::<_, i64>(1)? != 0)),
        )?;
        let letters = waiting
            .into_iter()
            .filter_map(|(draft, maybe_there)| Some(WaitingLetter { draft: *draft?, maybe_there }))
            .collect();
        let accepted = self.list(
            "SELECT number, draft FROM outbox WHERE fate = 1 AND address = ?1 ORDER BY id DESC LIMIT ?2",
            (address, ACCEPTED_LOOKED_AT),
            |row| Ok((row.get(0)?, draft(row, 1)?)),
        )?;
        let mut waiting = Waiting { letters, ..Waiting::default() };
        for (number, draft) in accepted {
            waiting.accepted.push(number);
            waiting.told_tasks.extend(draft.iter().flat_map(|draft| &draft.tasks).map(|task| task.number));
        }
        Ok(waiting)
    }

    /// The person to whom letter `number` goes.
    pub fn receiver(&self, number: u32) -> Result<Option<String>, StoreError> {
        let found = self.list(
            "SELECT person FROM outbox WHERE number = ?1 ORDER BY id DESC LIMIT 1",
            [number],
            |row| row.get(0),
        )?;
        Ok(found.into_iter().next())
    }

    /// The latest letters, newest first, at most `most`.
    pub fn recent_letters(&self, most: u32) -> Result<Vec<KeptLetter>, StoreError> {
        self.list(
            "SELECT number, person, address, at_ms, matters, subject, fate, fate_ms, words FROM outbox
             ORDER BY id DESC LIMIT ?1",
            [most],
            |row| {
                let at_ms = || row.get::<_, Option<Millis>>(7).map(Option::unwrap_or_default);
                Ok(KeptLetter {
                    number: row.get(0)?,
                    person: row.get(1)?,
                    address: row.get(2)?,
                    at_ms: row.get(3)?,
                    matters: super::look::from_json(row, 4)?,
                    subject: row.get(5)?,
                    fate: match row.get::<_, i64>(6)? {
                        0 => Fate::Waiting,
                        1 => Fate::Accepted(at_ms()?),
                        2 => Fate::Refused(at_ms()?, row.get(8)?),
                        3 => Fate::Overtaken(at_ms()?, row.get(8)?),
                        _ => Fate::Unknown,
                    },
                })
            },
        )
    }

    /// One letter whole, the latest of that number.
    pub fn letter(&self, number: u32) -> Result<Option<OutboxLetter>, StoreError> {
        self.conn
            .prepare_cached(
                "SELECT number, person, address, at_ms, matters, subject, eml, draft FROM outbox
                 WHERE number = ?1 ORDER BY id DESC LIMIT 1",
            )
            .and_then(|mut find| find.query_row([number], whole_letter).optional())
            .map_err(|e| told(&self.path, e))
    }

    /// The highest letter number ever used; 0 = none yet.
    pub fn last_letter_number(&self) -> Result<u32, StoreError> {
        self.conn
            .query_row(
                "SELECT max(coalesce((SELECT max(number) FROM outbox), 0),
                   coalesce((SELECT cast(value AS INTEGER) FROM meta WHERE key = 'letters'), 0))",
                [],
                |row| row.get(0),
            )
            .map_err(|e| told(&self.path, e))
    }
}

fn whole_letter(row: &Row<'_>) -> rusqlite::Result<OutboxLetter> {
    Ok(OutboxLetter {
        number: row.get(0)?,
        person: row.get(1)?,
        address: row.get(2)?,
        at_ms: row.get(3)?,
        matters: super::look::from_json(row, 4)?,
        subject: row.get(5)?,
        eml: row.get(6)?,
        draft: draft(row, 7)?,
    })
}

/// The draft in a column; one that a later version wrote in a form unknown here counts as none.
fn draft(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<Box<LetterDraft>>> {
    Ok(serde_json::from_str(&row.get::<_, String>(column)?).ok())
}

/// What the mail server did with a letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LetterFate {
    /// The letter.
    pub number: u32,
    /// When it was heard.
    pub at_ms: Millis,
    /// Accepted, or refused for good in these words.
    pub refused: Option<String>,
}

pub(super) fn keep_fates(conn: &Connection, fates: &[LetterFate]) -> rusqlite::Result<()> {
    let mut mark = conn.prepare_cached(
        "UPDATE outbox SET fate = ?2, fate_ms = ?3, words = ?4 WHERE number = ?1 AND fate = 0",
    )?;
    for LetterFate { number, at_ms, refused } in fates {
        let fate = if refused.is_some() { 2 } else { 1 };
        mark.execute((number, fate, at_ms, refused.as_deref().unwrap_or_default()))?;
    }
    Ok(())
}

/// What looking through waiting letters came to; part of a commit.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sifted {
    /// Addresses whose letters were looked through: those that stay are about to be sent.
    pub addresses: Vec<String>,
    /// Numbers of letters that are not sent any more, each with the reason.
    pub overtaken: Vec<(u32, String)>,
}

impl Sifted {
    pub(super) fn keep(&self, conn: &Connection, at_ms: Millis) -> rusqlite::Result<()> {
        let mut mark = conn.prepare_cached(
            "UPDATE outbox SET fate = 3, fate_ms = ?2, words = ?3 WHERE number = ?1 AND fate = 0",
        )?;
        for (number, words) in &self.overtaken {
            mark.execute((number, at_ms, words))?;
        }
        let mut go = conn.prepare_cached(
            "UPDATE outbox SET maybe_there = 1 WHERE address = ?1 AND fate = 0 AND maybe_there = 0",
        )?;
        for address in &self.addresses {
            go.execute([address])?;
        }
        Ok(())
    }
}
