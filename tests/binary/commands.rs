//! `status` and `jot`, with the daemon and without.

use rindwatch::store::Store;

use crate::daemon::Daemon;
use crate::mosquitto::Mosquitto;

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn jot_goes_through_the_daemon_and_is_stored_when_it_answers() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 60);
    daemon.start();
    let jotted = daemon.once("jot", &["watered", "long", "6", "cans"]);
    assert_eq!(text(&jotted.stdout), "entered: watered long 60 L\n", "{}", text(&jotted.stderr));
    daemon.kill();
    let book = daemon.reader().book(i64::MIN, i64::MAX).unwrap();
    assert_eq!(book.len(), 1);
    assert_eq!(book[0].words, "watered long 60 L");
}

#[test]
fn jot_without_a_daemon_waits_for_its_next_start() {
    let mut daemon = Daemon::new(1, "", 60);
    let jotted = daemon.once("jot", &["watered", "long", "40", "L"]);
    assert!(jotted.status.success(), "{}", text(&jotted.stderr));
    let untold = |daemon: &Daemon| {
        let known = daemon_saved(daemon);
        daemon.reader().book_after(known).unwrap().len()
    };
    assert_eq!(untold(&daemon), 1, "the entry waits");
    daemon.start_with(&[]);
    assert!(daemon.stop().success());
    assert_eq!(untold(&daemon), 0, "the daemon has taken it");
    assert_eq!(daemon.reader().book(i64::MIN, i64::MAX).unwrap().len(), 1, "once");
}

/// The last day-book line that the saved state knows.
fn daemon_saved(daemon: &Daemon) -> i64 {
    let store = Store::open(&daemon.data()).unwrap();
    store.saved().unwrap().map_or(0, |saved| saved.through_entry)
}

#[test]
fn an_entry_that_is_not_understood_is_refused_with_words() {
    let daemon = Daemon::new(1, "", 60);
    let jotted = daemon.once("jot", &["watered", "nowhere", "6", "cans"]);
    assert_eq!(jotted.status.code(), Some(1));
    assert_eq!(text(&jotted.stderr).lines().count(), 1);
    assert!(text(&jotted.stderr).contains("nowhere"), "{}", text(&jotted.stderr));
}

#[test]
fn status_says_what_stands_or_what_is_stored() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    assert_eq!(daemon.once("status", &[]).status.code(), Some(1), "no daemon and no store");
    daemon.start();
    crate::publisher::publish(broker.port, vec![crate::publisher::Post::new("bare", "19.5")]);
    daemon.wait_for_settled(1);
    let running = daemon.once("status", &[]);
    assert_eq!(running.status.code(), Some(0));
    assert!(text(&running.stdout).contains("1 messages, 1 readings"), "{}", text(&running.stdout));
    assert!(daemon.stop().success());
    let asleep = daemon.once("status", &[]);
    assert_eq!(asleep.status.code(), Some(3), "parts are left out");
    assert!(text(&asleep.stdout).contains("probe bare: 19.5 °C"), "{}", text(&asleep.stdout));
}

#[test]
fn wrong_usage_and_refused_settings_have_their_codes() {
    let daemon = Daemon::new(1, "", 60);
    let code = |words: &[&str]| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_rindwatch"));
        command.args(words).output().unwrap().status.code()
    };
    assert_eq!(code(&["run"]), Some(2));
    assert_eq!(code(&["dance"]), Some(2));
    assert_eq!(code(&["run", "--help"]), Some(0));
    let settings = daemon.settings();
    std::fs::write(&settings, "[garden]\nname = 7\n").unwrap();
    let run = daemon.once("run", &[]);
    assert_eq!(run.status.code(), Some(78));
    assert!(text(&run.stderr).lines().count() > 1, "every complaint at once: {}", text(&run.stderr));
}

#[test]
fn a_second_daemon_on_the_same_folder_is_refused() {
    let mut daemon = Daemon::new(1, "", 60);
    daemon.start_with(&[]);
    let second = daemon.once("run", &[]);
    assert_eq!(second.status.code(), Some(1));
    assert!(text(&second.stderr).contains("already writes here"), "{}", text(&second.stderr));
    assert!(daemon.stop().success(), "the first goes on");
}

/// A letter ends with `rindwatch jot done 12`; typed as it stood there it ended with wrong usage.
#[test]
fn the_line_of_a_letter_works_as_it_stands_and_a_wrong_number_is_refused() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 60);
    daemon.start();
    let mut jot = std::process::Command::new(env!("CARGO_BIN_EXE_rindwatch"));
    jot.args(["jot", "done", "12"]);
    jot.env("RINDWATCH_CONFIG", daemon.settings()).env("RINDWATCH_DATA", daemon.data());
    let jotted = jot.output().unwrap();
    assert_eq!(jotted.status.code(), Some(1));
    let words = text(&jotted.stderr);
    assert!(words.contains("no task 12 waits for an answer; those that do: none does"), "{words}");
}
