//! From the bytes of a message to the numbers of one probe, and to their times if the payload has them.
//!
//! One file a shape. To add one: its file, its variant in [`Shape`], its arm in [`read`].

mod bare;
mod json;
mod senml;
mod unit;

use crate::settings::garden::Probe;

use super::Steps;
use super::stamp::Written;
pub(super) use json::Document;

/// Largest payload looked at, bytes.
const LIMIT_BYTES: usize = 65_536;

/// The shapes a payload may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shape {
    /// One number.
    Bare,
    /// A JSON document (RFC 8259); values are found by JSON Pointer (RFC 6901).
    Json,
    /// A JSON document with an array of samples in it.
    Samples,
    /// A SenML pack (RFC 8428).
    Senml,
}

/// The shape in which a probe sends.
fn shape(probe: &Probe) -> Shape {
    if probe.record.is_some() {
        Shape::Senml
    } else if probe.samples.is_some() {
        Shape::Samples
    } else if probe.pointer.is_some() || probe.time_pointer.is_some() {
        Shape::Json
    } else {
        Shape::Bare
    }
}

/// What one payload says for one probe at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sample<'a> {
    /// The number as sent, finite.
    pub number: f64,
    /// The payload's own time as it stands there.
    pub time: Option<Written<'a>>,
}

/// The payload as text, or why it can't be one.
pub(super) fn text(payload: &[u8]) -> Result<&str, String> {
    if payload.len() > LIMIT_BYTES {
        return Err(format!("{} bytes; at most {LIMIT_BYTES} are looked at", payload.len()));
    }
    std::str::from_utf8(payload)
        .map_err(|wrong| format!("not text: the byte at {} is not UTF-8", wrong.valid_up_to()))
}

/// Whether the probe's message may hold several samples.
pub(super) fn holds_many(probe: &Probe) -> bool {
    matches!(shape(probe), Shape::Samples | Shape::Senml)
}

/// Reads the samples of one probe, in the order of the payload; one that cannot be read stands among them with its
/// reason, and the error says why none could. `document` is shared by all probes of the message, so that JSON is
/// parsed once.
pub(super) fn read<'a>(
    probe: &Probe,
    text: &str,
    document: &'a mut Document,
    steps: &mut impl Steps,
) -> Result<Vec<Result<Sample<'a>, String>>, String> {
    match shape(probe) {
        Shape::Bare => {
            let number = bare::read(text, probe, steps)?;
            Ok(vec![Ok(Sample { number, time: None })])
        }
        Shape::Json => Ok(vec![Ok(json::read(text, probe, document, steps)?)]),
        Shape::Samples => json::read_each(text, probe, document, steps),
        Shape::Senml => {
            senml::read(document.value(text)?, probe.record.as_deref().unwrap_or_default(), probe, steps)
        }
    }
}
