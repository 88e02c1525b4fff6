//! Copies made and brought back by the built program, and a store found damaged at the start.

use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::publish;

fn said(output: &std::process::Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

#[test]
fn a_copy_of_the_running_daemon_comes_back_as_it_was_and_goes_on() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    let at_ms = two_hours_ago_ms();
    publish(broker.port, (0..240).map(|n| timed(n % 12, at_ms + n as i64 * 1000, 18.0)).collect());
    daemon.wait_for_settled(240);
    assert!(daemon.once("jot", &["watered", "long", "3", "cans"]).status.success());
    let copy = daemon.folder.path().join("copy.db");
    let copy = copy.to_str().unwrap();
    let done = daemon.once("backup", &["--to", copy]);
    assert!(done.status.success() && said(&done).contains("read over and sound"), "{}", said(&done));
    let before = daemon.status().survey;

    let refused = daemon.once("restore", &["--from", copy]);
    assert_eq!(refused.status.code(), Some(1), "{}", said(&refused));
    assert!(said(&refused).contains("stop it first"), "{}", said(&refused));
    publish(broker.port, vec![timed(1, at_ms + 999_000, 19.0)]);
    daemon.wait_for_settled(241);
    assert!(daemon.stop().success());
    let done = daemon.once("restore", &["--from", copy]);
    assert_eq!(done.status.code(), Some(0), "{}", said(&done));
    assert!(said(&done).contains("is kept: "), "{}", said(&done));
    daemon.start();
    assert_eq!(daemon.stored(), 240);
    let book = daemon.reader().book(0, i64::MAX).unwrap();
    assert_eq!(book.len(), 1);
    let after = daemon.status().survey;
    assert_eq!((&after.beds, &after.matters), (&before.beds, &before.matters));
    publish(broker.port, (0..24).map(|n| timed(n % 12, at_ms + n as i64 * 1000, 18.0)).collect());
    daemon.wait_for("repeats are known", |status| status.counts.repeats == 24);
    assert!(daemon.stop().success());
}

#[test]
fn a_damaged_store_never_keeps_the_daemon_from_starting() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    let at_ms = two_hours_ago_ms();
    publish(broker.port, (0..120).map(|n| timed(n % 12, at_ms + n as i64 * 1000, 18.0)).collect());
    daemon.wait_for_settled(120);
    assert!(daemon.once("jot", &["watered", "long", "3", "cans"]).status.success());
    assert!(daemon.stop().success());
    let file = daemon.data().join("rindwatch.db");
    let whole = std::fs::read(&file).unwrap();
    for bytes in [b"no database".to_vec(), whole[..whole.len() / 2].to_vec(), vec![0; whole.len()]] {
        std::fs::write(&file, &bytes).unwrap();
        daemon.start();
        let told = daemon.status().survey.matters;
        let told = told.iter().find(|matter| matter.why.contains("damaged")).map(|matter| matter.why.clone());
        assert!(told.is_some_and(|why| why.contains("keep it")), "{:?}", daemon.status().survey.matters);
        publish(broker.port, vec![timed(1, at_ms + 999_000, 19.0)]);
        daemon.wait_for_settled(1);
        assert!(daemon.stop().success());
        std::thread::sleep(std::time::Duration::from_millis(1100));
    }
    let aside = std::fs::read_dir(daemon.data()).unwrap().flatten();
    let aside = aside.filter(|entry| entry.file_name().to_string_lossy().contains(".damaged-"));
    assert_eq!(aside.count(), 3, "each kept");
}
