//! Faults made on purpose in this world, in the daemon as the world sees it and in what it stored: the model must see
//! each of them.

use super::play::World;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The edge acknowledges what it has only handed in.
    AckBeforeCommit,
    /// The card says that it has written, and forgets it with the power.
    CardForgets,
    /// What came of a letter is not passed on.
    MarkForgotten,
    /// A letter is sent a second time without a reason.
    Resent,
    /// What comes doubled comes under another time.
    DoubledApart,
    /// The gauge counts each tip twice.
    RainDoubled,
    /// A line is answered with "done" and thrown away.
    LineThrownAway,
    /// The time service says yes although the clock is wrong.
    TimeLies,
    /// The store drops one reading that it has acknowledged.
    StoreDrops,
    /// It keeps another value for one.
    StoreBends,
    /// The outbox forgets that a letter was accepted, and sends it again after the next start.
    OutboxForgets,
    /// A line of the day book is kept twice.
    LineTwice,
    /// A day is closed while the time is not known.
    ClosedTooEarly,
    /// A closed day holds other water than its readings make.
    DayBent,
    /// Wind that nobody measured is said to be none.
    UnknownAsNought,
}

/// The last sealed reading of one probe.
const LAST: &str = "series = 1 AND at_ms = (SELECT max(at_ms) FROM reading WHERE series = 1)";
/// All closed days but the last.
const CLOSED: &str = "date < (SELECT max(date) FROM bed_day)";
/// The last closed day once more, as the next one.
const NEXT_DAY: &str = "INSERT INTO bed_day SELECT date(date, '+1 day'), bed,
  json_set(record, '$.date', date(date, '+1 day')) FROM bed_day ORDER BY date DESC LIMIT 1";
const LINE_AGAIN: &str = "INSERT INTO day_book(happened_ms, entered_ms, words)
  SELECT happened_ms, entered_ms, words FROM day_book LIMIT 1";

impl World {
    /// Changes what is stored, once, as soon as there is something to change.
    pub fn plant(&mut self) {
        if self.planted || self.core.is_none() {
            return;
        }
        let day = |field: &str, value: &str, which: &str| {
            format!(
                "UPDATE bed_day SET record = json_set(record, '$.{field}', {value}) WHERE {CLOSED} AND {which}"
            )
        };
        let sql = match self.fault {
            Some(Fault::StoreDrops) => format!("DELETE FROM reading WHERE {LAST}"),
            Some(Fault::StoreBends) => format!("UPDATE reading SET value = value + 1 WHERE {LAST}"),
            Some(Fault::OutboxForgets) => "UPDATE outbox SET fate = 0 WHERE fate = 1".to_owned(),
            Some(Fault::LineTwice) => LINE_AGAIN.to_owned(),
            Some(Fault::ClosedTooEarly) if self.model.sees_no_time() => NEXT_DAY.to_owned(),
            Some(Fault::DayBent) => day("depletion_mm", "3.21", "true"),
            Some(Fault::UnknownAsNought) => {
                day("wind_mean_m_s", "0.0", "json_extract(record, '$.wind_mean_m_s') IS NULL")
            }
            _ => return,
        };
        self.planted = self.card.meddle(&sql) > 0;
    }
}
