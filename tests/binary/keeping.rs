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

/// At a start after a night that was missed the copy is made, and each later night brings it up; a disk that is not
/// there is told on the page until it is back.
#[test]
fn the_nightly_copy_is_made_told_of_and_can_be_brought_back() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    let disk = daemon.folder.path().join("disk");
    let text = std::fs::read_to_string(daemon.settings()).unwrap();
    // A garden where the night is over whenever this test runs: Tokyo is 14 or 15 hours ahead of Chicago.
    let now_ms = rindwatch::clock::Clock::real().wall_ms();
    let here =
        chrono::DateTime::from_timestamp_millis(now_ms).unwrap().with_timezone(&chrono_tz::America::Chicago);
    let still_night = chrono::Timelike::hour(&here) < 4;
    let (zone, longitude) = if still_night { ("Asia/Tokyo", "139.7") } else { ("America/Chicago", "-93.2") };
    let text = text
        .replace("America/Chicago", zone)
        .replace("longitude = -93.2", &format!("longitude = {longitude}"))
        .replace("[store]", &format!("[store]\nnightly-copy = \"{}\"", disk.display()));
    std::fs::write(daemon.settings(), text).unwrap();
    daemon.start();
    daemon.wait_for("the missing disk is told", |status| {
        status.survey.matters.iter().any(|matter| matter.why.contains("the nightly copy"))
    });
    let at_ms = two_hours_ago_ms();
    publish(broker.port, (0..240).map(|n| timed(n % 12, at_ms + n as i64 * 1000, 18.0)).collect());
    daemon.wait_for_settled(240);
    assert!(daemon.once("jot", &["watered", "long", "3", "cans"]).status.success());
    assert!(daemon.stop().success());

    std::fs::create_dir(&disk).unwrap();
    // The night is over; as if it had been missed.
    let store = rusqlite::Connection::open(daemon.data().join("rindwatch.db")).unwrap();
    store.execute("UPDATE meta SET value = '2020-01-01' WHERE key = 'night'", []).unwrap();
    drop(store);
    daemon.start();
    daemon.wait_for("it is over", |status| {
        !status.survey.matters.iter().any(|matter| matter.why.contains("the nightly copy"))
    });
    assert!(daemon.stop().success());
    let copy = disk.join("hill-patch.db");
    let before = daemon.stored();
    std::fs::remove_file(daemon.data().join("rindwatch.db")).unwrap();
    let done = daemon.once("restore", &["--from", copy.to_str().unwrap()]);
    assert!(done.status.success(), "{}", said(&done));
    assert_eq!((before, daemon.stored()), (240, 240));
    assert_eq!(daemon.reader().book(0, i64::MAX).unwrap().len(), 1);
    daemon.start();
    assert!(daemon.stop().success());
}
