//! A JSON document (RFC 8259) with values found by JSON Pointer (RFC 6901).
//!
//! The parser stops at 128 levels, so a document nested a thousand deep is refused and never runs the
//! stack out.

use serde_json::Value;

use crate::settings::garden::Probe;

use super::super::Steps;
use super::super::stamp::Written;
use super::{Sample, bare};

/// The document of one message: parsed when the first probe asks, then shared.
#[derive(Debug, Default)]
pub(in super::super) enum Document {
    /// Nobody asked yet.
    #[default]
    Unread,
    /// The document.
    Read(Value),
    /// Why it is none.
    Wrong(String),
}

impl Document {
    /// It was read and holds nothing at the probe's place.
    pub(in super::super) fn lacks(&self, probe: &Probe) -> bool {
        let Document::Read(root) = self else { return false };
        if let Some(name) = &probe.record {
            return !super::senml::holds(root, name);
        }
        let place = probe.samples.as_deref().or(probe.pointer.as_deref());
        place.is_some_and(|pointer| root.is_object() && root.pointer(pointer).is_none())
    }

    pub(super) fn value(&mut self, text: &str) -> Result<&Value, String> {
        if let Document::Unread = self {
            *self = match serde_json::from_str(text) {
                Ok(value) => Document::Read(value),
                Err(_) if text.trim().is_empty() => Document::Wrong("empty".to_owned()),
                Err(wrong) => Document::Wrong(format!("not JSON: {wrong}")),
            };
        }
        match self {
            Document::Read(value) => Ok(value),
            Document::Wrong(reason) => Err(reason.clone()),
            Document::Unread => Err("empty".to_owned()),
        }
    }
}

/// Reads the sample of one probe.
pub(super) fn read<'a>(
    text: &str,
    probe: &Probe,
    document: &'a mut Document,
    steps: &mut impl Steps,
) -> Result<Sample<'a>, String> {
    let root = document.value(text)?;
    steps.say(|| format!("JSON document of {} bytes", text.len()));
    sample(root, probe, steps)
}

/// Reads each sample of the array that the probe's `samples` points at.
pub(super) fn read_each<'a>(
    text: &str,
    probe: &Probe,
    document: &'a mut Document,
    steps: &mut impl Steps,
) -> Result<Vec<Result<Sample<'a>, String>>, String> {
    let root = document.value(text)?;
    let pointer = probe.samples.as_deref().unwrap_or("");
    let there = find(root, pointer)?;
    let elements = there
        .as_array()
        .ok_or_else(|| format!("{} stands at {}, not an array of samples", kind_of(there), place(pointer)))?;
    steps.say(|| format!("{} samples at {}", elements.len(), place(pointer)));
    Ok(elements.iter().map(|element| sample(element, probe, steps)).collect())
}

/// The sample of a document, or of an element of an array.
fn sample<'a>(root: &'a Value, probe: &Probe, steps: &mut impl Steps) -> Result<Sample<'a>, String> {
    // A bare number is JSON too; the empty pointer means the whole document.
    let pointer = probe.pointer.as_deref().unwrap_or("");
    let number = number(find(root, pointer)?, pointer, probe, steps)?;
    let time = match probe.time_pointer.as_deref() {
        Some(pointer) => Some(written(find(root, pointer)?, pointer)?),
        None => None,
    };
    Ok(Sample { number, time })
}

fn find<'a>(root: &'a Value, pointer: &str) -> Result<&'a Value, String> {
    root.pointer(pointer).ok_or_else(|| format!("nothing stands at {pointer}; {}", what_stands(root)))
}

fn number(value: &Value, pointer: &str, probe: &Probe, steps: &mut impl Steps) -> Result<f64, String> {
    match value {
        Value::Number(number) => {
            let number = number
                .as_f64()
                .filter(|number| number.is_finite())
                .ok_or_else(|| format!("{number} at {pointer} is beyond all numbers"))?;
            steps.say(|| format!("number {number} at {}", place(pointer)));
            Ok(number)
        }
        Value::String(words) => {
            steps.say(|| format!("text {words:?} at {}", place(pointer)));
            bare::read(words, probe, steps).map_err(|reason| format!("{reason} (at {})", place(pointer)))
        }
        other => Err(format!("{} stands at {}, not a number", kind_of(other), place(pointer))),
    }
}

fn written<'a>(value: &'a Value, pointer: &str) -> Result<Written<'a>, String> {
    match value {
        Value::Number(number) => number
            .as_i64()
            .map(Written::Whole)
            .or_else(|| number.as_f64().map(Written::Number))
            .ok_or_else(|| format!("time {number} at {pointer} is beyond all numbers")),
        Value::String(words) => Ok(Written::Words(words)),
        other => Err(format!("{} stands at {}, not a time", kind_of(other), place(pointer))),
    }
}

fn place(pointer: &str) -> &str {
    if pointer.is_empty() { "the top" } else { pointer }
}

fn kind_of(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "true or false",
        Value::Array(_) => "an array",
        Value::Object(_) => "an object",
        Value::Number(_) => "a number",
        Value::String(_) => "text",
    }
}

/// The pointers that would find something, the first few of them, so that a wrong one is soon put right.
fn what_stands(root: &Value) -> String {
    let mut pointers = Vec::new();
    leaves(root, &mut String::new(), &mut pointers);
    if pointers.is_empty() {
        return "the document holds no values".to_owned();
    }
    format!("there are {}", pointers.join(", "))
}

/// Most pointers listed.
const LISTED: usize = 8;

fn leaves(value: &Value, at: &mut String, pointers: &mut Vec<String>) {
    let mut deeper = |key: &str, value: &Value| {
        if pointers.len() < LISTED {
            let length = at.len();
            at.push('/');
            at.push_str(&key.replace('~', "~0").replace('/', "~1"));
            leaves(value, at, pointers);
            at.truncate(length);
        }
    };
    match value {
        Value::Object(members) => members.iter().for_each(|(key, value)| deeper(key, value)),
        Value::Array(items) => {
            items.iter().take(LISTED).enumerate().for_each(|(at, value)| deeper(&at.to_string(), value));
        }
        _ => pointers.push(super::super::shown(place(at).as_bytes(), 60)),
    }
}
