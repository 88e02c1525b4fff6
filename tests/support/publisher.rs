//! A node that publishes, and knows what the broker has taken.

use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Outgoing, Packet, QoS};

/// One message to publish.
pub struct Post {
    pub topic: String,
    pub payload: Vec<u8>,
    pub qos: u8,
    pub retain: bool,
}

impl Post {
    /// With quality of service 1.
    pub fn new(topic: &str, payload: impl Into<Vec<u8>>) -> Self {
        Self { topic: topic.to_owned(), payload: payload.into(), qos: 1, retain: false }
    }
}

/// Publishes all, and returns when the broker has taken each (quality of service 1) or each has gone out
/// (0).
pub fn publish(port: u16, posts: Vec<Post>) {
    publish_each(port, posts.into_iter());
}

/// As [`publish`], each made when its turn comes; how many there were.
pub fn publish_each(port: u16, posts: impl Iterator<Item = Post> + Send + 'static) -> usize {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(publish_all(port, posts))
}

async fn publish_all(port: u16, posts: impl Iterator<Item = Post> + Send + 'static) -> usize {
    static NUMBER: AtomicU32 = AtomicU32::new(0);
    let number = NUMBER.fetch_add(1, Ordering::Relaxed);
    let mut options = MqttOptions::new(format!("node-{}-{number}", std::process::id()), "127.0.0.1", port);
    options.set_max_packet_size(4 << 20, 4 << 20);
    options.set_inflight(1000);
    let (client, mut eventloop) = AsyncClient::new(options, 64);
    let feed = tokio::spawn(feed(client, posts));
    let mut leaving = false;
    // The broker closes the connection when it has read the farewell, and everything before it.
    loop {
        let heard = tokio::time::timeout(Duration::from_secs(30), eventloop.poll()).await;
        let Ok(heard) = heard else { panic!("the broker takes no more") };
        match heard {
            Ok(Event::Outgoing(Outgoing::Disconnect)) => leaving = true,
            Ok(_) => {}
            Err(_) if leaving => return feed.await.unwrap(),
            Err(error) => panic!("while publishing: {error}"),
        }
    }
}

async fn feed(client: AsyncClient, posts: impl Iterator<Item = Post>) -> usize {
    let mut count = 0;
    for post in posts {
        let qos = if post.qos == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce };
        client.publish(post.topic, qos, post.retain, post.payload).await.unwrap();
        count += 1;
    }
    client.disconnect().await.unwrap();
    count
}

/// A node that stays connected.
pub struct Node {
    runtime: tokio::runtime::Runtime,
    client: AsyncClient,
    eventloop: EventLoop,
}

impl Node {
    pub fn connect(port: u16) -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let options = MqttOptions::new(format!("node-{}-stays", std::process::id()), "127.0.0.1", port);
        let (client, eventloop) = AsyncClient::new(options, 64);
        Self { runtime, client, eventloop }
    }

    /// Publishes with quality of service 1, and returns when the broker has taken it.
    pub fn publish(&mut self, post: Post) {
        let Self { runtime, client, eventloop } = self;
        client.try_publish(post.topic, QoS::AtLeastOnce, post.retain, post.payload).unwrap();
        runtime.block_on(async {
            while !matches!(eventloop.poll().await.unwrap(), Event::Incoming(Packet::PubAck(_))) {}
        });
    }
}
