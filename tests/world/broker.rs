//! A made broker with one session, ours: a queue, a window of unacknowledged messages, numbers that begin
//! anew when the session is lost; and the nodes that publish to it.

use std::collections::VecDeque;

use rindwatch::broker::{Message, Ticket};
use rindwatch::record::Millis;

use super::model::Model;

/// Unacknowledged messages at most, as brokers have it.
const WINDOW: usize = 20;

/// One message on its way.
#[derive(Debug, Clone, PartialEq)]
pub struct Sent {
    pub probe: usize,
    /// Its own time, where it carries one.
    pub at_ms: Option<Millis>,
    /// Its value; `None` where it cannot be read.
    pub value: Option<f64>,
    pub topic: String,
    pub payload: String,
    pub qos: u8,
}

#[derive(Debug)]
struct Flying {
    packet: u16,
    ticket: Ticket,
    sent: Sent,
}

#[derive(Debug, Default)]
pub struct Broker {
    pub away: bool,
    /// Somebody with our name has been here, and is remembered.
    session: bool,
    linked: bool,
    connection: u64,
    next_packet: u16,
    queue: VecDeque<Sent>,
    flying: Vec<Flying>,
}

/// What a message handed in met with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Met {
    /// The broker has it for us.
    Held,
    /// Nobody is there: the node keeps it.
    Nobody,
    /// It is gone.
    Lost,
}

impl Broker {
    pub fn publish(&mut self, sent: &Sent) -> Met {
        match (self.away, sent.qos) {
            (true, 0) => Met::Lost,
            (true, _) => Met::Nobody,
            (false, 0) if !self.linked => Met::Lost,
            (false, _) if !self.session => Met::Lost,
            (false, _) => {
                self.queue.push_back(sent.clone());
                Met::Held
            }
        }
    }

    pub fn is_linked(&self) -> bool {
        self.linked
    }

    /// The daemon connects; what was in flight comes again first.
    pub fn link(&mut self) -> Vec<Message> {
        self.linked = true;
        self.session = true;
        self.connection += 1;
        let connection = self.connection;
        let again = self.flying.iter_mut().map(|flying| {
            flying.ticket = Ticket::new(connection, flying.packet);
            let mut message = message(&flying.sent, Some(flying.ticket));
            message.again = true;
            message
        });
        again.collect()
    }

    pub fn unlink(&mut self) {
        self.linked = false;
        // What has no quality waits for nobody.
        self.queue.retain(|sent| sent.qos > 0);
    }

    /// What goes out now.
    pub fn deliver(&mut self) -> Vec<Message> {
        let mut out = Vec::new();
        while self.linked && self.flying.len() < WINDOW {
            let Some(sent) = self.queue.pop_front() else { break };
            if sent.qos == 0 {
                out.push(message(&sent, None));
                continue;
            }
            self.next_packet = self.next_packet.checked_add(1).unwrap_or(1);
            let ticket = Ticket::new(self.connection, self.next_packet);
            out.push(message(&sent, Some(ticket)));
            self.flying.push(Flying { packet: self.next_packet, ticket, sent });
        }
        out
    }

    /// Takes an acknowledgement; the message it frees. One of a connection that is gone frees none.
    pub fn acknowledge(&mut self, ticket: Ticket) -> Option<Sent> {
        let at = self.flying.iter().position(|flying| flying.ticket == ticket).filter(|_| self.linked)?;
        Some(self.flying.remove(at).sent)
    }

    /// In flight, unacknowledged.
    pub fn tickets(&self) -> Vec<Ticket> {
        self.flying.iter().map(|flying| flying.ticket).collect()
    }

    /// It restarts without what it knew of us; what it held is gone.
    pub fn lose_session(&mut self) -> Vec<Sent> {
        self.session = false;
        self.next_packet = 0;
        let flying = self.flying.drain(..).map(|flying| flying.sent);
        flying.chain(self.queue.drain(..)).collect()
    }

    /// What it holds for us still.
    pub fn tell_held(&self, model: &mut Model) {
        self.flying.iter().map(|flying| &flying.sent).chain(&self.queue).for_each(|sent| model.held(sent));
    }

    pub fn is_empty(&self) -> bool {
        self.queue.is_empty() && self.flying.is_empty()
    }
}

/// The arrival is set when it arrives.
fn message(sent: &Sent, ticket: Option<Ticket>) -> Message {
    Message::new(&sent.topic, sent.payload.as_bytes(), 0, ticket)
}
