//! Topics that no probe asks for: a list to find the probe that was left out or written wrongly.

use std::collections::HashMap;

use crate::record::Millis;

use super::shown;

/// How many topics are listed; the one unheard for longest makes room.
const LISTED: usize = 200;
/// Longest topic and payload shown, characters.
const SHOWN: usize = 200;

/// One topic that no probe asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stranger {
    /// The last payload, at most 200 characters, unprintable bytes as `\xNN`.
    pub payload: String,
    /// How often it came.
    pub count: u64,
    /// When it came last.
    pub last_ms: Millis,
}

/// The topics that no probe asks for, at most 200.
#[derive(Debug, Default)]
pub struct Strangers {
    listed: HashMap<String, Stranger>,
}

impl Strangers {
    pub(super) fn note(&mut self, topic: &str, payload: &[u8], arrived_ms: Millis) {
        let topic = shown(topic.as_bytes(), SHOWN);
        let payload = shown(payload, SHOWN);
        if let Some(known) = self.listed.get_mut(&topic) {
            *known = Stranger { payload, count: known.count + 1, last_ms: arrived_ms };
            return;
        }
        if self.listed.len() == LISTED {
            self.drop_oldest();
        }
        self.listed.insert(topic, Stranger { payload, count: 1, last_ms: arrived_ms });
    }

    fn drop_oldest(&mut self) {
        let oldest = self.listed.iter().min_by_key(|(topic, one)| (one.last_ms, topic.as_str()));
        if let Some(topic) = oldest.map(|(topic, _)| topic.clone()) {
            self.listed.remove(&topic);
        }
    }

    /// The listed topics in the order of the alphabet.
    pub fn list(&self) -> Vec<(&str, &Stranger)> {
        let mut all: Vec<_> = self.listed.iter().map(|(topic, one)| (topic.as_str(), one)).collect();
        all.sort_unstable_by_key(|(topic, _)| *topic);
        all
    }
}
