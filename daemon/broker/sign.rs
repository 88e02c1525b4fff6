//! Our sign of life at the broker: whoever listens there sees that we are well, and that we are not.
//!
//! Two topics under our own root, both kept by the broker:
//!
//! - `state`: `online` while the daemon is well, `offline` while it is not. The broker itself writes `offline` when our
//!   connection ends in whatever way: it is our last will.
//! - `status`: one JSON object at each beat (`Beat`).
//!
//! It has a connection of its own: a will hangs on a connection, and the one of the readings may be down for reasons of
//! its own without us being gone.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::sleep;
use tracing::{debug, info, warn};

use super::link::{self, Heard, Reply};
use crate::settings::garden::{Broker, Garden};

/// After a broken connection it rests so long.
const REST: Duration = Duration::from_secs(15);
/// Written while all is well.
pub const ONLINE: &str = "online";
/// Written while it is not, and by the broker when we are gone.
pub const OFFLINE: &str = "offline";

/// What is said at a beat.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Beat {
    /// When, RFC 3339 in UTC; null while the time is not known.
    pub at: Option<String>,
    /// The core answers and the store takes what is written.
    pub well: bool,
    /// What is not: `core` or `store`; null while all is well.
    pub wrong: Option<&'static str>,
    /// Seconds since the start.
    pub running_s: u64,
    /// The next beat comes after so many seconds.
    pub every_s: u32,
}

/// Says each beat at the broker until `stop` is set; returns at once where the settings do not want it.
pub async fn sign(
    garden: Arc<Garden>,
    mut beats: watch::Receiver<Option<Beat>>,
    mut stop: watch::Receiver<bool>,
) {
    let Some(root) = garden.sign.as_ref().and_then(|sign| sign.topics.clone()) else { return };
    let broker = Broker {
        client_id: format!("{}-sign", garden.broker.client_id),
        session_expiry_s: 0,
        ..garden.broker.clone()
    };
    let state = format!("{root}/state");
    // The first connection says what is wrong with the files.
    let will = Some((state.as_str(), OFFLINE));
    let Ok((mut link, reply)) = link::prepare_with_will(&broker, link::Session::Fresh, will) else { return };
    let topics = Topics { state, status: format!("{root}/status") };
    let speak = async {
        let mut connected = false;
        let mut last_words = String::new();
        loop {
            // Kept until it is done: see `Link::poll`.
            let heard = {
                let mut poll = std::pin::pin!(link.poll());
                loop {
                    tokio::select! {
                        heard = &mut poll => break heard,
                        changed = beats.changed() => match changed {
                            Ok(()) if connected => topics.say(&reply, beats.borrow_and_update().as_ref()),
                            Ok(()) => {}
                            // Nobody knows how we are any more.
                            Err(_) => return,
                        },
                    }
                }
            };
            match heard {
                Ok(Heard::Connected { .. }) => {
                    connected = true;
                    info!(topics = %format!("{root}/#"), "saying at the broker that we are well");
                    topics.say(&reply, beats.borrow_and_update().as_ref());
                }
                Ok(_) => {}
                Err(broken) => {
                    // Why nothing gets through is said of the readings' connection; here only what it alone has.
                    if connected && broken.words != last_words {
                        warn!("the sign of life at the broker: {}", broken.words);
                        last_words.clone_from(&broken.words);
                    }
                    connected = false;
                    debug!("{}", broken.words);
                    sleep(REST).await;
                }
            }
        }
    };
    // At the end the line is left open for the broker to close: our last will says that we are gone.
    tokio::select! {
        () = speak => {}
        _ = stop.wait_for(|stop| *stop) => {}
    }
}

struct Topics {
    state: String,
    status: String,
}

impl Topics {
    fn say(&self, reply: &Reply, beat: Option<&Beat>) {
        let Some(beat) = beat else { return };
        let state = if beat.well { ONLINE } else { OFFLINE };
        // Plain data cannot fail to become JSON.
        let status = serde_json::to_string(beat).unwrap_or_default();
        if !reply.keep(&self.state, state) || !reply.keep(&self.status, &status) {
            debug!("the sign of life found no room; the next one follows");
        }
    }
}
