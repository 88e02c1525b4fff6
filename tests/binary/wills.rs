//! Last wills of nodes through a real mosquitto: who is gone stands in `status` and on the page, and is over with the
//! node's own word.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use rindwatch::engine::Trust;
use rindwatch::record::Rule;
use rumqttc::{AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, QoS};

use crate::child::{free_port, wait_until};
use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::{Node, Post, publish, publish_each};

const STATE: &str = "bed/0/state";

/// A node that is always on: it leaves its will with the broker, says that it is there, and dies without a farewell when
/// it is dropped.
struct Lively {
    _runtime: tokio::runtime::Runtime,
    _eventloop: EventLoop,
}

impl Lively {
    fn connect(port: u16) -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let mut options = MqttOptions::new("lively", "127.0.0.1", port);
        options.set_last_will(LastWill::new(STATE, "offline", QoS::AtLeastOnce, true));
        let (client, mut eventloop) = AsyncClient::new(options, 10);
        client.try_publish(STATE, QoS::AtLeastOnce, true, "online").unwrap();
        runtime.block_on(async {
            while !matches!(eventloop.poll().await.unwrap(), Event::Incoming(Packet::PubAck(_))) {}
        });
        Self { _runtime: runtime, _eventloop: eventloop }
    }
}

fn kept(topic: &str, words: &str) -> Post {
    Post { retain: true, ..Post::new(topic, words) }
}

/// Probe p0 hangs on such a node; `page` is where the page listens.
fn daemon(port: u16, page: u16, version: &str) -> Daemon {
    let daemon = Daemon::new(port, version, 1);
    let text = std::fs::read_to_string(daemon.settings()).unwrap();
    let text = text
        .replace("[probe.p0]", &format!("[probe.p0]\nlast-will = \"{STATE}\""))
        .replace("listen = \"off\"", &format!("listen = \"127.0.0.1:{page}\""));
    std::fs::write(daemon.settings(), text).unwrap();
    daemon
}

fn is_gone(daemon: &Daemon) -> bool {
    let probes = daemon.status().survey.probes;
    let probe = probes.iter().find(|probe| probe.name == "p0").unwrap();
    (probe.trust, probe.rule) == (Trust::Missing, Some(Rule::Silent))
}

fn page_of(port: u16) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    write!(stream, "GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n").unwrap();
    let mut page = String::new();
    stream.read_to_string(&mut page).unwrap();
    page
}

#[test]
fn a_node_that_dies_is_gone_at_once_and_there_with_its_next_word() {
    for version in ["", "version = \"3.1.1\""] {
        let Some(broker) = Mosquitto::start("persistence true") else { return };
        let page = free_port();
        let mut daemon = daemon(broker.port, page, version);
        daemon.start();
        let node = Lively::connect(broker.port);
        publish(broker.port, vec![timed(0, two_hours_ago_ms() + 7_000_000, 18.0)]);
        daemon.wait_for_settled(2);
        assert!(!is_gone(&daemon));
        assert!(!page_of(page).contains("its node is gone"));
        // No farewell: the broker speaks for it.
        drop(node);
        wait_until("it is gone", Duration::from_secs(30), || is_gone(&daemon));
        let words = "the broker says that its node is gone";
        let shown = page_of(page);
        let row = &shown[shown.find("<td>p0").unwrap()..shown.find("<td>p1").unwrap()];
        assert!(row.contains(words), "{row}");
        let shown = String::from_utf8(daemon.once("status", &[]).stdout).unwrap();
        let line = shown.lines().find(|line| line.starts_with("probe p0: 18 °C")).unwrap();
        assert!(line.contains(&format!("silent: {words}")), "{line}");

        // What the broker has told once it does not tell again: it was saved before it was acknowledged.
        daemon.wait_for_settled(3);
        daemon.kill();
        daemon.start();
        assert!(is_gone(&daemon), "{version}: a kill made it forget who is gone");

        // Somebody clears the kept word at the broker: that says nothing of the node.
        publish(broker.port, vec![kept(STATE, "")]);
        daemon.wait_for("the clearing came", |status| status.counts.messages >= 1);
        assert!(is_gone(&daemon));
        assert_eq!(daemon.status().counts.refused, 0);
        let node = Lively::connect(broker.port);
        wait_until("it is there", Duration::from_secs(30), || !is_gone(&daemon));
        drop(node);
        wait_until("it is gone again", Duration::from_secs(30), || is_gone(&daemon));
        // A reading proves it too.
        publish(broker.port, vec![timed(0, two_hours_ago_ms() + 7_100_000, 18.1)]);
        wait_until("it speaks", Duration::from_secs(30), || !is_gone(&daemon));
        assert!(daemon.stop().success());
    }
}

/// The word was kept at the broker long before the daemon knew the node.
#[test]
fn a_word_kept_from_before_counts() {
    let Some(broker) = Mosquitto::start("") else { return };
    publish(broker.port, vec![kept(STATE, "offline")]);
    let mut daemon = daemon(broker.port, free_port(), "");
    daemon.start();
    wait_until("it is gone", Duration::from_secs(30), || is_gone(&daemon));
    assert!(daemon.stop().success());
}

/// A node that comes and goes without pause is bounded like any flood, and the others are heard.
#[test]
fn a_flood_of_comings_and_goings_is_let_go_and_named() {
    let Some(broker) = Mosquitto::quiet("max_queued_messages 100000") else { return };
    let mut daemon = daemon(broker.port, free_port(), "");
    daemon.start();
    let words = (0..20_000).map(|n| Post::new(STATE, if n % 2 == 0 { "offline" } else { "online" }));
    publish_each(broker.port, words);
    let mut other = Node::connect(broker.port);
    other.publish(timed(1, two_hours_ago_ms(), 20.0));
    daemon.wait_for("the other probe is judged", |status| status.counts.readings == 1);
    daemon.wait_for("all is acknowledged", |status| status.counts.settled == 20_001);
    let status = daemon.status();
    assert!((19_700..=19_800).contains(&status.counts.let_go), "{:?}", status.counts);
    let named =
        || daemon.log().lines().any(|line| line.contains("sends far too much") && line.contains("p0"));
    wait_until("it is named", Duration::from_secs(10), named);
    assert!(daemon.stop().success());
}
