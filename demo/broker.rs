//! An MQTT broker inside the demo, and the nodes' connection to it. Memory only: good for a demo and for
//! nothing else.

use std::collections::HashMap;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{Client, MqttOptions};
use rumqttd::{Config, ConnectionSettings, RouterConfig, ServerSettings};

use crate::Trouble;
use crate::season_maker::Message;

/// A loopback port that is free now.
pub fn free_port() -> Result<u16, Trouble> {
    Ok(TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port())
}

/// Starts the broker on a loopback port. It runs until the demo ends.
pub fn start(port: u16) -> Result<(), Trouble> {
    let connections = ConnectionSettings {
        connection_timeout_ms: 5_000,
        max_payload_size: 65_536,
        max_inflight_count: 100,
        auth: None,
        external_auth: None,
        dynamic_filters: true,
    };
    let server = ServerSettings {
        name: "demo".to_owned(),
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, port)),
        tls: None,
        next_connection_delay_ms: 1,
        connections,
    };
    let config = Config {
        router: RouterConfig {
            max_connections: 16,
            max_outgoing_packet_count: 200,
            max_segment_size: 1 << 20,
            max_segment_count: 4,
            ..RouterConfig::default()
        },
        v5: Some(HashMap::from([("demo".to_owned(), server)])),
        ..Config::default()
    };
    std::thread::Builder::new().name("broker".to_owned()).spawn(move || {
        if let Err(error) = rumqttd::Broker::new(config).start() {
            eprintln!("the demo's broker stopped: {error}");
        }
    })?;
    Ok(())
}

/// The radio of all nodes: one connection that publishes.
#[derive(Clone)]
pub struct Radio(Client);

impl Radio {
    /// Connects to the broker on a loopback port.
    pub fn connect(port: u16) -> Result<Self, Trouble> {
        let options = MqttOptions::new("demo-nodes", Ipv4Addr::LOCALHOST.to_string(), port);
        let (client, mut connection) = Client::new(options, 1_000);
        std::thread::Builder::new().name("nodes".to_owned()).spawn(move || {
            for said in connection.iter() {
                if said.is_err() {
                    std::thread::sleep(Duration::from_millis(100));
                }
            }
        })?;
        Ok(Self(client))
    }

    /// Publishes a message with quality of service 1.
    pub fn send(&self, message: Message) -> Result<(), Trouble> {
        Ok(self.0.publish(message.topic, QoS::AtLeastOnce, false, message.payload)?)
    }
}
