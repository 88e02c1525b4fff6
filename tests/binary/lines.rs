//! Lines of the day book as a phone sends them: twice, late, odd, and taken back.

use rindwatch::clock::Clock;
use rindwatch::local::{Answer, Request, When};
use rindwatch::store::BookLine;

use crate::daemon::Daemon;

const MINUTE: i64 = 60_000;

fn jot(words: &str, when: When, key: &str, sure: bool) -> Request {
    Request::Jot { words: words.to_owned(), when, key: Some(key.to_owned()), sure }
}

fn ask(daemon: &Daemon, request: &Request) -> Answer {
    daemon.ask(request).unwrap()
}

fn refusal(answer: Answer) -> String {
    match answer {
        Answer::Refused { words } => words,
        other => panic!("not refused but {other:?}"),
    }
}

fn book(daemon: &Daemon) -> Vec<BookLine> {
    daemon.reader().book(i64::MIN, i64::MAX).unwrap()
}

fn running() -> Daemon {
    let mut daemon = Daemon::new(1, "", 60);
    daemon.start_with(&[]);
    daemon
}

/// A phone that lost the network after sending cannot know whether the line arrived, and sends it again.
#[test]
fn a_line_sent_twice_is_entered_once_also_after_a_kill() {
    let mut daemon = running();
    let line = jot("watered long 6 cans", When::Now, "tap-1", false);
    let done = Answer::Done { words: "watered long 60 L".to_owned() };
    assert_eq!(ask(&daemon, &line), done);
    assert_eq!(ask(&daemon, &line), done);
    daemon.kill();
    daemon.start_with(&[]);
    assert_eq!(ask(&daemon, &line), done);
    assert_eq!(book(&daemon).len(), 1);
    assert_eq!(ask(&daemon, &jot("watered long 6 cans", When::Now, "tap-2", false)), done);
    assert_eq!(book(&daemon).len(), 2, "another tap is another watering");
}

#[test]
fn a_line_that_waited_on_the_phone_lies_where_it_happened() {
    let daemon = running();
    let before_ms = Clock::real().wall_ms();
    ask(&daemon, &jot("watered long 3 cans", When::Ago(90 * 60_000), "tap-1", false));
    ask(&daemon, &jot("leafed long 8 m2", When::At(before_ms - 26 * 60 * MINUTE), "tap-2", false));
    // A phone whose clock stands a little ahead.
    ask(&daemon, &jot("note all well", When::At(before_ms + 2 * MINUTE), "tap-3", false));
    let times: Vec<i64> = book(&daemon)
        .iter()
        .map(|line| (line.happened_ms - before_ms + MINUTE / 2).div_euclid(MINUTE))
        .collect();
    assert_eq!(times, [-26 * 60, -90, 0]);
    let ahead = jot("note all well", When::At(before_ms + 60 * MINUTE), "tap-4", false);
    assert!(refusal(ask(&daemon, &ahead)).contains("has not come yet"));
    let old = jot("note all well", When::Ago(400 * 24 * 3_600_000), "tap-5", false);
    assert!(refusal(ask(&daemon, &old)).contains("a year"));
    let nameless = jot("note all well", When::Now, "", false);
    assert!(refusal(ask(&daemon, &nameless)).contains("key"));
    assert_eq!(book(&daemon).len(), 3, "nothing of these is kept");
}

#[test]
fn an_odd_amount_is_asked_about_before_it_counts() {
    let daemon = running();
    match ask(&daemon, &jot("watered long 160 cans", When::Now, "tap-1", false)) {
        Answer::Asks { words } => assert!(words.starts_with("That is 1600 L, more than"), "{words}"),
        other => panic!("not asked but {other:?}"),
    }
    assert_eq!(book(&daemon), []);
    let done = ask(&daemon, &jot("watered long 160 cans", When::Now, "tap-1", true));
    assert_eq!(done, Answer::Done { words: "watered long 1600 L".to_owned() });
    let jotted = daemon.once("jot", &["leafed", "long", "300", "m2"]);
    assert!(jotted.status.success(), "nothing known of its leaves yet: {jotted:?}");
    let jotted = daemon.once("jot", &["leafed", "long", "8", "m2"]);
    assert_eq!(jotted.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&jotted.stderr).contains("--sure"), "{jotted:?}");
    assert!(daemon.once("jot", &["--sure", "leafed", "long", "8", "m2"]).status.success());
}

#[test]
fn the_last_lines_are_taken_back_for_ten_minutes() {
    let mut daemon = running();
    let back = |key: &str| Request::TakeBack { key: key.to_owned() };
    ask(&daemon, &jot("watered long 6 cans", When::Now, "tap-1", false));
    ask(&daemon, &jot("watered long 2 cans", When::Now, "tap-2", false));
    let words = refusal(ask(&daemon, &back("tap-1")));
    assert_eq!(words, "take back the later line first: \"watered long 20 L\"");
    assert_eq!(ask(&daemon, &back("tap-2")), Answer::Done { words: "watered long 20 L".to_owned() });
    let left: Vec<String> = book(&daemon).into_iter().map(|line| line.words).collect();
    assert_eq!(left, ["watered long 60 L"]);
    let newest = daemon.reader().newest_lines(5).unwrap();
    assert!(newest[0].struck_ms.is_some() && newest[1].struck_ms.is_none(), "it stays, struck: {newest:?}");
    // Once it is taken back its key is spent: a late repeat from the phone does not enter it again.
    ask(&daemon, &jot("watered long 2 cans", When::Now, "tap-2", false));
    assert_eq!(book(&daemon).len(), 1);
    assert!(refusal(ask(&daemon, &back("tap-9"))).contains("no line of that key"));
    assert!(refusal(ask(&daemon, &back("tap-2"))).contains("can no longer be taken back"));
    daemon.kill();
    daemon.start_with(&[]);
    assert!(refusal(ask(&daemon, &back("tap-1"))).contains("started again"));
    assert_eq!(book(&daemon).len(), 1);
}
