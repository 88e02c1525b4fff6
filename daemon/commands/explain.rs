//! `explain`: how one message would be read, step by step.

use std::io::{self, Write};

use crate::intake;
use crate::record::Millis;
use crate::settings::garden::Garden;

/// Writes the steps to `out`, taking `now_ms` as the arrival. The exit code is 0 if every probe of the
/// topic got a reading, else 1.
pub fn explain(
    garden: &Garden,
    topic: &str,
    payload: &[u8],
    now_ms: Millis,
    out: &mut dyn Write,
) -> io::Result<u8> {
    let (lines, good) = intake::explain(garden, topic, payload, now_ms);
    for line in lines {
        writeln!(out, "{line}")?;
    }
    Ok(if good { 0 } else { 1 })
}
