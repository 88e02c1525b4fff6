//! A subscriber that only counts: what the client library alone costs.

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, MqttOptions};

/// The first argument of the process that is one.
pub const ROLE: &str = "bare-subscriber";

/// Subscribes to everything, counts to `count`, writes a line after the subscription and the processor
/// time it took in ticks at the end.
pub fn subscribe(port: u16, count: usize) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let mut options = MqttOptions::new("bare", "127.0.0.1", port);
        options.set_max_packet_size(Some(256 * 1024)).set_outgoing_inflight_upper_limit(100);
        let (client, mut eventloop) = AsyncClient::new(options, 65_536);
        client.try_subscribe("#", QoS::AtLeastOnce).unwrap();
        let mut heard = 0;
        while heard < count {
            match eventloop.poll().await.unwrap() {
                Event::Incoming(Packet::Publish(_)) => heard += 1,
                Event::Incoming(Packet::SubAck(_)) => println!("subscribed"),
                _ => {}
            }
        }
        println!("{}", crate::process::cpu(std::process::id()).as_micros());
    });
}
