//! The nodes: what they publish, keep while nobody is there, say twice, late or wrong.

use super::broker::{Met, Sent};
use super::chance::Chance;
use super::garden::{BARE, PROBES, RAIN};
use super::planted::Fault;
use super::play::World;
use rindwatch::record::Millis;

impl World {
    /// Every node says what its probe reads.
    pub fn measure(&mut self) {
        self.weather.pass_hour(self.true_ms);
        if self.quiet {
            return;
        }
        for probe in 0..PROBES.len() {
            let mut value = self.weather.reads(probe, self.true_ms);
            if self.fault == Some(Fault::RainDoubled) && probe == RAIN {
                value *= 2.0;
            }
            let at_ms = self.true_ms - 3_000 + probe as i64;
            let sent = message(probe, at_ms, value);
            self.last[probe] = Some(sent.clone());
            if std::mem::take(&mut self.doubled[probe]) {
                let again = if self.fault == Some(Fault::DoubledApart) { at_ms + 1 } else { at_ms };
                self.publish(sent);
                let twin = message(probe, again, value);
                self.carry(twin, again == at_ms);
            } else {
                self.publish(sent);
            }
        }
    }

    pub fn publish(&mut self, sent: Sent) {
        self.carry(sent, true);
    }

    /// A message on its way to the broker; `known` = the model hears of it.
    pub fn carry(&mut self, sent: Sent, known: bool) {
        let probe = sent.probe;
        if known {
            self.model.sent(&sent);
        }
        if self.held[probe] {
            self.kept[probe].push_back(sent);
            return;
        }
        while let Some(earlier) = self.kept[probe].pop_front() {
            match self.broker.publish(&earlier) {
                Met::Held => self.model.held(&earlier),
                Met::Lost => {}
                Met::Nobody => {
                    self.kept[probe].push_front(earlier);
                    break;
                }
            }
        }
        match self.broker.publish(&sent) {
            Met::Held => self.model.held(&sent),
            Met::Lost => {}
            Met::Nobody => self.kept[probe].push_back(sent),
        }
    }

    pub fn free(&mut self, probe: usize, order: u32) {
        self.held[probe] = false;
        let mut kept: Vec<Sent> = self.kept[probe].drain(..).collect();
        let mut chance = Chance::new(u64::from(order));
        match order {
            0 => {}
            1 => kept.reverse(),
            _ => kept.sort_by_cached_key(|_| chance.next()),
        }
        for sent in kept {
            match self.broker.publish(&sent) {
                Met::Held => self.model.held(&sent),
                Met::Lost => {}
                Met::Nobody => self.kept[probe].push_back(sent),
            }
        }
    }

    pub fn second(&mut self, probe: usize) {
        let Some(last) = self.last[probe].clone() else { return };
        if let (Some(at_ms), Some(value)) = (last.at_ms, last.value) {
            self.publish(message(probe, at_ms, PROBES[probe].quantity.quantise(value + 0.01)));
        }
    }

    pub fn garbage(&mut self, probe: usize) {
        let sensor = PROBES[probe];
        let (topic, payload) = (sensor.topic.to_owned(), "{\"v\": \"wet\"".to_owned());
        self.publish(Sent { probe, at_ms: None, value: None, topic, payload, qos: sensor.qos });
    }
}

fn message(probe: usize, at_ms: Millis, value: f64) -> Sent {
    let sensor = PROBES[probe];
    let payload = match probe {
        BARE => format!("{value}"),
        _ => format!(r#"{{"t": {at_ms}, "v": {value}}}"#),
    };
    let (topic, qos) = (sensor.topic.to_owned(), sensor.qos);
    Sent { probe, at_ms: sensor.own.then_some(at_ms), value: Some(value), topic, payload, qos }
}
