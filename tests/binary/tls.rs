//! TLS to a real mosquitto: a good certificate lets readings in, and each fault is one line of `status` that
//! says what to do.

use crate::certificates::{Certificates, Holds};
use crate::daemon::{Daemon, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::{Post, publish};

const VERSIONS: [&str; 2] = ["", "version = \"3.1.1\""];
const TLS: &str = "security = \"tls\"";

/// Both versions of MQTT meet this broker with these lines in `[broker]`, and `status` says `words`.
fn is_said(broker: &Mosquitto, lines: &str, words: &str) {
    for version in VERSIONS {
        let mut daemon = Daemon::new(broker.port, &format!("{lines}\n{version}"), 1);
        daemon.start_with(&[]);
        daemon.wait_for(words, |status| {
            status.broker.as_deref().is_some_and(|said| said != "not connected yet")
        });
        let shown = daemon.once("status", &[]);
        let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
        let line = shown.lines().find(|line| line.starts_with("broker: ")).unwrap_or_default();
        assert!(line.contains(words), "{version}: wanted {words:?} in {line:?}");
        let told = daemon.log().lines().filter(|line| line.contains("WARN") && line.contains(words)).count();
        assert_eq!(told, 1, "{version}: said once, not with each attempt:\n{}", daemon.log());
        assert!(daemon.stop().success());
    }
}

/// Readings published on a second, plain listener come in over TLS.
fn comes_in(broker_lines: &str, daemon_lines: &str) {
    for version in VERSIONS {
        let plain = crate::child::free_port();
        let both = format!("{broker_lines}\nlistener {plain} 127.0.0.1");
        let Some(broker) = Mosquitto::start(&both) else { return };
        let mut daemon = Daemon::new(broker.port, &format!("{daemon_lines}\n{version}"), 1);
        daemon.start();
        publish(plain, vec![Post::new("bed/1", format!("{{\"t\": {}, \"v\": 18.5}}", two_hours_ago_ms()))]);
        daemon.wait_for_settled(1);
        assert_eq!(daemon.readings(1)[0].value, 18.5);
        assert!(daemon.stop().success());
    }
}

#[test]
fn readings_come_in_over_a_checked_certificate() {
    let papers = Certificates::made("127.0.0.1", Holds::Now);
    comes_in(&papers.mosquitto(), &papers.trusted());
}

#[test]
fn an_unchecked_certificate_is_taken_only_in_words_that_say_so() {
    let papers = Certificates::made("elsewhere.example.org", Holds::NoMore);
    let unchecked = format!("{TLS}\ncertificate = \"anyone may pose as the broker\"");
    comes_in(&papers.mosquitto(), &unchecked);
    let daemon = Daemon::new(1, &unchecked, 1);
    let checked = daemon.once("check", &[]);
    let said = String::from_utf8_lossy(&checked.stdout).into_owned();
    assert!(
        said.contains("its certificate is not checked; whoever is on the way can pose as the broker"),
        "{said}"
    );
    let daemon = Daemon::new(1, &format!("{TLS}\ncertificate = \"unchecked\""), 1);
    let said = daemon.once("check", &[]);
    assert_eq!(said.status.code(), Some(78), "{}", String::from_utf8_lossy(&said.stdout));
}

#[test]
fn a_certificate_for_another_name_is_named() {
    let papers = Certificates::made("broker.example.org", Holds::Now);
    let Some(broker) = Mosquitto::start(&papers.mosquitto()) else { return };
    is_said(&broker, &papers.trusted(), "is made out for another name: write `host`");
}

#[test]
fn a_certificate_that_has_run_out_or_is_not_valid_yet_is_named() {
    for (holds, words) in [
        (Holds::NoMore, "has run out, or this board's clock is wrong"),
        (Holds::NotYet, "is not valid yet, or this board's clock is wrong"),
    ] {
        let papers = Certificates::made("127.0.0.1", holds);
        let Some(broker) = Mosquitto::start(&papers.mosquitto()) else { return };
        is_said(&broker, &papers.trusted(), words);
    }
}

/// The second authority bears the name of the broker's own, as one made anew does: then the library finds a bad
/// signature, no unknown issuer.
#[test]
fn a_certificate_of_an_unknown_authority_is_named() {
    let theirs = Certificates::made("127.0.0.1", Holds::Now);
    let Some(broker) = Mosquitto::start(&theirs.mosquitto()) else { return };
    for named_after in ["localhost", "127.0.0.1"] {
        let other = Certificates::made(named_after, Holds::Now);
        is_said(&broker, &other.trusted(), "is signed by no authority this board knows");
    }
}

#[test]
fn a_plain_client_on_a_tls_port_is_told_so() {
    let papers = Certificates::made("127.0.0.1", Holds::Now);
    let Some(broker) = Mosquitto::start(&papers.mosquitto()) else { return };
    is_said(&broker, "", "set `security = \"tls\"`");
}

#[test]
fn a_tls_client_on_a_plain_port_is_told_so() {
    let Some(broker) = Mosquitto::start("") else { return };
    let papers = Certificates::made("127.0.0.1", Holds::Now);
    is_said(&broker, &papers.trusted(), "port does not speak TLS: set the `port` that does");
}

#[test]
fn a_broker_that_wants_our_certificate_gets_it_or_says_so() {
    let papers = Certificates::made("127.0.0.1", Holds::Now);
    let wanting = format!("{}\nrequire_certificate true", papers.mosquitto());
    let own = |papers: &Certificates| {
        format!(
            "own-certificate = \"{}\"\nown-key = \"{}\"",
            papers.file("client.pem").display(),
            papers.file("client.key").display()
        )
    };
    comes_in(&wanting, &format!("{}\n{}", papers.trusted(), own(&papers)));
    let Some(broker) = Mosquitto::start(&wanting) else { return };
    is_said(&broker, &papers.trusted(), "set `own-certificate` and `own-key`");
    let strange = Certificates::made("127.0.0.1", Holds::Now);
    is_said(&broker, &format!("{}\n{}", papers.trusted(), own(&strange)), "does not take our certificate");
}

/// A file that is not there must not end the daemon: page, letters and day book go on, and it is read when it
/// comes.
#[test]
fn an_authority_file_that_is_missing_is_named_and_taken_when_it_comes() {
    let papers = Certificates::made("127.0.0.1", Holds::Now);
    let Some(broker) = Mosquitto::start(&papers.mosquitto()) else { return };
    let mut daemon = Daemon::new(broker.port, &format!("{TLS}\nca-file = \"later.pem\""), 1);
    daemon.start_with(&[]);
    daemon.wait_for("it is named", |status| {
        status
            .broker
            .as_deref()
            .is_some_and(|words| words.contains("later.pem under [broker] cannot be read"))
    });
    std::fs::copy(papers.file("authority.pem"), daemon.folder.path().join("later.pem")).unwrap();
    daemon.wait_for("it is taken", |status| status.broker.is_none());
    assert!(daemon.stop().success());
}

#[test]
fn plain_beyond_this_machine_is_warned_of() {
    let daemon = Daemon::new(1883, "", 1);
    let text = std::fs::read_to_string(daemon.settings()).unwrap();
    let check = |text: String| {
        std::fs::write(daemon.settings(), text).unwrap();
        String::from_utf8_lossy(&daemon.once("check", &[]).stdout).into_owned()
    };
    let words = "plain; whoever is on that network can read and forge readings";
    assert!(!check(text.clone()).contains(words));
    let beyond = text.replace("host = \"127.0.0.1\"", "host = \"192.168.7.5\"");
    assert!(check(beyond.clone()).contains(words));
    assert!(!check(beyond.replace("[broker]\n", "[broker]\nsecurity = \"tls\"\n")).contains(words));
    let stray = text.replace("[broker]\n", "[broker]\nca-file = \"x\"\nown-key = \"y\"\n");
    std::fs::write(daemon.settings(), stray).unwrap();
    let refused = daemon.once("check", &[]);
    let said =
        format!("{}{}", String::from_utf8_lossy(&refused.stdout), String::from_utf8_lossy(&refused.stderr));
    assert_eq!(said.matches("is for TLS alone").count(), 2, "{said}");
}
