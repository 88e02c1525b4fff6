//! The broker example of `deploy/` in a real mosquitto: it starts, and each name may do what its rules say.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::process::{Command, Stdio};
use std::time::Duration;

use rumqttc::{Client, Connection, Event, MqttOptions, Packet, QoS};

use crate::child::{Running, free_port, wait_until};
use crate::mosquitto;

/// Passwords `secret-NAME`, as `mosquitto_passwd` of mosquitto 2.0.11 wrote them.
const PASSWORDS: &str = "\
rindwatch:$7$101$pXBTdt5nzMTpP2O6$iPkUCaXoaX49PAEdDhZG/0EHTVkR1vt/pPfmcqTzmAefu7I/ivSnL1wka4P4VxuzYwW2IHVWs1KJCbiL/Gv2Zw==
long-bed:$7$101$8qIjT0Sq/1eWDmWG$eWjb+NBcy5HG5MKi5M8dJB3pqjW3pubUL5pMgrI4hIvumyMDa3L6xWht6FOMH+R9AimbE6MNUps5HvWX1O6wwA==
";

fn connect(port: u16, name: Option<&str>) -> (Client, Connection) {
    let mut options = MqttOptions::new(name.unwrap_or("nobody"), "127.0.0.1", port);
    if let Some(name) = name {
        options.set_credentials(name, format!("secret-{name}"));
    }
    Client::new(options, 16)
}

/// Topics of the next `count` messages.
fn heard(connection: &mut Connection, count: usize) -> Vec<String> {
    let mut topics = Vec::new();
    while topics.len() < count {
        match connection.recv_timeout(Duration::from_secs(10)) {
            Ok(Ok(Event::Incoming(Packet::Publish(publish)))) => topics.push(publish.topic),
            Ok(Ok(_)) => {}
            other => panic!("heard {topics:?}, then {other:?}"),
        }
    }
    topics
}

#[test]
fn the_broker_example_starts_and_keeps_each_node_to_its_own_topics() {
    let Some(program) = mosquitto::program() else { return };
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path();
    let port = free_port();
    let here = format!("{}/", place.display());
    let settings = include_str!("../../deploy/mosquitto.conf")
        .replace("listener 1883", &format!("listener {port} 127.0.0.1"))
        .replace("/etc/mosquitto/", &here)
        .replace("/var/lib/mosquitto/", &here);
    fs::write(place.join("mosquitto.conf"), settings).unwrap();
    fs::write(place.join("mosquitto.acl"), include_str!("../../deploy/mosquitto.acl")).unwrap();
    fs::write(place.join("passwords"), PASSWORDS).unwrap();
    // Started by root it becomes `nobody`, who must be able to read and write here.
    fs::set_permissions(place, fs::Permissions::from_mode(0o777)).unwrap();
    let mut command = Command::new(program);
    command.arg("-c").arg(place.join("mosquitto.conf"));
    let _broker = Running::start(command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()));
    wait_until("mosquitto listens", Duration::from_secs(10), || {
        std::net::TcpStream::connect(("127.0.0.1", port)).is_ok()
    });

    let (rindwatch, mut ear) = connect(port, Some("rindwatch"));
    rindwatch.subscribe("garden/#", QoS::AtLeastOnce).unwrap();
    rindwatch.publish("garden/long-bed/forged", QoS::AtLeastOnce, false, "1").unwrap();
    let subscribed = ear.iter().take(10).any(|said| matches!(said, Ok(Event::Incoming(Packet::PubAck(_)))));
    assert!(subscribed, "rindwatch is let in");

    let (node, mut mouth) = connect(port, Some("long-bed"));
    for topic in ["garden/east-bed/soil", "rindwatch/patch/state", "garden/long-bed/soil"] {
        node.publish(topic, QoS::AtLeastOnce, false, "0.31").unwrap();
    }
    let taken = mouth.iter().take(20).filter(|said| matches!(said, Ok(Event::Incoming(Packet::PubAck(_)))));
    assert_eq!(taken.take(3).count(), 3, "the broker has looked at all three");
    // What is refused would have come first.
    assert_eq!(heard(&mut ear, 1), ["garden/long-bed/soil"]);

    let (_nobody, mut door) = connect(port, None);
    assert!(
        matches!(door.recv_timeout(Duration::from_secs(10)), Ok(Err(_))),
        "nobody comes in without a name"
    );
}
