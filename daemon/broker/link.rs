//! The two MQTT clients behind one face: what was heard, and how to answer.
//!
//! rumqttc has separate types for MQTT 5 and 3.1.1; everything that differs between them stays in this
//! file.

use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS as Qos5;
use rumqttc::v5::mqttbytes::v5 as mqtt5;
use rumqttc::{self as v4, Outgoing, v5};

use super::tls;
use super::words::{self, Line};
use crate::settings::garden::{Broker, BrokerSecurity, MqttVersion};

/// The largest packet we announce (MQTT 5) or take (3.1.1), bytes. A larger one must not come at all: the
/// client would drop the connection over it, and the broker would send it again for ever.
const PACKET_BYTES: u32 = 256 * 1024;

/// How far the limit of a 3.1.1 connection is raised for a packet that is in the way, bytes.
const PACKET_BYTES_AT_MOST: usize = 16 * 1024 * 1024;

/// Room for requests between two polls. An acknowledgement that finds no room is lost without a word, so
/// there is room for one of every packet id.
const REQUESTS: usize = 65_536;

/// Publishes of ours under way at once; also the size of a table of the client (65,535 cost 14 MB).
const OUTGOING: u16 = 100;

/// One message as it came.
#[derive(Debug)]
pub(super) struct Delivery {
    pub(super) topic: String,
    pub(super) payload: Vec<u8>,
    pub(super) retained: bool,
    /// The broker says that it may have sent it before.
    pub(super) again: bool,
    /// The number to acknowledge; `None` with quality of service 0.
    pub(super) packet: Option<u16>,
}

/// What a turn of the connection brought.
#[derive(Debug)]
pub(super) enum Heard {
    /// The broker took us in; whether it still had our session.
    Connected {
        session_kept: bool,
    },
    Message(Delivery),
    /// An acknowledgement of ours went out.
    Acknowledged,
    /// The answer to our subscriptions, in their order: taken or not.
    Subscribed(Vec<bool>),
    Nothing,
}

/// Why a connection ended.
#[derive(Debug)]
pub(super) struct Broken {
    /// What is wrong and what to do, one line.
    pub(super) words: String,
    /// A packet of this many bytes was too large.
    pub(super) too_large_bytes: Option<usize>,
}

/// The connection, to be polled.
pub(super) struct Link {
    client: Client,
    line: Line,
}

enum Client {
    V5(Box<v5::EventLoop>),
    V4(Box<v4::EventLoop>),
}

/// The way back to the broker, usable while the connection is being polled.
#[derive(Clone)]
pub(super) enum Reply {
    V5(v5::AsyncClient),
    V4(v4::AsyncClient),
}

/// What the broker keeps of us between connections.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Session {
    /// What it has not delivered yet.
    Kept,
    /// Nothing.
    Fresh,
}

/// Prepares the connection; nothing is sent before the first poll.
///
/// # Errors
/// One line: a file that TLS needs cannot be used.
pub(super) fn prepare(broker: &Broker, session: Session) -> Result<(Link, Reply), String> {
    prepare_with_will(broker, session, None)
}

/// Like [`prepare`]; when the connection ends without a farewell, the broker keeps the words of the will in its topic.
///
/// # Errors
/// As there.
pub(super) fn prepare_with_will(
    broker: &Broker,
    session: Session,
    will: Option<(&str, &str)>,
) -> Result<(Link, Reply), String> {
    let transport = tls::transport(&broker.security)?;
    let line = Line { tls: broker.security != BrokerSecurity::Plain, taken_in: false };
    let fresh = session == Session::Fresh;
    // The client asserts at least 5 s.
    let keep_alive = Duration::from_secs(u64::from(broker.keep_alive_s.max(5)));
    let (client, reply) = match broker.version {
        MqttVersion::V5 => {
            let mut options = v5::MqttOptions::new(&broker.client_id, &broker.host, broker.port);
            options.set_transport(transport);
            options.set_keep_alive(keep_alive).set_clean_start(fresh).set_manual_acks(true);
            // Without it a version 5 session ends with the connection, whatever clean_start says.
            options.set_session_expiry_interval(Some(broker.session_expiry_s));
            options.set_max_packet_size(Some(PACKET_BYTES));
            options.set_outgoing_inflight_upper_limit(OUTGOING);
            if let Some(user) = &broker.user {
                options.set_credentials(user, password(broker));
            }
            if let Some((topic, words)) = will {
                options.set_last_will(mqtt5::LastWill::new(topic, words, Qos5::AtLeastOnce, true, None));
            }
            let (client, eventloop) = v5::AsyncClient::new(options, REQUESTS);
            (Client::V5(Box::new(eventloop)), Reply::V5(client))
        }
        MqttVersion::V311 => {
            let mut options = v4::MqttOptions::new(&broker.client_id, &broker.host, broker.port);
            options.set_transport(transport);
            options.set_keep_alive(keep_alive).set_clean_session(fresh).set_manual_acks(true);
            options.set_max_packet_size(PACKET_BYTES as usize, PACKET_BYTES as usize);
            options.set_inflight(OUTGOING);
            if let Some(user) = &broker.user {
                options.set_credentials(user, password(broker));
            }
            if let Some((topic, words)) = will {
                options.set_last_will(v4::LastWill::new(topic, words, v4::QoS::AtLeastOnce, true));
            }
            let (client, eventloop) = v4::AsyncClient::new(options, REQUESTS);
            (Client::V4(Box::new(eventloop)), Reply::V4(client))
        }
    };
    Ok((Link { client, line }, reply))
}

fn password(broker: &Broker) -> String {
    broker.password.as_ref().map(|secret| secret.reveal().to_owned()).unwrap_or_default()
}

impl Link {
    /// Waits for the next thing heard. Must not be dropped half-way: an acknowledgement on its way into
    /// the socket would be lost.
    pub(super) async fn poll(&mut self) -> Result<Heard, Broken> {
        let line = self.line;
        let heard = match &mut self.client {
            Client::V5(eventloop) => {
                eventloop.poll().await.map(heard_v5).map_err(|error| broken_v5(&error, line))
            }
            Client::V4(eventloop) => {
                eventloop.poll().await.map(heard_v4).map_err(|error| broken_v4(&error, line))
            }
        };
        match &heard {
            Ok(Heard::Connected { .. }) => self.line.taken_in = true,
            Ok(_) => {}
            Err(_) => self.line.taken_in = false,
        }
        heard
    }

    /// What is read already and waits in the client: the rest of a burst, or, after an error, the last
    /// messages of the connection that is gone.
    pub(super) fn next_buffered(&mut self) -> Option<Heard> {
        let heard = match &mut self.client {
            Client::V5(eventloop) => eventloop.state.events.pop_front().map(heard_v5),
            Client::V4(eventloop) => eventloop.state.events.pop_front().map(heard_v4),
        };
        if matches!(heard, Some(Heard::Connected { .. })) {
            self.line.taken_in = true;
        }
        heard
    }

    /// Lets a packet of `bytes` through from the next connection on; true if it will come now.
    /// MQTT 5 never needs it: the broker knows our limit and drops the packet itself.
    pub(super) fn make_room(&mut self, bytes: usize) -> bool {
        match &mut self.client {
            Client::V4(eventloop) if bytes <= PACKET_BYTES_AT_MOST => {
                let limit = bytes.saturating_add(1024);
                eventloop.mqtt_options.set_max_packet_size(limit, PACKET_BYTES as usize);
                true
            }
            _ => false,
        }
    }
}

impl Reply {
    /// Acknowledges a packet; false if there was no room, then it must be tried again.
    #[must_use]
    pub(super) fn acknowledge(&self, packet: u16) -> bool {
        match self {
            Reply::V5(client) => {
                let publish = mqtt5::Publish { qos: Qos5::AtLeastOnce, pkid: packet, ..Default::default() };
                client.try_ack(&publish).is_ok()
            }
            Reply::V4(client) => {
                let mut publish = v4::Publish::new("", v4::QoS::AtLeastOnce, Vec::new());
                publish.pkid = packet;
                client.try_ack(&publish).is_ok()
            }
        }
    }

    /// Subscribes to all filters in one packet; false if it could not be handed over.
    #[must_use]
    pub(super) fn subscribe(&self, filters: &[(String, u8)]) -> bool {
        match self {
            Reply::V5(client) => client
                .try_subscribe_many(filters.iter().map(|(filter, qos)| {
                    let qos = if *qos == 0 { Qos5::AtMostOnce } else { Qos5::AtLeastOnce };
                    let mut filter = mqtt5::Filter::new(filter, qos);
                    // Else every reconnect would bring the kept values once more.
                    filter.retain_forward_rule = mqtt5::RetainForwardRule::OnNewSubscribe;
                    filter
                }))
                .is_ok(),
            Reply::V4(client) => client
                .try_subscribe_many(filters.iter().map(|(filter, qos)| {
                    let qos = if *qos == 0 { v4::QoS::AtMostOnce } else { v4::QoS::AtLeastOnce };
                    v4::SubscribeFilter::new(filter.clone(), qos)
                }))
                .is_ok(),
        }
    }

    /// Publishes words that the broker keeps for whoever comes later; false if they could not be handed over.
    #[must_use]
    pub(super) fn keep(&self, topic: &str, words: &str) -> bool {
        match self {
            Reply::V5(client) => client.try_publish(topic, Qos5::AtLeastOnce, true, words.to_owned()).is_ok(),
            Reply::V4(client) => {
                client.try_publish(topic, v4::QoS::AtLeastOnce, true, words.to_owned()).is_ok()
            }
        }
    }

    /// Says farewell; the broker keeps the session.
    pub(super) fn leave(&self) {
        // No room means that the connection is in trouble; it is closed in a moment anyway.
        let _ = match self {
            Reply::V5(client) => client.try_disconnect().is_ok(),
            Reply::V4(client) => client.try_disconnect().is_ok(),
        };
    }
}

fn heard_v5(event: v5::Event) -> Heard {
    match event {
        v5::Event::Incoming(mqtt5::Packet::Publish(publish)) => Heard::Message(Delivery {
            topic: String::from_utf8_lossy(&publish.topic).into_owned(),
            payload: super::cut(&publish.payload),
            retained: publish.retain,
            again: publish.dup,
            packet: (publish.qos != Qos5::AtMostOnce).then_some(publish.pkid),
        }),
        v5::Event::Incoming(mqtt5::Packet::ConnAck(answer)) => {
            Heard::Connected { session_kept: answer.session_present }
        }
        v5::Event::Incoming(mqtt5::Packet::SubAck(answer)) => Heard::Subscribed(
            answer
                .return_codes
                .iter()
                .map(|code| matches!(code, mqtt5::SubscribeReasonCode::Success(_)))
                .collect(),
        ),
        v5::Event::Outgoing(outgoing) => heard_outgoing(&outgoing),
        v5::Event::Incoming(_) => Heard::Nothing,
    }
}

fn heard_v4(event: v4::Event) -> Heard {
    match event {
        v4::Event::Incoming(v4::Packet::Publish(publish)) => Heard::Message(Delivery {
            payload: super::cut(&publish.payload),
            topic: publish.topic,
            retained: publish.retain,
            again: publish.dup,
            packet: (publish.qos != v4::QoS::AtMostOnce).then_some(publish.pkid),
        }),
        v4::Event::Incoming(v4::Packet::ConnAck(answer)) => {
            Heard::Connected { session_kept: answer.session_present }
        }
        v4::Event::Incoming(v4::Packet::SubAck(answer)) => Heard::Subscribed(
            answer
                .return_codes
                .iter()
                .map(|code| matches!(code, v4::SubscribeReasonCode::Success(_)))
                .collect(),
        ),
        v4::Event::Outgoing(outgoing) => heard_outgoing(&outgoing),
        v4::Event::Incoming(_) => Heard::Nothing,
    }
}

fn heard_outgoing(outgoing: &Outgoing) -> Heard {
    match outgoing {
        Outgoing::PubAck(_) => Heard::Acknowledged,
        _ => Heard::Nothing,
    }
}

fn broken_v5(error: &v5::ConnectionError, line: Line) -> Broken {
    use rumqttc::v5::mqttbytes::Error as M;
    use rumqttc::v5::{ConnectionError as C, StateError as S};
    let words = match error {
        C::ConnectionRefused(code) => words::refused(&format!("{code:?}")),
        C::MqttState(S::ConnFail { reason }) => words::refused(&format!("{reason:?}")),
        C::MqttState(S::ServerDisconnect { reason_code, .. }) => {
            words::sent_away(&format!("{reason_code:?}"))
        }
        C::MqttState(S::AwaitPingResp) | C::Timeout(_) => words::silent(),
        C::MqttState(S::ConnectionAborted) => words::closed(line),
        C::MqttState(S::Io(error) | S::Deserialization(M::Io(error))) | C::Io(error) => {
            words::socket(error, line)
        }
        C::Tls(error) => tls_words(error, line),
        C::MqttState(S::Deserialization(_)) => words::garbled(&error.to_string(), line),
        other => words::other(&other.to_string()),
    };
    Broken { words, too_large_bytes: None }
}

fn broken_v4(error: &v4::ConnectionError, line: Line) -> Broken {
    use rumqttc::mqttbytes::Error as M;
    use rumqttc::{ConnectionError as C, StateError as S};
    let mut too_large_bytes = None;
    let words = match error {
        C::ConnectionRefused(code) => words::refused(&format!("{code:?}")),
        C::MqttState(S::Deserialization(M::PayloadSizeLimitExceeded(bytes))) => {
            too_large_bytes = Some(*bytes);
            words::too_large(*bytes)
        }
        C::MqttState(S::AwaitPingResp) | C::NetworkTimeout | C::FlushTimeout => words::silent(),
        C::MqttState(S::ConnectionAborted) => words::closed(line),
        C::MqttState(S::Io(error) | S::Deserialization(M::Io(error))) | C::Io(error) => {
            words::socket(error, line)
        }
        C::Tls(error) => tls_words(error, line),
        C::MqttState(S::Deserialization(_)) => words::garbled(&error.to_string(), line),
        other => words::other(&other.to_string()),
    };
    Broken { words, too_large_bytes }
}

fn tls_words(error: &v4::TlsError, line: Line) -> String {
    match error {
        v4::TlsError::Io(error) => words::socket(error, line),
        v4::TlsError::TLS(error) => words::tls(error),
        other => words::other(&other.to_string()),
    }
}
