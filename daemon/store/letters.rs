//! The outbox: a letter stays until the server has accepted it or refused it for good.

use rusqlite::{OptionalExtension, Row};

use super::error::told;
use super::{Reader, Store, StoreError};
use crate::record::{MatterKey, Millis, OutboxLetter};

/// What became of a letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fate {
    /// Not yet accepted.
    Waiting,
    /// The server accepted it then.
    Accepted(Millis),
    /// The server refused it for good then, with these words.
    Refused(Millis, String),
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

impl Store {
    /// The server has accepted letter `number`. Telling it again changes nothing.
    pub fn mark_accepted(&mut self, number: u32, at_ms: Millis) -> Result<(), StoreError> {
        self.settle_letter(number, 1, at_ms, "")
    }

    /// The server has refused letter `number` for good.
    pub fn mark_refused(&mut self, number: u32, at_ms: Millis, words: &str) -> Result<(), StoreError> {
        self.settle_letter(number, 2, at_ms, words)
    }

    fn settle_letter(
        &mut self,
        number: u32,
        fate: i64,
        at_ms: Millis,
        words: &str,
    ) -> Result<(), StoreError> {
        let Reader { conn, path } = &self.reader;
        conn.prepare_cached(
            "UPDATE outbox SET fate = ?2, fate_ms = ?3, words = ?4 WHERE number = ?1 AND fate = 0",
        )
        .and_then(|mut mark| mark.execute((number, fate, at_ms, words)))
        .map(drop)
        .map_err(|e| told(path, e))
    }
}

impl Reader {
    /// Letters not yet accepted, oldest first.
    pub fn letters_waiting(&self) -> Result<Vec<OutboxLetter>, StoreError> {
        self.list(
            "SELECT number, person, address, at_ms, matters, subject, eml FROM outbox WHERE fate = 0
             ORDER BY id",
            [],
            whole_letter,
        )
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
                "SELECT number, person, address, at_ms, matters, subject, eml FROM outbox
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
    })
}
