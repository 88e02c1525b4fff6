//! The sign of life outward: at a steady pace the core is asked how it is, and those outside are told.
//!
//! Well means: the core answers in time, and the store has just taken something or takes a line now. An address is asked
//! for only while that holds; at the broker it is said either way.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::{MissedTickBehavior, interval, timeout};
use tracing::{info, warn};

use super::core::Core;
use crate::broker::Beat;
use crate::clock::Clock;
use crate::local::{Answer, Desk, Request};
use crate::ping;
use crate::record::Millis;
use crate::rfc3339;
use crate::settings::garden::Garden;

/// The core must answer within this time, and before the next beat.
const PATIENCE: Duration = Duration::from_secs(10);
/// What was stored so lately proves that the store can be written.
const PROVEN_MS: Millis = 300_000;

/// Asks the core at each beat and hands on how it is, until nobody listens.
pub(super) async fn beat(garden: Arc<Garden>, desk: Desk, beats: watch::Sender<Option<Beat>>) {
    let Some(every_s) = garden.sign.as_ref().map(|sign| sign.every_s) else { return };
    let since = Clock::real();
    let every = Duration::from_secs(u64::from(every_s));
    let mut pace = interval(every);
    pace.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        pace.tick().await;
        let (at, wrong) = match timeout(PATIENCE.min(every), desk.ask(Request::Sign)).await {
            Ok(Answer::Done { words }) => (Some(words).filter(|words| !words.is_empty()), None),
            Ok(Answer::Refused { .. }) => (None, Some("store")),
            Ok(Answer::Status(_) | Answer::Asks { .. } | Answer::Busy { .. }) | Err(_) => {
                (None, Some("core"))
            }
        };
        let running_s = u64::try_from(since.mono_ms() / 1000).unwrap_or(0);
        let beat = Beat { at, well: wrong.is_none(), wrong, running_s, every_s };
        if beats.send(Some(beat)).is_err() {
            return;
        }
    }
}

/// Asks for the address of the settings at each beat at which we are well.
pub(super) async fn ping(garden: Arc<Garden>, mut beats: watch::Receiver<Option<Beat>>) {
    let Some(ping) = garden.sign.as_ref().map(|sign| &sign.ping).filter(|ping| ping.address.is_some()) else {
        return;
    };
    let mut said: Option<Result<(), String>> = None;
    while beats.changed().await.is_ok() {
        let well = beats.borrow_and_update().as_ref().is_some_and(|beat| beat.well);
        if !well {
            continue;
        }
        let asked = ping::ask(ping, ping::LIMIT).await;
        // Said once, not at each beat.
        if said.as_ref() != Some(&asked) {
            match &asked {
                Ok(()) => info!("the address of [sign-of-life] takes our sign"),
                Err(words) => warn!("the address of [sign-of-life]: {words}; it is asked again at each beat"),
            }
            said = Some(asked);
        }
    }
}

impl Core {
    /// How we are: the time where it is known, or why we are not well.
    pub(super) fn sign(&mut self) -> Answer {
        if let Some(trouble) = &self.store_trouble {
            return Answer::Refused { words: trouble.words.clone() };
        }
        let pace_ms = self.pace.mono_ms();
        if self.stored_at_ms.is_none_or(|stored_ms| pace_ms - stored_ms >= PROVEN_MS) {
            if let Err(error) = self.store.prove() {
                return Answer::Refused { words: error.to_string() };
            }
            self.stored_at_ms = Some(pace_ms);
        }
        let now = self.now();
        let at = if now.trusted { rfc3339::show(now.ms) } else { String::new() };
        Answer::Done { words: at }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings;

    /// A core that takes questions and answers none: what is handed to the outside says so, beat for beat.
    #[tokio::test(start_paused = true)]
    async fn a_core_that_does_not_answer_is_not_well() {
        let text = include_str!("../../config/minimal.toml");
        let text = format!("{text}\n[sign-of-life]\nevery = \"60 s\"\n");
        let garden = Arc::new(settings::read_str("minimal.toml", &text).unwrap());
        let taken = std::sync::Mutex::new(Vec::new());
        let desk = Desk::new(move |call| {
            taken.lock().unwrap().push(call);
            Ok(())
        });
        let (beats, mut beating) = watch::channel(None);
        tokio::spawn(beat(garden, desk, beats));
        for _ in 0..3 {
            beating.changed().await.unwrap();
            let said = beating.borrow_and_update().clone().unwrap();
            assert_eq!((said.well, said.wrong, said.at, said.every_s), (false, Some("core"), None, 60));
        }
    }
}
