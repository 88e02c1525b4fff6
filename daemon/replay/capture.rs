//! A capture: recorded messages as CSV (RFC 4180), `time,topic,payload` and optionally `retained`.

use std::io;

use csv::{ByteRecord, Reader, ReaderBuilder};

use crate::record::Millis;
use crate::rfc3339;

use super::ReplayError;

/// A row may lie so long after the row before it: 3 years. A wrong year would otherwise be played turn by
/// turn through centuries.
const LONGEST_GAP_MS: Millis = 3 * 366 * 86_400_000;

/// A capture being read. Rows are lent out one by one; nothing is kept of them.
pub struct Capture<R> {
    reader: Reader<R>,
    record: ByteRecord,
    columns: usize,
    last_ms: Option<Millis>,
}

/// One recorded message.
#[derive(Debug)]
pub struct Message<'a> {
    /// When it reached whoever recorded it; never before the row above.
    pub arrived_ms: Millis,
    /// Its topic, as it came.
    pub topic: &'a str,
    /// Its bytes.
    pub payload: &'a [u8],
    /// It was the broker's kept value.
    pub retained: bool,
}

impl<R: io::Read> Capture<R> {
    /// Reads the header and checks it.
    ///
    /// # Errors
    /// Another header, or no CSV.
    pub fn open(source: R) -> Result<Self, ReplayError> {
        let mut reader = ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .buffer_capacity(1 << 16)
            .from_reader(source);
        let mut record = ByteRecord::new();
        reader.read_byte_record(&mut record).map_err(ReplayError::Capture)?;
        let mut header: Vec<&[u8]> = record.iter().collect();
        if let Some(first) = header.first_mut() {
            *first = first.strip_prefix("\u{feff}".as_bytes()).unwrap_or(first);
        }
        let known: [&[&[u8]]; 2] =
            [&[b"time", b"topic", b"payload"], &[b"time", b"topic", b"payload", b"retained"]];
        if !known.contains(&header.as_slice()) {
            let header: Vec<_> = header.iter().map(|name| crate::intake::shown(name, 40)).collect();
            let why = format!(
                "the header is {:?}, it must be time,topic,payload or time,topic,payload,retained",
                header.join(",")
            );
            return Err(ReplayError::Row { line: 1, why });
        }
        let columns = header.len();
        Ok(Self { reader, record, columns, last_ms: None })
    }

    /// The next message, in the order of the file; `None` at the end.
    ///
    /// # Errors
    /// A row that can't be played, with its line.
    #[allow(clippy::should_implement_trait)] // rows are lent out, which an iterator cannot
    pub fn next(&mut self) -> Result<Option<Message<'_>>, ReplayError> {
        if !self.reader.read_byte_record(&mut self.record).map_err(ReplayError::Capture)? {
            return Ok(None);
        }
        match read(&self.record, self.columns, self.last_ms) {
            Ok(message) => {
                self.last_ms = Some(message.arrived_ms);
                Ok(Some(message))
            }
            Err(why) => {
                let line = self.record.position().map_or(0, csv::Position::line);
                Err(ReplayError::Row { line, why })
            }
        }
    }
}

fn read(record: &ByteRecord, columns: usize, last_ms: Option<Millis>) -> Result<Message<'_>, String> {
    if record.len() != columns {
        return Err(format!("{} columns, the header has {columns}", record.len()));
    }
    let text = |at: usize, name: &str| {
        let bytes = record.get(at).unwrap_or_default();
        std::str::from_utf8(bytes)
            .map_err(|_| format!("{name} {:?} is not UTF-8", crate::intake::shown(bytes, 60)))
    };
    let time = text(0, "time")?;
    let arrived_ms = rfc3339::parse(time)
        .ok_or_else(|| format!("time {time:?} is not RFC 3339 with an offset (like 2027-07-01T06:00:00Z)"))?;
    if let Some(last_ms) = last_ms {
        if arrived_ms < last_ms {
            return Err(format!("time {time} lies before the row above ({})", rfc3339::show(last_ms)));
        }
        if arrived_ms - last_ms > LONGEST_GAP_MS {
            return Err(format!("time {time} lies more than 3 years after the row above"));
        }
    }
    let retained = match record.get(3) {
        None | Some(b"" | b"0") => false,
        Some(b"1") => true,
        Some(other) => {
            return Err(format!("retained {:?} is neither 0, 1 nor empty", crate::intake::shown(other, 40)));
        }
    };
    let payload = record.get(2).unwrap_or_default();
    Ok(Message { arrived_ms, topic: text(1, "topic")?, payload, retained })
}
