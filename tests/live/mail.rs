//! Mail goes wrong around the built daemon: what it says, and that no letter is lost.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::time::Duration;

use mail_parser::MessageParser;
use rindwatch::clock::Clock;
use rindwatch::local::Request;
use rindwatch::record::{MatterKey, Millis, Stand};
use rindwatch::rfc3339;
use rindwatch::store::Fate;

use crate::child::free_port;
use crate::daemon::Daemon;
use crate::mosquitto::Mosquitto;
use crate::publisher::{Node, Post};
use crate::smtp::{Papers, Server};
use crate::{HEAD, thermometers, winter};

const MINUTE_MS: Millis = 60_000;
const HOUR_MS: Millis = 60 * MINUTE_MS;
const TURN_MS: Millis = 5 * MINUTE_MS;
/// Noon of a summer day: far from the quiet hours.
const NOON: &str = "2026-07-01T12:00:00Z";

/// A bed with a moisture probe; three thermometers come to it.
const BED: &str = r#"
[bed.lee]
rooted = "6 m2"
leafed = "6 m2"
depth = "40 cm"
soil = "loam"
crop = "squash"
planted = 2026-05-20
[probe.wet]
measures = "soil-moisture"
depth = "15 cm"
topic = "bed/wet"
unit = "m3/m3"
value = "/v"
time = "epoch-ms"
time-at = "/t"
"#;

pub(crate) fn garden() -> String {
    format!("{HEAD}{BED}{}", thermometers(3))
}

/// A daemon on a clock that is moved, and the node that speaks to it.
pub(crate) struct Yard {
    pub(crate) daemon: Daemon,
    node: Node,
    published: u64,
    pub(crate) now_ms: Millis,
    _broker: Mosquitto,
}

impl Yard {
    fn open(mail: u16, papers: &Papers) -> Option<Self> {
        Self::of(|broker| winter::daemon(&garden(), broker, mail, papers), NOON)
    }

    /// The daemon that `made` makes for a broker's port, from this time on.
    pub(crate) fn of(made: impl FnOnce(u16) -> Daemon, from: &str) -> Option<Self> {
        let broker = Mosquitto::start("")?;
        let node = Node::connect(broker.port);
        let daemon = made(broker.port);
        let now_ms = rfc3339::parse(from).unwrap();
        let mut yard = Self { daemon, node, published: 0, now_ms, _broker: broker };
        yard.start();
        Some(yard)
    }

    pub(crate) fn start(&mut self) {
        self.daemon.start_with(&["--scripted-clock", &rfc3339::show(self.now_ms)]);
        self.daemon.wait_for("the broker is connected", |status| status.broker.is_none());
        self.published = 0;
    }

    /// One reading of each probe; impossible ones of the thermometers in `bad`.
    pub(crate) fn report(&mut self, moisture: f64, bad: &[usize]) {
        let at_ms = self.now_ms - 500;
        let mut say = |topic: String, at_ms: Millis, value: f64| {
            self.node.publish(Post::new(&topic, format!(r#"{{"t": {at_ms}, "v": {value}}}"#)));
            self.published += 1;
        };
        say("bed/wet".to_owned(), at_ms, moisture);
        for n in 0..3 {
            let values: &[f64] = if bad.contains(&n) { &[99.0, 99.0, 99.0] } else { &[20.0] };
            for (late, value) in values.iter().enumerate() {
                say(format!("bed/{n}"), at_ms + 10 * late as Millis, *value);
            }
        }
        winter::tell(&self.daemon, &Request::Settle { messages: self.published });
    }

    pub(crate) fn move_on(&mut self, by_ms: Millis) {
        self.now_ms += by_ms;
        winter::tell(&self.daemon, &Request::Clock { ms: self.now_ms });
    }

    /// A thermometer says impossible things, and a letter is made of it.
    fn break_probe(&mut self, n: usize) {
        self.report(0.30, &[n]);
        self.move_on(TURN_MS);
    }

    fn shown(&self) -> String {
        String::from_utf8(self.daemon.once("status", &[]).stdout).unwrap()
    }
}

pub(crate) fn ids(folder: &Path) -> Vec<String> {
    let letters = winter::kept_letters(folder);
    letters
        .iter()
        .map(|eml| MessageParser::default().parse(eml).unwrap().message_id().unwrap().to_owned())
        .collect()
}

/// The mail server is away for four days of the garden's clock, then back.
#[test]
fn after_four_days_without_a_mail_server_the_letters_that_count_go_out_and_the_rest_is_on_record() {
    let papers = Papers::made("127.0.0.1");
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let Some(mut yard) = Yard::open(port, &papers) else { return };
    for hour in 0..96 {
        // The bed dries out; one thermometer breaks on the first day and is well on the second, another breaks on the
        // third for good.
        let bad: &[usize] = match hour {
            2..10 => &[0],
            50.. => &[1],
            _ => &[],
        };
        yard.report(0.27 - 0.0012 * f64::from(hour), bad);
        yard.move_on(HOUR_MS);
    }
    let status = yard.daemon.status();
    let waited: Vec<u32> =
        yard.daemon.reader().letters_waiting().unwrap().iter().map(|letter| letter.number).collect();
    assert!(waited.len() >= 3 && status.letters_waiting == waited.len(), "{waited:?}");
    let shown = yard.shown();
    let lines: Vec<&str> = shown.lines().filter(|line| line.starts_with("mail: ")).collect();
    assert_eq!(lines, [format!("mail: mail server 127.0.0.1:{port}: nobody listens there")], "{shown}");

    let watch = Clock::real();
    let mut server = Server::keeping_at("good", &papers, port, folder.path());
    while yard.daemon.status().letters_waiting > 0 {
        assert!(
            watch.mono_ms() < 120_000,
            "two minutes after it was back letters wait: {}",
            yard.daemon.log()
        );
        std::thread::sleep(Duration::from_millis(50));
    }
    println!("{} letters waited; all out {} ms after the server was back", waited.len(), watch.mono_ms());
    let shown = yard.shown();
    assert!(!shown.contains("\nmail: "), "{shown}");

    let kept = yard.daemon.reader().recent_letters(u32::MAX).unwrap();
    let accepted: BTreeSet<u32> = kept
        .iter()
        .filter(|letter| matches!(letter.fate, Fate::Accepted(_)))
        .map(|letter| letter.number)
        .collect();
    let dropped: Vec<u32> = kept
        .iter()
        .filter(|letter| matches!(&letter.fate, Fate::Overtaken(_, words) if !words.is_empty()))
        .map(|letter| letter.number)
        .collect();
    assert_eq!(accepted.len() + dropped.len(), kept.len(), "each has a fate: {kept:?}");
    assert!(!dropped.is_empty() && waited.contains(&dropped[0]));
    assert!(shown.contains(&format!("overtaken while they waited, not sent: {}", dropped.len())), "{shown}");
    server.end();
    let received = ids(folder.path());
    let wanted: Vec<String> =
        accepted.iter().map(|number| format!("letter-{number}.grower@lee-patch.rindwatch.invalid")).collect();
    assert_eq!(received, wanted, "in the order of their numbers, each once");
    let text: Vec<String> = winter::kept_letters(folder.path())
        .iter()
        .map(|eml| MessageParser::default().parse(eml).unwrap().body_text(0).unwrap().into_owned())
        .collect();
    let all = text.join("\n");
    assert!(all.contains("Probe p1") && all.contains("Lee"), "{all}");
    assert!(!all.contains("Probe p0"), "that one is well again: {all}");
    assert!(all.contains("Letters to you could not go out from"), "{all}");
    assert!(yard.daemon.stop().success());
}

/// What a mail server does, and what the daemon says of it.
struct Trouble<'a> {
    behaviour: &'a str,
    papers: &'a Papers,
    /// What the daemon goes by.
    trusted: &'a Papers,
    password: &'a str,
    words: &'a str,
    /// It stands on the page at once.
    matter: bool,
}

impl<'a> Trouble<'a> {
    /// Of a server with these papers, which the daemon trusts: all else is well.
    fn of(papers: &'a Papers, words: &'a str) -> Self {
        Self { behaviour: "good", papers, trusted: papers, password: "right", words, matter: true }
    }
}

/// The daemon meets the trouble, says it in one line, and the letter is out once the server is good.
fn meets(trouble: &Trouble) {
    let mut bad = Server::start(trouble.behaviour, Some(trouble.papers), 0);
    let port = bad.port;
    let Some(mut yard) = Yard::open(port, trouble.trusted) else { return };
    fs::write(yard.daemon.folder.path().join("mail-password"), trouble.password).unwrap();
    assert!(yard.daemon.stop().success());
    yard.start();
    yard.break_probe(0);
    yard.daemon.wait_for(trouble.words, |status| {
        status.mail.as_deref().is_some_and(|said| said.contains(trouble.words)) && status.letters_waiting == 1
    });
    let shown = yard.shown();
    let lines: Vec<&str> = shown.lines().filter(|line| line.starts_with("mail: ")).collect();
    assert!(lines.len() == 1 && lines[0].contains(trouble.words), "{shown}");
    let stands = |yard: &Yard| {
        let matters = yard.daemon.status().survey.matters;
        matters.iter().any(|one| one.matter == MatterKey::Mail && one.stand == Stand::Standing)
    };
    assert_eq!(stands(&yard), trouble.matter, "{shown}");
    let warned = yard
        .daemon
        .log()
        .lines()
        .filter(|line| line.contains("WARN") && line.contains(trouble.words))
        .count();
    assert_eq!(
        warned,
        usize::from(trouble.matter),
        "said once, not with each attempt:\n{}",
        yard.daemon.log()
    );
    assert!(yard.daemon.stop().success());
    let said = bad.end();
    assert!(!said.iter().any(|line| line.starts_with("took")), "{said:?}");
    // A password is shown to a server that has proved who it is, or to nobody.
    let may_see_it = trouble.words.contains("refuses user");
    assert!(may_see_it || !said.iter().any(|line| line == "password"), "{said:?}");

    // Somebody mends it.
    let folder = tempfile::tempdir().unwrap();
    let good = Papers::made("127.0.0.1");
    let settings = fs::read_to_string(yard.daemon.settings()).unwrap();
    let (old, new) = (trouble.trusted.authority(), good.authority());
    fs::write(
        yard.daemon.settings(),
        settings.replace(&old.display().to_string(), &new.display().to_string()),
    )
    .unwrap();
    fs::write(yard.daemon.folder.path().join("mail-password"), "right").unwrap();
    let mut server = Server::keeping_at("good", &good, port, folder.path());
    yard.start();
    yard.daemon.wait_for("the letter is out", |status| status.letters_waiting == 0);
    assert!(!stands(&yard), "it works again");
    assert!(yard.daemon.stop().success());
    server.end();
    assert_eq!(ids(folder.path()), ["letter-1.grower@lee-patch.rindwatch.invalid"], "the same letter");
}

#[test]
fn an_unknown_authority_is_said_and_nothing_is_lost() {
    let (papers, trusted) = (Papers::made("127.0.0.1"), Papers::made("127.0.0.1"));
    let words = "its certificate is signed by no authority this board knows";
    meets(&Trouble { trusted: &trusted, ..Trouble::of(&papers, words) });
}

#[test]
fn a_certificate_that_has_run_out_is_said_and_nothing_is_lost() {
    let papers = Papers::run_out("127.0.0.1");
    let words = "its certificate has run out, or this board's clock is wrong";
    meets(&Trouble::of(&papers, words));
}

#[test]
fn a_certificate_for_another_name_is_said_and_nothing_is_lost() {
    let papers = Papers::made("mail.example.org");
    let words = "its certificate is made out for another name";
    meets(&Trouble::of(&papers, words));
}

#[test]
fn a_wrong_password_is_said_and_nothing_is_lost() {
    let papers = Papers::made("127.0.0.1");
    let words = "refuses user garden (535";
    meets(&Trouble { password: "wrong", ..Trouble::of(&papers, words) });
}

#[test]
fn a_server_without_starttls_gets_no_password_and_nothing_is_lost() {
    let papers = Papers::made("127.0.0.1");
    let words = "offers no STARTTLS, so nothing was sent";
    meets(&Trouble { behaviour: "no-starttls", ..Trouble::of(&papers, words) });
}

#[test]
fn a_refused_sender_is_said_and_nothing_is_lost() {
    let papers = Papers::made("127.0.0.1");
    let words = "does not take letters from garden@example.org (553";
    meets(&Trouble { behaviour: "sender-refused", ..Trouble::of(&papers, words) });
}

#[test]
fn a_server_that_puts_letters_off_is_said_and_nothing_is_lost() {
    let papers = Papers::made("127.0.0.1");
    let words = "put us off (451 4.7.1 come back later)";
    meets(&Trouble { behaviour: "put-off", matter: false, ..Trouble::of(&papers, words) });
}

/// The server takes the letter, its answer gets lost, and the box is killed. The letter comes again under its own id,
/// so that the person's mail program can drop the double.
#[test]
fn a_letter_of_unknown_fate_comes_again_under_its_own_id_after_a_kill() {
    let papers = Papers::made("127.0.0.1");
    let folder = tempfile::tempdir().unwrap();
    let mut server = Server::keeping_at("drops", &papers, 0, folder.path());
    let Some(mut yard) = Yard::open(server.port, &papers) else { return };
    yard.break_probe(0);
    yard.daemon.wait_for("it is put off", |status| status.mail.is_some());
    // A second thing goes wrong; that letter has to wait behind the first.
    yard.break_probe(1);
    yard.daemon.wait_for("both wait", |status| status.letters_waiting == 2);
    yard.daemon.kill();
    let waiting = yard.daemon.reader().maybe_there().unwrap();
    assert!(waiting.contains(&1), "{waiting:?}");
    // Seven hours later: what was certainly not sent would be worded anew.
    yard.now_ms += 7 * HOUR_MS;
    server.behave("good");
    yard.start();
    yard.daemon.wait_for("all is out", |status| status.letters_waiting == 0);
    assert!(yard.daemon.stop().success());
    server.end();
    let received = ids(folder.path());
    let first = "letter-1.grower@lee-patch.rindwatch.invalid";
    let copies = received.iter().filter(|id| *id == first).count();
    println!("{received:?}");
    assert!(copies >= 2, "accepted once without a word, and once more: {received:?}");
    let told: Vec<String> = winter::kept_letters(folder.path())
        .iter()
        .map(|eml| MessageParser::default().parse(eml).unwrap())
        .filter(|message| message.message_id() != Some(first))
        .map(|message| message.body_text(0).unwrap().into_owned())
        .collect();
    assert!(told.iter().all(|text| !text.contains("Probe p0: ")), "not under another id: {told:?}");
    assert!(told.iter().any(|text| text.contains("Probe p1: ")), "{told:?}");
}
