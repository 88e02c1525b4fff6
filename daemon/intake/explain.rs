//! How one message would be read, step by step.

use crate::record::Millis;
use crate::rfc3339;
use crate::settings::garden::{Garden, Probe, RainForm};

use super::payload::Document;
use super::{Message, filter, read, shown};

/// Lines that say how `payload` on `topic`, arriving now, would be read: for each probe its steps and the
/// stored value or the refusal; if no probe asks for the topic, which came close and what to write.
/// The flag is true if nothing would be refused.
pub fn explain(garden: &Garden, topic: &str, payload: &[u8], arrived_ms: Millis) -> (Vec<String>, bool) {
    let message = Message { topic, payload, arrived_ms, retained: false, clock_trusted: true };
    let mut lines = vec![format!("topic {}", shown(topic.as_bytes(), 200))];
    lines.push(format!("payload of {} bytes: {}", payload.len(), shown(payload, 200)));
    let mut document = Document::default();
    let mut found = false;
    let mut good = true;
    let mut some_read = false;
    let mut left_out = 0;
    for (ix, probe) in garden.probes_ix().filter(|(_, probe)| filter::matches(&probe.topic, topic)) {
        found = true;
        lines.push(format!("probe {}: asks for {}", probe.name, probe.topic));
        let mut steps = Vec::new();
        let read = read(ix, probe, garden, &message, &mut document, &mut steps);
        lines.extend(steps.into_iter().map(|step| format!("  {step}")));
        let word = match read {
            Ok(read) => {
                some_read = true;
                good &= read.refused.is_none();
                lines.extend(read.readings.iter().map(|reading| {
                    let doubt = reading
                        .doubt
                        .map(|doubt| format!(", with the doubt {}: kept, used for nothing", doubt.key()))
                        .unwrap_or_default();
                    format!("  kept: {}{doubt}", stored(probe, reading.value, reading.at_ms))
                }));
                lines.extend(read.refused.map(|reason| format!("  refused: {reason}")));
                continue;
            }
            Err(reason) if document.lacks(probe) => {
                left_out += 1;
                format!("  not in this message: {reason}")
            }
            Err(reason) => {
                good = false;
                format!("  refused: {reason}")
            }
        };
        lines.push(word);
    }
    if left_out > 0 && !some_read {
        good = false;
        lines.push("refused: the message says nothing that is asked for".to_owned());
    }
    if !found {
        lines.extend(nearest(garden, topic));
    }
    (lines, found && good)
}

fn stored(probe: &Probe, value: f64, at_ms: Millis) -> String {
    let kind = probe.quantity.kind();
    let form = match probe.rain {
        Some(RainForm::Counter) => " (counter)",
        Some(RainForm::Increment) => " (increment)",
        Some(RainForm::Rate) => " an hour (rate)",
        Some(RainForm::DailyTotal) => " (daily total)",
        None => "",
    };
    format!("{} {value} {}{form} at {}", kind.key, kind.unit, rfc3339::show(at_ms))
}

/// The probes whose filters miss the topic by least, and the line that would make the nearest match.
fn nearest(garden: &Garden, topic: &str) -> Vec<String> {
    let mut lines = vec!["no probe asks for this topic".to_owned()];
    if topic.starts_with('$') {
        lines.push("a topic that starts with $ is matched only by a filter that starts so too".to_owned());
    }
    let mut near: Vec<_> =
        garden.probes.iter().map(|probe| (filter::levels_missed(&probe.topic, topic), probe)).collect();
    near.sort_by_key(|(missed, _)| *missed);
    for (missed, probe) in near.iter().take(3) {
        let hint = if probe.topic.eq_ignore_ascii_case(topic) {
            "only upper and lower case differ".to_owned()
        } else if probe.topic.trim_matches('/') == topic.trim_matches('/') {
            "only a slash at the start or end differs".to_owned()
        } else {
            format!("{missed} of its levels differ")
        };
        lines.push(format!("  near: probe {} asks for {}: {hint}", probe.name, probe.topic));
    }
    lines.push(format!("to take it in, write topic = {topic:?} in the settings of the probe that sends it"));
    lines
}
