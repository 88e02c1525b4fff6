//! The broker: messages in, acknowledgements out, and nothing lost between.
//!
//! A message is acknowledged only when the core says that it is stored. Three rules keep that promise:
//!
//! - Acknowledgements pass through the one task that polls the connection, and each names the connection
//!   its message came over. When the broker has lost our session it gives the same packet ids to new
//!   messages; a late acknowledgement would drop one of those unread.
//! - The request channel of the client has room for every packet id; one that finds it full is kept and
//!   handed over again.
//! - The task never waits for the store. When the core is behind, it stops polling; the broker then keeps
//!   what it has, and sends it again after the reconnect.

mod link;
mod overhear;
mod sign;
mod tls;
mod words;

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use rand::Rng;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};
use tokio::time::{MissedTickBehavior, Sleep, interval, sleep, timeout};
use tracing::{debug, info, warn};

use crate::clock::Clock;
use crate::record::Millis;
use crate::settings::garden::{Broker, Garden};
use crate::settings::topics;
use link::{Broken, Delivery, Heard, Link, Reply, Session};
pub use overhear::overhear;
pub use sign::{Beat, sign};

/// Payload bytes handed on; of a longer payload the first part and one byte more, so that intake sees that
/// it is too long.
pub const PAYLOAD_BYTES: usize = 64 * 1024;

/// Messages on their way to the core, in units of one message or one KiB of payload.
const ROOM: u32 = 4096;

const FIRST_DELAY: Duration = Duration::from_secs(1);
const LONGEST_DELAY: Duration = Duration::from_secs(60);
/// A connection that held this long was good: the next one is tried at once again.
const STABLE: Duration = Duration::from_secs(20);
/// The task turns at least this often, so that the watchdog sees it alive.
const BEAT: Duration = Duration::from_secs(1);

/// What an acknowledgement must name: the packet, and the connection it came over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ticket {
    connection: u64,
    packet: u16,
}

impl Ticket {
    /// For packet `packet` of connection `connection`, counted from 1.
    pub fn new(connection: u64, packet: u16) -> Self {
        Self { connection, packet }
    }
}

/// One message for the core.
#[derive(Debug)]
pub struct Message {
    /// Topic.
    pub topic: String,
    /// Payload, at most [`PAYLOAD_BYTES`] and one.
    pub payload: Vec<u8>,
    /// The broker's kept value.
    pub retained: bool,
    /// The broker says that it may have sent it before.
    pub again: bool,
    /// Wall time of arrival.
    pub arrived_ms: Millis,
    /// To be given back once the message is stored; `None` where nothing is to be acknowledged.
    pub ticket: Option<Ticket>,
    /// Its share of [`ROOM`], free again when the message is dropped.
    _room: Option<OwnedSemaphorePermit>,
}

impl Message {
    /// A message that takes no room.
    pub fn new(topic: &str, payload: &[u8], arrived_ms: Millis, ticket: Option<Ticket>) -> Self {
        let (topic, payload) = (topic.to_owned(), cut(payload));
        Self { topic, payload, retained: false, again: false, arrived_ms, ticket, _room: None }
    }
}

/// What the broker task tells the core.
#[derive(Debug)]
pub enum Said {
    /// Messages in the order of their arrival; never empty.
    Messages(Vec<Message>),
    /// A message that was heard beside the probes' own, for the list of unknown topics.
    Overheard {
        /// Topic.
        topic: String,
        /// Payload, cut like a message's.
        payload: Vec<u8>,
    },
    /// The connection is up.
    Up,
    /// The connection is up, and the broker lets us read only some of our topics.
    Deaf(String),
    /// The connection is down: what is wrong and what to do.
    Down(String),
}

/// The far ends of the task.
pub struct Ends<F> {
    /// Hands something to the core; gives it back when there is no room at the moment.
    pub core: F,
    /// Tickets of stored messages; closed by the core after its last commit.
    pub stored: mpsc::UnboundedReceiver<Vec<Ticket>>,
    /// Turns true when no more messages are wanted.
    pub stop: watch::Receiver<bool>,
    /// Counted up with every turn of the task, for the watchdog.
    pub pulse: Arc<AtomicU64>,
}

/// The topic filters of a garden, each once, with the highest quality of service any probe asks for.
pub fn filters(garden: &Garden) -> Vec<(String, u8)> {
    let mut filters: Vec<(String, u8)> = Vec::new();
    for probe in &garden.probes {
        match filters.iter_mut().find(|(filter, _)| *filter == probe.topic) {
            Some((_, qos)) => *qos = probe.qos.max(*qos),
            None => filters.push((probe.topic.clone(), probe.qos)),
        }
    }
    let wills = garden.probes.iter().filter_map(|probe| probe.last_will.as_ref());
    for will in wills {
        // One that a probe's filter takes in would come twice.
        if !filters.iter().any(|(filter, _)| topics::meet(filter, &will.topic)) {
            filters.push((will.topic.clone(), 1));
        }
    }
    filters
}

/// Keeps the connection until `stop` is set and the core has closed its side.
pub async fn run<F>(garden: Arc<Garden>, clock: Clock, ends: Ends<F>)
where
    F: Fn(Said) -> Result<(), Said>,
{
    let mut ends = ends;
    let Some((link, reply)) = prepared(&garden.broker, &mut ends).await else { return };
    let task = Task {
        filters: filters(&garden),
        address: address(&garden.broker),
        clock,
        reply,
        room: Arc::new(Semaphore::new(ROOM as usize)),
        connection: 0,
        connected: false,
        unsent: VecDeque::new(),
        under_way: 0,
        delay: FIRST_DELAY,
        last_words: String::new(),
        ends,
    };
    task.keep(link).await;
}

/// The connection, as soon as the files it needs can be used; `None` when the core ends before that.
async fn prepared<F>(broker: &Broker, ends: &mut Ends<F>) -> Option<(Link, Reply)>
where
    F: Fn(Said) -> Result<(), Said>,
{
    let mut last_words = String::new();
    loop {
        match link::prepare(broker, Session::Kept) {
            Ok(prepared) => return Some(prepared),
            Err(words) if words != last_words => {
                warn!(broker = %address(broker), "{words}");
                // Without room it is told a moment later.
                if (ends.core)(Said::Down(words.clone())).is_ok() {
                    last_words = words;
                }
            }
            Err(_) => {}
        }
        ends.pulse.fetch_add(1, Ordering::Relaxed);
        // Nothing was taken, so nothing comes back but the end.
        if let Ok(None) = timeout(BEAT, ends.stored.recv()).await {
            return None;
        }
    }
}

fn address(broker: &Broker) -> String {
    format!("{}:{}", broker.host, broker.port)
}

/// The part of a payload that is handed on.
fn cut(payload: &[u8]) -> Vec<u8> {
    payload.get(..=PAYLOAD_BYTES).unwrap_or(payload).to_vec()
}

struct Task<F> {
    filters: Vec<(String, u8)>,
    address: String,
    clock: Clock,
    reply: Reply,
    room: Arc<Semaphore>,
    /// Counts connections and the gaps between them.
    connection: u64,
    connected: bool,
    /// Acknowledgements that found no room.
    unsent: VecDeque<u16>,
    /// Acknowledgements handed to the client and not seen going out.
    under_way: usize,
    delay: Duration,
    last_words: String,
    ends: Ends<F>,
}

/// What woke the task.
enum Woken {
    Heard(Result<Heard, Broken>),
    Stored(Option<Vec<Ticket>>),
    Stable,
    Beat,
}

impl<F> Task<F>
where
    F: Fn(Said) -> Result<(), Said>,
{
    async fn keep(mut self, mut link: Link) {
        let mut core_done = false;
        let mut leaving = false;
        let mut stable = Box::pin(sleep(STABLE));
        let mut beat = interval(BEAT);
        beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            let heard = {
                // Kept until it is done: see `Link::poll`.
                let mut poll = std::pin::pin!(link.poll());
                loop {
                    let woken = tokio::select! {
                        heard = &mut poll => Woken::Heard(heard),
                        stored = self.ends.stored.recv(), if !core_done => Woken::Stored(stored),
                        () = &mut stable, if self.connected && self.delay > FIRST_DELAY => Woken::Stable,
                        _ = beat.tick() => Woken::Beat,
                    };
                    self.ends.pulse.fetch_add(1, Ordering::Relaxed);
                    match woken {
                        Woken::Heard(heard) => break heard,
                        Woken::Stored(Some(tickets)) => self.acknowledge(&tickets),
                        Woken::Stored(None) => core_done = true,
                        Woken::Stable => self.delay = FIRST_DELAY,
                        Woken::Beat => self.send_unsent(),
                    }
                    if core_done && self.may_leave() {
                        if !self.connected {
                            return;
                        }
                        if !leaving {
                            leaving = true;
                            self.reply.leave();
                        }
                    }
                }
            };
            match heard {
                Ok(first) => self.take(first, &mut link, &mut stable).await,
                // The broker hangs up when it has read our farewell, and all acknowledgements before it;
                // a new connection before that would make it drop what it has not read.
                Err(_) if leaving => return,
                Err(broken) => {
                    self.lost(broken, &mut link).await;
                    if core_done {
                        return;
                    }
                    self.wait(&mut core_done).await;
                }
            }
        }
    }

    /// Nothing is left to be acknowledged.
    fn may_leave(&self) -> bool {
        self.unsent.is_empty() && self.under_way == 0
    }

    /// Takes one thing heard, and what lies buffered behind it.
    async fn take(&mut self, first: Heard, link: &mut Link, stable: &mut std::pin::Pin<Box<Sleep>>) {
        let mut messages = Vec::new();
        let mut next = Some(first);
        while let Some(heard) = next {
            match heard {
                Heard::Message(delivery) => messages.push(delivery),
                Heard::Connected { session_kept } => {
                    // What came before it belongs to the connection that is gone.
                    self.hand_on(std::mem::take(&mut messages)).await;
                    stable.set(sleep(STABLE));
                    self.up(session_kept).await;
                }
                Heard::Acknowledged => {
                    self.under_way = self.under_way.saturating_sub(1);
                    self.send_unsent();
                }
                Heard::Subscribed(taken) => self.subscribed(&taken).await,
                Heard::Nothing => {}
            }
            next = link.next_buffered();
        }
        self.hand_on(messages).await;
    }

    async fn up(&mut self, session_kept: bool) {
        self.connection += 1;
        self.connected = true;
        self.unsent.clear();
        self.under_way = 0;
        self.last_words.clear();
        info!(broker = %self.address, session_kept, "connected to the broker");
        let asked = self.reply.subscribe(&self.filters);
        if !asked {
            warn!("the subscriptions could not be handed over; they follow with the next connection");
        }
        // Until the broker has taken the subscriptions it keeps nothing for us: a message of that moment is lost
        // with the first connection, so "connected" is said only then.
        if !asked || self.filters.is_empty() {
            self.tell(Said::Up).await;
        }
    }

    /// A refused topic stands in the log and in the status until the next connection; its probes fall silent.
    async fn subscribed(&mut self, taken: &[bool]) {
        self.tell(Said::Up).await;
        let refused = self.filters.iter().zip(taken).filter(|(_, taken)| !**taken);
        let refused: Vec<&str> = refused.map(|((filter, _), _)| filter.as_str()).collect();
        let words = words::not_read(&refused);
        for filter in &refused {
            warn!(topic = %filter, "the broker does not let us read this topic: allow it for our user at the broker");
        }
        if !refused.is_empty() {
            self.tell(Said::Deaf(words)).await;
        }
    }

    /// The connection is gone. Its last messages are handed on without a ticket: they are stored, and
    /// recognised when the broker sends them again.
    async fn lost(&mut self, broken: Broken, link: &mut Link) {
        self.connection += 1;
        self.connected = false;
        self.unsent.clear();
        self.under_way = 0;
        let mut left = Vec::new();
        while let Some(heard) = link.next_buffered() {
            if let Heard::Message(delivery) = heard {
                left.push(delivery);
            }
        }
        self.hand_on(left).await;
        if let Some(bytes) = broken.too_large_bytes
            && link.make_room(bytes)
        {
            warn!(bytes, "a message larger than usual is in the way; letting it through to refuse it");
            self.delay = FIRST_DELAY;
        }
        if broken.words == self.last_words {
            debug!(broker = %self.address, "{}", broken.words);
        } else {
            warn!(broker = %self.address, "{}", broken.words);
            self.last_words.clone_from(&broken.words);
            self.tell(Said::Down(broken.words)).await;
        }
    }

    /// Waits before the next attempt: 1 s doubling to 60 s, each a little off, so that a house full of
    /// clients does not come back in step.
    async fn wait(&mut self, core_done: &mut bool) {
        let pause = self.delay.mul_f64(rand::rng().random_range(0.8..1.2));
        self.delay = (self.delay * 2).min(LONGEST_DELAY);
        let mut pause = std::pin::pin!(sleep(pause));
        loop {
            self.ends.pulse.fetch_add(1, Ordering::Relaxed);
            tokio::select! {
                () = &mut pause => return,
                // Tickets of the connection that is gone: worthless.
                stored = self.ends.stored.recv(), if !*core_done => match stored {
                    Some(_) => {}
                    None => {
                        *core_done = true;
                        return;
                    }
                },
                () = sleep(BEAT) => {}
            }
        }
    }

    fn acknowledge(&mut self, tickets: &[Ticket]) {
        if !self.connected {
            return;
        }
        let connection = self.connection;
        let ours = tickets.iter().filter(|ticket| ticket.connection == connection);
        self.unsent.extend(ours.map(|ticket| ticket.packet));
        self.send_unsent();
    }

    fn send_unsent(&mut self) {
        while let Some(packet) = self.unsent.pop_front() {
            if !self.reply.acknowledge(packet) {
                self.unsent.push_front(packet);
                return;
            }
            self.under_way += 1;
        }
    }

    /// Hands messages to the core, waiting for room.
    async fn hand_on(&mut self, deliveries: Vec<Delivery>) {
        if deliveries.is_empty() || *self.ends.stop.borrow() {
            // Not taken, not acknowledged: the broker keeps them for the next start.
            return;
        }
        let mut messages = Vec::with_capacity(deliveries.len());
        for delivery in deliveries {
            let share = 1 + u32::try_from(delivery.payload.len() / 1024).unwrap_or(ROOM / 2);
            let room = match Arc::clone(&self.room).try_acquire_many_owned(share) {
                Ok(room) => Some(room),
                Err(_) if delivery.packet.is_none() => {
                    debug!(topic = %delivery.topic, "no room: a message of quality of service 0 was dropped");
                    continue;
                }
                Err(_) => {
                    self.tell_messages(&mut messages).await;
                    self.wait_for_room(share).await
                }
            };
            let ticket = delivery
                .packet
                .filter(|_| self.connected)
                .map(|packet| Ticket { connection: self.connection, packet });
            messages.push(Message {
                topic: delivery.topic,
                payload: delivery.payload,
                retained: delivery.retained,
                again: delivery.again,
                arrived_ms: self.clock.wall_ms(),
                ticket,
                _room: room,
            });
        }
        self.tell_messages(&mut messages).await;
    }

    async fn tell_messages(&mut self, messages: &mut Vec<Message>) {
        if !messages.is_empty() {
            let messages = std::mem::take(messages);
            self.tell(Said::Messages(messages)).await;
        }
    }

    async fn wait_for_room(&mut self, share: u32) -> Option<OwnedSemaphorePermit> {
        loop {
            self.ends.pulse.fetch_add(1, Ordering::Relaxed);
            let room = Arc::clone(&self.room).acquire_many_owned(share);
            if let Ok(room) = timeout(BEAT, room).await {
                return room.ok();
            }
            if *self.ends.stop.borrow() {
                return None;
            }
        }
    }

    async fn tell(&mut self, said: Said) {
        let mut said = said;
        while let Err(back) = (self.ends.core)(said) {
            said = back;
            self.ends.pulse.fetch_add(1, Ordering::Relaxed);
            sleep(Duration::from_millis(5)).await;
            if *self.ends.stop.borrow() {
                return;
            }
        }
    }
}
