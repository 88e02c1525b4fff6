//! A bound for each probe, so that one mad node can neither fill the card nor keep the others from being heard.
//!
//! A bucket of tokens a probe for each way a part of a message is kept: a value without a time of its own, one with
//! it, a refusal, a word of a last will's topic. What finds its bucket empty is not kept: it is acknowledged at once, without waiting for a commit,
//! counted, and told as a fault of the probe. Time here is monotonic: no clock that is set fills a bucket.

use tracing::warn;

use super::core::Core;
use crate::broker::Message;
use crate::engine::Event;
use crate::intake::Taken;
use crate::record::{Millis, ProbeIx};

/// Between two words about one flood.
const WORD_MS: Millis = 60_000;

/// How much comes at once, and how much a second goes on. Judgement: a probe is read once a second at most, and a
/// node that gathers brings 34 days of minutes with their times; values without one mean nothing days later.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Flow {
    /// No time of its own.
    Bare,
    /// Its own time.
    Timed,
    /// Cannot be read.
    Refused,
    /// Its node is there or gone.
    State,
}

impl Flow {
    /// Most at once, and a second.
    const fn bounds(self) -> (f64, f64) {
        match self {
            Flow::Bare => (2_000.0, 2.0),
            Flow::Timed => (50_000.0, 5.0),
            Flow::Refused => (200.0, 0.1),
            // A node that comes and goes more often than that has a bad line, and a look at it comes once a minute.
            Flow::State => (200.0, 0.1),
        }
    }
}

/// Tokens left, and when they were counted.
#[derive(Debug, Clone, Copy)]
struct Bucket {
    tokens: f64,
    at_ms: Millis,
}

impl Bucket {
    fn take(&mut self, flow: Flow, now_ms: Millis) -> bool {
        let (most, a_second) = flow.bounds();
        let passed_s = (now_ms - self.at_ms).max(0) as f64 / 1000.0;
        self.tokens = (self.tokens + passed_s * a_second).min(most);
        self.at_ms = now_ms;
        let lets = self.tokens >= 1.0;
        self.tokens -= f64::from(u8::from(lets));
        lets
    }
}

/// What one probe may still bring, and what was not kept of it.
#[derive(Debug, Clone)]
struct Gate {
    buckets: [Bucket; 4],
    /// Not kept since the last word about it.
    untold: u32,
    told_ms: Option<Millis>,
}

/// The gates of all probes.
#[derive(Debug)]
pub(super) struct Gates {
    gates: Vec<Gate>,
    /// Some probe has something untold.
    untold: bool,
}

impl Gates {
    /// For so many probes, all buckets full.
    pub(super) fn new(probes: usize, now_ms: Millis) -> Self {
        let full = |flow: Flow| Bucket { tokens: flow.bounds().0, at_ms: now_ms };
        let buckets = [full(Flow::Bare), full(Flow::Timed), full(Flow::Refused), full(Flow::State)];
        Self { gates: vec![Gate { buckets, untold: 0, told_ms: None }; probes], untold: false }
    }

    /// Whether one more of this kind is kept.
    pub(super) fn lets(&mut self, probe: ProbeIx, flow: Flow, now_ms: Millis) -> bool {
        let Some(gate) = self.gates.get_mut(usize::from(probe.0)) else { return true };
        let lets = gate.buckets[flow as usize].take(flow, now_ms);
        if !lets {
            gate.untold = gate.untold.saturating_add(1);
            self.untold = true;
        }
        lets
    }

    /// Floods to be told of now: how much was not kept since the last word.
    fn due(&mut self, now_ms: Millis) -> Vec<(ProbeIx, u32)> {
        if !self.untold {
            return Vec::new();
        }
        let mut due = Vec::new();
        for (ix, gate) in (0..).map(ProbeIx).zip(&mut self.gates) {
            if gate.untold > 0 && gate.told_ms.is_none_or(|told_ms| now_ms - told_ms >= WORD_MS) {
                due.push((ix, std::mem::take(&mut gate.untold)));
                gate.told_ms = Some(now_ms);
            }
        }
        self.untold = self.gates.iter().any(|gate| gate.untold > 0);
        due
    }
}

impl Core {
    /// Takes out what is not kept of a flood; true if nothing is left of the message, which then is acknowledged
    /// here.
    pub(super) fn is_flood(&mut self, taken: &mut Taken, message: &Message) -> bool {
        let now_ms = self.clock.mono_ms();
        let gates = &mut self.gates;
        let parts = |taken: &Taken| taken.readings.len() + taken.refusals.len() + taken.presence.len();
        let before = parts(taken);
        taken.readings.retain(|reading| {
            let flow = if reading.own_time { Flow::Timed } else { Flow::Bare };
            gates.lets(reading.probe, flow, now_ms)
        });
        taken.refusals.retain(|(probe, _)| probe.is_none_or(|ix| gates.lets(ix, Flow::Refused, now_ms)));
        taken.presence.retain(|(probe, _)| gates.lets(*probe, Flow::State, now_ms));
        let after = parts(taken);
        self.counts.let_go += (before - after) as u64;
        let all = before > 0 && after == 0;
        if all {
            self.counts.settled += 1;
            if let Some(ticket) = message.ticket {
                // The broker task is gone only when we end.
                let _ = self.out.stored.send(vec![ticket]);
            }
        }
        all
    }

    /// Tells the engine of floods, each once a minute while it lasts.
    pub(super) fn tell_floods(&mut self) {
        let now_ms = self.clock.mono_ms();
        if !self.trusted {
            return;
        }
        for (probe, count) in self.gates.due(now_ms) {
            let name = self.garden.probe(probe).map_or("", |probe| probe.name.as_str());
            warn!(probe = %name, count, "its node sends far too much: what goes beyond the bounds is not kept");
            self.judge(Event::Floods { probe, count });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of so many a second for a minute, how many are kept.
    fn kept(flow: Flow, a_second: i64) -> usize {
        let mut gates = Gates::new(2, 0);
        (0..60 * a_second).filter(|n| gates.lets(ProbeIx(1), flow, n * 1000 / a_second)).count()
    }

    #[test]
    fn a_flood_is_bounded_and_the_usual_pace_is_not() {
        assert!((2_000..=2_120).contains(&kept(Flow::Bare, 10_000)), "{}", kept(Flow::Bare, 10_000));
        assert!((50_000..=50_300).contains(&kept(Flow::Timed, 10_000)));
        assert!((200..=206).contains(&kept(Flow::Refused, 10_000)));
        assert!((200..=206).contains(&kept(Flow::State, 10_000)));
        for flow in [Flow::Bare, Flow::Timed] {
            assert_eq!(kept(flow, 1), 60);
        }
    }

    #[test]
    fn one_probe_and_one_kind_take_nothing_from_another() {
        let mut gates = Gates::new(2, 0);
        while gates.lets(ProbeIx(0), Flow::Bare, 0) {}
        assert!(gates.lets(ProbeIx(0), Flow::Timed, 0) && gates.lets(ProbeIx(1), Flow::Bare, 0));
        // It fills again by monotonic time, and never beyond the brim.
        assert!(gates.lets(ProbeIx(0), Flow::Bare, 500) && !gates.lets(ProbeIx(0), Flow::Bare, 500));
        let day_later = (0..3_000).filter(|_| gates.lets(ProbeIx(0), Flow::Bare, 86_400_000)).count();
        assert_eq!(day_later, 2_000);
    }

    #[test]
    fn a_flood_is_told_at_once_and_then_once_a_minute() {
        let mut gates = Gates::new(1, 0);
        while gates.lets(ProbeIx(0), Flow::Refused, 0) {}
        assert_eq!(gates.due(0), [(ProbeIx(0), 1)]);
        let more = (0..10).filter(|_| !gates.lets(ProbeIx(0), Flow::Refused, 1)).count();
        assert_eq!((more, gates.due(2)), (10, vec![]));
        assert_eq!(gates.due(WORD_MS), [(ProbeIx(0), 10)]);
        assert_eq!(gates.due(3 * WORD_MS), []);
    }
}
