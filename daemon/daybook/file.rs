//! The day book as a file: CSV (RFC 4180) with the columns `time,entry` and optionally `entered`.

use csv::StringRecord;

use crate::record::Millis;
use crate::rfc3339;
use crate::settings::garden::Garden;

use super::{Entry, parse};

/// One row.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// When it happened.
    pub happened_ms: Millis,
    /// What.
    pub entry: Entry,
    /// When it was written down; `None` = the file does not say.
    pub entered_ms: Option<Millis>,
}

impl Row {
    /// When the daemon heard of it: when it was written down, else when it happened.
    pub fn heard_ms(&self) -> Millis {
        self.entered_ms.unwrap_or(self.happened_ms)
    }
}

/// Why a file can't be read.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// It is no CSV, or not UTF-8.
    #[error("day book: {0}")]
    Csv(#[from] csv::Error),
    /// The header is another.
    #[error("day book line 1: the header is {0:?}, it must be time,entry or time,entry,entered")]
    Header(String),
    /// Lines that can't be read, all of them; nothing was taken.
    #[error("{}", .0.join("\n"))]
    Lines(Vec<String>),
}

/// Reads a whole day book. Every line that can't be read is complained of, and then none is taken.
pub fn read(text: &[u8], garden: &Garden) -> Result<Vec<Row>, FileError> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).has_headers(false).from_reader(text);
    let mut record = StringRecord::new();
    if reader.read_record(&mut record)? {
        let mut header: Vec<&str> = record.iter().collect();
        if let Some(first) = header.first_mut() {
            *first = first.trim_start_matches('\u{feff}');
        }
        if header != ["time", "entry"] && header != ["time", "entry", "entered"] {
            return Err(FileError::Header(header.join(",")));
        }
    }
    let columns = record.len();
    let (mut rows, mut wrong) = (Vec::new(), Vec::new());
    while reader.read_record(&mut record)? {
        let line = record.position().map_or(0, csv::Position::line);
        match row(&record, columns, garden) {
            Ok(row) => rows.push(row),
            Err(why) => wrong.push(format!("day book line {line}: {why}")),
        }
    }
    if wrong.is_empty() { Ok(rows) } else { Err(FileError::Lines(wrong)) }
}

fn row(record: &StringRecord, columns: usize, garden: &Garden) -> Result<Row, String> {
    if record.len() != columns {
        return Err(format!("{} columns, the header has {columns}", record.len()));
    }
    let time = |at: usize| {
        let text = record.get(at).unwrap_or("").trim();
        rfc3339::parse(text)
            .ok_or_else(|| format!("{text:?} is not an RFC 3339 time (like 2027-07-01T06:00:00Z)"))
    };
    let words = record.get(1).unwrap_or("");
    let entered_ms = match record.get(2) {
        None | Some("") => None,
        Some(_) => Some(time(2)?),
    };
    let entry = parse(words, garden).map_err(|error| format!("{words:?}: {error}"))?;
    Ok(Row { happened_ms: time(0)?, entry, entered_ms })
}

/// The text of a day book with these rows, with the column `entered` if any row has it.
pub fn write(rows: &[Row]) -> Result<Vec<u8>, FileError> {
    let mut text = Vec::new();
    let mut writer = csv::Writer::from_writer(&mut text);
    let entered = rows.iter().any(|row| row.entered_ms.is_some());
    let header: &[&str] = if entered { &["time", "entry", "entered"] } else { &["time", "entry"] };
    writer.write_record(header)?;
    for row in rows {
        let mut fields = vec![rfc3339::show(row.happened_ms), row.entry.to_string()];
        if entered {
            fields.push(row.entered_ms.map(rfc3339::show).unwrap_or_default());
        }
        writer.write_record(&fields)?;
    }
    writer.flush().map_err(csv::Error::from)?;
    drop(writer);
    Ok(text)
}
