//! What goes wrong in a made garden besides the weather: probes that die, stick, creep or come loose, a gauge
//! that clogs, nodes that buffer or say things twice, a board that has lost the time.
//!
//! How each looks in the payloads is common practice without a source; the engine shares nothing of this.

use rindwatch::record::{LetterDraft, MatterKey, Millis, Telling};
use serde_json::{Value, json};

use super::play::{HOUR, START_MS};
use super::season_maker::Message;

/// What is wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum What {
    /// Nothing comes any more.
    Dies,
    /// The value stays what it was.
    Sticks,
    /// It reads wetter by so much each day, m³/m³: water has got in at the cut edge.
    Creeps(f64),
    /// It hangs loose in air and reads this share of the water.
    Loose(f64),
    /// The funnel is blocked: no tip.
    Clogs,
    /// The counter starts again at 0 with the node.
    Restarts,
    /// At each fifth hour the electronics say 85 instead of a temperature.
    Sentinels,
    /// Out of reach: what was measured is kept, and comes at the end with its own times.
    Buffers,
    /// Each message comes twice.
    Doubles,
    /// The board does not know the time.
    ClockLost,
}

/// One ailment.
#[derive(Debug, Clone, PartialEq)]
pub struct Ailment {
    pub what: What,
    /// The probe; empty where all are meant.
    pub probe: &'static str,
    /// Hours of the season: from, and for how long unless mended before.
    pub from_h: u32,
    pub hours: u32,
}

/// A grower goes and looks so long after the letter.
const MENDED_AFTER_MS: Millis = 30 * HOUR;

/// The ailments of a season as they go.
pub struct Ailing {
    all: Vec<(Ailment, State)>,
}

#[derive(Default)]
struct State {
    stuck_at: Option<f64>,
    /// Rain that was not counted, or counted before the restart, mm.
    off_mm: f64,
    held: Vec<Message>,
    mended_ms: Option<Millis>,
}

impl Ailment {
    fn place(&self) -> (String, &'static str) {
        match self.probe {
            "gauge" => ("patch/mast".to_owned(), "rain_total"),
            name => (format!("patch/{name}"), "value"),
        }
    }

    pub fn began_ms(&self) -> Millis {
        START_MS + Millis::from(self.from_h) * HOUR
    }
}

impl Ailing {
    pub fn new(ailments: &[Ailment]) -> Self {
        Self { all: ailments.iter().map(|one| (one.clone(), State::default())).collect() }
    }

    /// What of an hour's messages arrives.
    pub fn pass(&mut self, now_ms: Millis, mut messages: Vec<Message>) -> Vec<Message> {
        for (one, state) in &mut self.all {
            let ends_ms = one.began_ms() + Millis::from(one.hours) * HOUR;
            let ends_ms = state.mended_ms.map_or(ends_ms, |mended_ms| mended_ms.min(ends_ms));
            let ails = (one.began_ms()..ends_ms).contains(&now_ms);
            messages = state.pass(one, ails, now_ms, messages);
        }
        messages
    }

    /// The board knows the time.
    pub fn clock_known(&self, now_ms: Millis) -> bool {
        !self.all.iter().any(|(one, _)| {
            one.what == What::ClockLost
                && (one.began_ms()..one.began_ms() + Millis::from(one.hours) * HOUR).contains(&now_ms)
        })
    }

    /// The grower reads a letter, and goes to look at a probe it names.
    pub fn read(&mut self, letter: &LetterDraft, now_ms: Millis) {
        for task in &letter.tasks {
            if task.matter != MatterKey::Gear || task.telling == Telling::Withdrawn {
                continue;
            }
            for (one, state) in &mut self.all {
                if (task.subject == one.probe || task.subject.is_empty()) && one.began_ms() <= now_ms {
                    state.mended_ms.get_or_insert(now_ms + MENDED_AFTER_MS);
                }
            }
        }
    }
}

impl State {
    fn pass(&mut self, one: &Ailment, ails: bool, now_ms: Millis, messages: Vec<Message>) -> Vec<Message> {
        let (topic, member) = one.place();
        let mut out = std::mem::take(&mut self.held);
        let holds = ails && one.what == What::Buffers;
        for mut message in messages {
            if !one.probe.is_empty() && message.topic != topic {
                out.push(message);
                continue;
            }
            match one.what {
                What::Dies if ails => continue,
                What::Buffers if holds => {
                    self.held.push(message);
                    continue;
                }
                What::Doubles if ails => out.push(message.clone()),
                What::Sticks | What::Creeps(_) | What::Loose(_) | What::Clogs | What::Restarts => {
                    self.alter(&mut message, member, |state, value| state.altered(one, ails, now_ms, value));
                }
                What::Sentinels if ails && now_ms / HOUR % 5 == 0 => {
                    self.alter(&mut message, member, |_, _| 85.0);
                }
                _ => {}
            }
            out.push(message);
        }
        if holds {
            self.held
                .splice(0..0, out.extract_if(.., |message| one.probe.is_empty() || message.topic == topic));
        }
        out
    }

    fn alter(&mut self, message: &mut Message, member: &str, by: impl Fn(&mut Self, f64) -> f64) {
        let mut document: Value = serde_json::from_str(&message.payload).unwrap();
        let value = document[member].as_f64().unwrap();
        // As the node would print it.
        document[member] = json!((by(self, value) * 10_000.0).round() / 10_000.0);
        message.payload = document.to_string();
    }

    fn altered(&mut self, one: &Ailment, ails: bool, now_ms: Millis, value: f64) -> f64 {
        match one.what {
            What::Sticks if ails => *self.stuck_at.get_or_insert(value),
            What::Creeps(a_day) if ails => {
                (value + a_day * (now_ms - one.began_ms()) as f64 / (24 * HOUR) as f64).min(0.6)
            }
            What::Loose(share) if ails => value * share,
            What::Clogs if ails => {
                let shown = *self.stuck_at.get_or_insert(value);
                self.off_mm = value - shown;
                shown
            }
            What::Restarts if ails && self.stuck_at.is_none() => {
                self.stuck_at = Some(value);
                self.off_mm = value;
                0.0
            }
            What::Clogs | What::Restarts => value - self.off_mm,
            _ => value,
        }
    }
}
