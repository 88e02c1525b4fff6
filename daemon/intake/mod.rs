//! From the bytes of a message to readings, or to a refusal that says why: topic, payload shape, unit,
//! calibration, time, plausibility.
//!
//! Pure and synchronous: no clock, no file, no network. What is implausible is kept with a doubt; only
//! what can't be understood is refused. Must not hold anything about beds, days or water.

mod explain;
mod filter;
mod judge;
mod known;
mod payload;
mod refused;
mod routes;
mod stamp;
mod strangers;

use std::fmt::Write as _;
use std::sync::Arc;

use crate::record::{Doubt, Millis, ProbeIx, Reading, Refusal};
use crate::rfc3339;
use crate::settings::garden::{Garden, Probe, TimeForm};

pub use explain::explain;
pub use filter::matches;
pub use known::{Known, Met};
pub use refused::Refused;
pub use strangers::{Stranger, Strangers};

use payload::Document;

/// Longest payload shown in a refusal, characters.
const SHOWN: usize = 200;

/// Takes messages in for one garden.
#[derive(Debug)]
pub struct Intake {
    garden: Arc<Garden>,
    routes: routes::Routes,
    refused: Refused,
    strangers: Strangers,
    clock_trusted: bool,
}

/// What became of one message. Meant to be used again for the next: its buffers stay.
#[derive(Debug, Default)]
pub struct Taken {
    /// The readings, oldest first for each probe.
    pub readings: Vec<Reading>,
    /// Whose node the broker says is there, or is gone.
    pub presence: Vec<(ProbeIx, bool)>,
    /// What was refused, and for which probe.
    pub refusals: Vec<(Option<ProbeIx>, Refusal)>,
    /// No probe asks for this topic.
    pub unknown: bool,
}

/// One message as it came.
#[derive(Debug, Clone, Copy)]
struct Message<'a> {
    topic: &'a str,
    payload: &'a [u8],
    arrived_ms: Millis,
    retained: bool,
    clock_trusted: bool,
}

impl Intake {
    /// Intake of a garden. The clock counts as trusted until [`Intake::trust_clock`] says otherwise.
    pub fn new(garden: Arc<Garden>) -> Self {
        Self {
            garden,
            routes: routes::Routes::default(),
            refused: Refused::default(),
            strangers: Strangers::default(),
            clock_trusted: true,
        }
    }

    /// Says whether arrival times may be believed. While they may not, a reading without a time of its
    /// own is kept with [`Doubt::ClockUnsure`], and own times are not held against the arrival.
    pub fn trust_clock(&mut self, trusted: bool) {
        self.clock_trusted = trusted;
    }

    /// Takes one message: `arrived_ms` when it reached us, `retained` if it is the broker's kept value.
    /// `out` is emptied first.
    pub fn take(&mut self, topic: &str, payload: &[u8], arrived_ms: Millis, retained: bool, out: &mut Taken) {
        out.readings.clear();
        out.refusals.clear();
        out.presence.clear();
        out.unknown = false;
        if self.takes_will(topic, payload, arrived_ms, out) {
            return;
        }
        let probes = self.routes.probes(&self.garden, topic);
        out.unknown = probes.is_empty();
        if out.unknown {
            self.strangers.note(topic, payload, arrived_ms);
            return;
        }
        let message = Message { topic, payload, arrived_ms, retained, clock_trusted: self.clock_trusted };
        let mut document = Document::default();
        for &ix in probes.iter() {
            let Some(probe) = self.garden.probe(ix) else { continue };
            match read(ix, probe, &self.garden, &message, &mut document, &mut Silent) {
                Ok(read) => {
                    out.readings.extend(read.readings);
                    out.refusals.extend(
                        read.refused.map(|reason| (Some(ix), refusal(&message, Some(probe), reason))),
                    );
                }
                Err(reason) => out.refusals.push((Some(ix), refusal(&message, Some(probe), reason))),
            }
        }
        if !out.readings.is_empty() {
            // A node may leave a member out of some of its messages (its battery, say): where the message says
            // something else that is asked for, that is no fault; silence will show if it never comes.
            out.refusals.retain(|(ix, _)| {
                !ix.and_then(|ix| self.garden.probe(ix)).is_some_and(|probe| document.lacks(probe))
            });
        }
        for (ix, refusal) in &out.refusals {
            self.refused.keep(*ix, refusal);
        }
    }

    /// Takes the word of a topic of a last will, which is no reading; false if it is none. Kept values count: the
    /// broker keeps the last word for whoever comes later. An empty one clears it and says nothing.
    fn takes_will(&mut self, topic: &str, payload: &[u8], arrived_ms: Millis, out: &mut Taken) -> bool {
        let mut is_will = false;
        for (ix, probe) in self.garden.probes_ix() {
            let Some(will) = probe.last_will.as_ref().filter(|will| will.topic == topic) else { continue };
            is_will = true;
            let word = String::from_utf8_lossy(payload);
            match word.trim() {
                "" => {}
                word if word == will.online => out.presence.push((ix, true)),
                word if word == will.offline => out.presence.push((ix, false)),
                _ => {
                    let message = Message {
                        topic,
                        payload,
                        arrived_ms,
                        retained: false,
                        clock_trusted: self.clock_trusted,
                    };
                    let reason =
                        format!("neither {:?} nor {:?}; see online and offline", will.online, will.offline);
                    out.refusals.push((Some(ix), refusal(&message, Some(probe), reason)));
                }
            }
        }
        for (ix, refusal) in &out.refusals {
            self.refused.keep(*ix, refusal);
        }
        is_will
    }

    /// Notes a message that was heard beside the probes' own, if no probe asks for its topic.
    pub fn overhear(&mut self, topic: &str, payload: &[u8], arrived_ms: Millis) {
        if self.routes.probes(&self.garden, topic).is_empty() {
            self.strangers.note(topic, payload, arrived_ms);
        }
    }

    /// What was refused in this run.
    pub fn refused(&self) -> &Refused {
        &self.refused
    }

    /// Adds a refusal that was decided outside, such as a second value for a moment already known.
    pub fn refuse(&mut self, probe: Option<ProbeIx>, refusal: &Refusal) {
        self.refused.keep(probe, refusal);
    }

    /// The topics that no probe asks for.
    pub fn strangers(&self) -> &Strangers {
        &self.strangers
    }
}

/// What a message says of one probe.
#[derive(Debug)]
struct Read {
    /// Oldest first.
    readings: Vec<Reading>,
    /// How many samples were refused, and why the first was: one refusal a message, however many it holds.
    refused: Option<String>,
}

/// Reads one probe's values out of a message. The only way a reading comes about: `explain` goes it too,
/// with `steps` that listen.
fn read(
    ix: ProbeIx,
    probe: &Probe,
    garden: &Garden,
    message: &Message<'_>,
    document: &mut Document,
    steps: &mut impl Steps,
) -> Result<Read, String> {
    let text = payload::text(message.payload)?;
    let samples = payload::read(probe, text, document, steps)?;
    let counted = if payload::holds_many(probe) {
        let times: Vec<_> = samples.iter().filter_map(|sample| Some(sample.as_ref().ok()?.time)).collect();
        stamp::by_uptime(&times, &probe.time, message.arrived_ms)
    } else {
        None
    };
    let mut counted = counted.map(Vec::into_iter);
    let all = samples.len();
    let mut readings = Vec::with_capacity(all);
    let mut reasons = Vec::new();
    for sample in samples {
        let read = sample.and_then(|sample| {
            let stamped = counted.as_mut().and_then(Iterator::next);
            reading(ix, probe, garden, message, &sample, stamped, steps)
        });
        match read {
            Ok(reading) => readings.push(reading),
            Err(reason) if all == 1 => return Err(reason),
            Err(reason) => reasons.push(reason),
        }
    }
    readings.sort_by_key(|reading| reading.at_ms);
    let refused = reasons.first().map(|first| format!("{} of {all} samples: {first}", reasons.len()));
    Ok(Read { readings, refused })
}

/// One sample as a reading; `counted` is its time where that was known only beside the others.
fn reading(
    ix: ProbeIx,
    probe: &Probe,
    garden: &Garden,
    message: &Message<'_>,
    sample: &payload::Sample<'_>,
    counted: Option<stamp::Stamped>,
    steps: &mut impl Steps,
) -> Result<Reading, String> {
    let (value, implausible) = judge::value(sample.number, probe, steps)?;
    let arrived_ms = message.arrived_ms;
    let stamped = match (counted, &probe.time, sample.time) {
        (Some(stamped), ..) => {
            steps.say(|| format!("seconds of a node without a clock: {}", rfc3339::show(stamped.at_ms)));
            stamped
        }
        (_, TimeForm::Arrival, _) | (_, _, None) => {
            stamp::Stamped { at_ms: arrived_ms, own: false, doubt: None }
        }
        (_, form, Some(written)) => stamp::read(written, form, garden.zone, arrived_ms, steps)?,
    };
    let (at_ms, own_time) = (stamped.at_ms, stamped.own);
    let untimely = if own_time {
        steps.say(|| format!("its own time: {}", rfc3339::show(at_ms)));
        stamp::weigh(at_ms, arrived_ms, message.clock_trusted)?
    } else {
        steps.say(|| format!("no time of its own: the arrival counts, {}", rfc3339::show(at_ms)));
        arrival_doubt(message)
    };
    let doubt = implausible.or(stamped.doubt).or(untimely);
    Ok(Reading { probe: ix, at_ms, arrived_ms, value, own_time, doubt })
}

fn arrival_doubt(message: &Message<'_>) -> Option<Doubt> {
    if message.retained {
        Some(Doubt::Retained)
    } else if !message.clock_trusted {
        Some(Doubt::ClockUnsure)
    } else {
        None
    }
}

/// Holds a reading's own time against its arrival, where that became known only later: a doubt, or why it is
/// refused.
///
/// # Errors
/// The reason, in words.
pub fn weigh(at_ms: Millis, arrived_ms: Millis) -> Result<Option<Doubt>, String> {
    stamp::weigh(at_ms, arrived_ms, true)
}

fn refusal(message: &Message<'_>, probe: Option<&Probe>, reason: String) -> Refusal {
    Refusal {
        arrived_ms: message.arrived_ms,
        topic: message.topic.to_owned(),
        payload: shown(message.payload, SHOWN),
        probe: probe.map(|probe| probe.name.clone()),
        reason,
    }
}

/// Bytes as a line of text: unprintable ones as `\xNN`, cut to `limit` characters with a mark where
/// something was left out.
pub fn shown(bytes: &[u8], limit: usize) -> String {
    // Four characters stand for the widest byte; what lies further on can't be shown anyway.
    let looked_at = &bytes[..bytes.len().min(limit.saturating_mul(4))];
    let mut line = String::new();
    for chunk in looked_at.utf8_chunks() {
        for c in chunk.valid().chars() {
            if c.is_control() {
                let mut buffer = [0; 4];
                c.encode_utf8(&mut buffer).bytes().for_each(|byte| push_hex(&mut line, byte));
            } else {
                line.push(c);
            }
        }
        chunk.invalid().iter().for_each(|&byte| push_hex(&mut line, byte));
    }
    match line.char_indices().nth(limit) {
        None if looked_at.len() == bytes.len() => line,
        _ => {
            let keep = line.char_indices().nth(limit.saturating_sub(1)).map_or(line.len(), |(at, _)| at);
            line.truncate(keep);
            line.push('…');
            line
        }
    }
}

fn push_hex(line: &mut String, byte: u8) {
    // Writing to a String can't fail.
    let _ = write!(line, "\\x{byte:02X}");
}

/// Listens to the steps of a reading, or doesn't.
trait Steps {
    /// Takes one step in words; the words are made only if someone listens.
    fn say(&mut self, words: impl FnOnce() -> String);
}

/// Nobody listens: the steps cost nothing.
struct Silent;

impl Steps for Silent {
    fn say(&mut self, _: impl FnOnce() -> String) {}
}

impl Steps for Vec<String> {
    fn say(&mut self, words: impl FnOnce() -> String) {
        self.push(words());
    }
}
