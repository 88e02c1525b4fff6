//! SIGTERM under each fault: the end comes within five seconds, all that was
//! acknowledged is stored, and the rest comes with the next start.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use rindwatch::record::{MatterKey, OutboxLetter};
use rindwatch::store::{Batch, Store};

use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::disk::{Small, publish_until_told, row};
use crate::mosquitto::Mosquitto;
use crate::proxy::{Proxy, Wire};
use crate::publisher::{publish, publish_each};
use crate::smtp::{Papers, Server};
use crate::{all_stored, may_mount};

const FIVE: Duration = Duration::from_secs(5);

#[test]
fn while_the_broker_hangs() {
    let Some(broker) = Mosquitto::start("") else { return };
    let proxy = Proxy::to(broker.port);
    let mut daemon = Daemon::new(proxy.port, "", 60);
    daemon.start();
    let begin_ms = two_hours_ago_ms();
    publish(broker.port, row(begin_ms, 0, 10));
    daemon.wait_for("ten are taken", |status| status.counts.messages == 10);
    proxy.set(Wire::HalfOpen);
    assert!(daemon.stop_within(FIVE).success());
    assert_eq!(daemon.stored(), 10, "all committed, though no acknowledgement could go out");
    proxy.set(Wire::Sound);
    proxy.cut();
    daemon.start();
    daemon.wait_for("the ten come again and are known", |status| status.counts.repeats == 10);
    assert_eq!(daemon.stored(), 10);
    assert!(daemon.stop().success());
}

#[test]
fn in_a_flood() {
    let Some(broker) = Mosquitto::start("max_inflight_messages 200\nmax_queued_messages 0") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    let begin_ms = two_hours_ago_ms();
    let enough = Arc::new(AtomicBool::new(false));
    let (port, stop) = (broker.port, Arc::clone(&enough));
    let flood = (0..)
        .map(move |n: usize| timed(n % 12, begin_ms + (n / 12) as i64, (n % 400) as f64 / 10.0))
        .take_while(move |_| !stop.load(Ordering::Relaxed));
    let publisher = std::thread::spawn(move || publish_each(port, flood));
    for _ in 0..3 {
        daemon.wait_for("it is in the midst of it", |status| status.counts.settled > 200);
        assert!(daemon.stop_within(FIVE).success());
        let stored = daemon.stored();
        daemon.start();
        assert!(stored > 0);
    }
    enough.store(true, Ordering::Relaxed);
    let sent = publisher.join().unwrap() as u64;
    all_stored(&daemon, sent);
    assert!(daemon.stop().success());
}

#[test]
fn while_the_store_is_full() {
    if !may_mount() {
        return;
    }
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    let data = daemon.data();
    let small = Small::mount(&data, 12_288);
    daemon.start();
    let begin_ms = two_hours_ago_ms();
    publish(broker.port, row(begin_ms, 0, 100));
    daemon.wait_for_settled(100);
    let full = small.fill();
    let sent = publish_until_told(&daemon, &broker, begin_ms, 100) as u64;
    assert_eq!(daemon.stop_within(FIVE).code(), Some(1), "it says that not all could be stored");
    std::fs::remove_file(full).unwrap();
    daemon.start();
    all_stored(&daemon, sent);
    assert!(daemon.stop().success());
}

/// A letter is under way to a mail server that answers a byte a second.
#[test]
fn while_the_mail_server_trickles() {
    let Some(broker) = Mosquitto::start("") else { return };
    let papers = Papers::made("127.0.0.1");
    let folder = tempfile::tempdir().unwrap();
    let mut mail = Server::keeping(&papers, folder.path());
    let wire = Proxy::to(mail.port);
    let mut daemon = with_mail(broker.port, wire.port, &papers);
    daemon.start();
    assert!(daemon.stop().success());
    let letter = OutboxLetter {
        number: 1,
        person: "grower".into(),
        address: "grower@example.org".into(),
        at_ms: two_hours_ago_ms(),
        matters: vec![MatterKey::Gear],
        subject: "A probe".into(),
        eml: b"From: garden@example.org\r\nTo: grower@example.org\r\nMessage-ID: <1@hill-patch>\r\n\
               Subject: A probe\r\n\r\n1. Probe p1\r\n"
            .to_vec(),
        draft: None,
    };
    let mut store = Store::open(&daemon.data()).unwrap();
    store.commit(&Batch { now_ms: letter.at_ms, letters: vec![letter], ..Batch::default() }).unwrap();
    drop(store);
    wire.set(Wire::Trickle(1000));
    daemon.start();
    publish(broker.port, row(two_hours_ago_ms(), 0, 10));
    daemon.wait_for("ten are stored", |status| status.counts.settled == 10 && status.letters_waiting == 1);
    std::thread::sleep(Duration::from_millis(1500));
    assert!(daemon.stop_within(FIVE).success());
    assert_eq!(daemon.reader().letters_waiting().unwrap().len(), 1, "it still waits");
    wire.set(Wire::Sound);
    wire.cut();
    daemon.start();
    daemon.wait_for("the letter is taken", |status| status.letters_waiting == 0);
    assert!(daemon.stop().success());
    let taken = mail.end();
    assert_eq!(taken.iter().filter(|line| line.starts_with("took <1@hill-patch>")).count(), 1, "{taken:?}");
}

/// The usual garden, with a mail server.
pub fn with_mail(broker: u16, mail: u16, papers: &Papers) -> Daemon {
    let text = std::fs::read_to_string(Daemon::new(broker, "", 1).settings()).unwrap();
    let daemon = Daemon::with_settings(&format!(
        "{text}\n[mail]\nhost = \"127.0.0.1\"\nport = {mail}\nsecurity = \"starttls\"\nca-file = \"{}\"\n\
         user = \"garden\"\npassword-file = \"mail-password\"\nfrom = \"garden@example.org\"\n",
        papers.authority().display()
    ));
    std::fs::write(daemon.folder.path().join("mail-password"), "right\n").unwrap();
    daemon
}
