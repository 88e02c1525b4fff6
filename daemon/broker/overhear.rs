//! A second ear at the broker: hears what no probe asks for, so that a new node can be found and named.
//!
//! It has a connection of its own, without a session and without acknowledgements: were its wide filter laid
//! over those of the probes, the broker could send each of their messages twice.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::sleep;
use tracing::{debug, info};

use super::link::{self, Heard};
use super::{Said, cut};
use crate::settings::garden::{Broker, Garden};

/// After a broken connection it rests so long: nothing hangs on it.
const REST: Duration = Duration::from_secs(60);

/// Listens until `stop` is set; returns at once where the settings name nothing to listen to.
pub async fn overhear<F>(garden: Arc<Garden>, core: F, mut stop: watch::Receiver<bool>)
where
    F: Fn(Said) -> Result<(), Said>,
{
    let Some(filter) = garden.broker.overhear.clone() else { return };
    let broker = Broker {
        client_id: format!("{}-ear", garden.broker.client_id),
        session_expiry_s: 0,
        ..garden.broker.clone()
    };
    // What we say ourselves there needs no probe.
    let own = garden.sign.as_ref().and_then(|sign| sign.topics.as_ref()).map(|root| format!("{root}/"));
    // The first connection says what is wrong with the files.
    let Ok((mut link, reply)) = link::prepare(&broker, link::Session::Fresh) else { return };
    let listen = async {
        loop {
            match link.poll().await {
                Ok(Heard::Connected { .. }) => {
                    info!(topics = %filter, "listening for topics that no probe asks for");
                    if !reply.subscribe(&[(filter.clone(), 0)]) {
                        debug!("the wide subscription could not be handed over");
                    }
                }
                Ok(Heard::Message(delivery))
                    if own.as_ref().is_some_and(|own| delivery.topic.starts_with(own)) => {}
                Ok(Heard::Message(delivery)) => {
                    // Without room it is dropped: the next one will do as well.
                    let said = Said::Overheard { topic: delivery.topic, payload: cut(&delivery.payload) };
                    drop(core(said));
                }
                Ok(_) => {}
                Err(broken) => {
                    debug!("{}", broken.words);
                    sleep(REST).await;
                }
            }
        }
    };
    tokio::select! {
        () = listen => {}
        _ = stop.wait_for(|stop| *stop) => {}
    }
}
