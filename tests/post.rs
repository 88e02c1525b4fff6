//! The post against a real mail server, good and bad: aiosmtpd, an independent implementation of RFC 5321.
//!
//! `RINDWATCH_PYTHON` names the interpreter that has it; without, one is made under `target/`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

use std::path::PathBuf;
use std::time::Duration;

use rindwatch::commands::try_mail::try_mail;
use rindwatch::mail::letters::trial;
use rindwatch::mail::post::{Carrier, Outcome, Pace, run};
use rindwatch::mail::smtp::Smtp;
use rindwatch::record::{OutboxLetter, PostWord};
use rindwatch::settings::garden::{MailSecurity, MailServer, Secret};
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::sync::oneshot;
use tokio::time::timeout;

#[path = "support/patch.rs"]
#[allow(dead_code)]
mod patch;
#[allow(dead_code)] // each binary uses its part
#[path = "support/smtp/mod.rs"]
mod smtp;

use smtp::{Papers, Server};

/// Longest any step of a test may take.
const PATIENCE: Duration = Duration::from_secs(20);
const LIMIT: Duration = Duration::from_secs(10);

fn settings(port: u16, security: MailSecurity, ca_file: Option<PathBuf>) -> MailServer {
    MailServer {
        host: "127.0.0.1".to_owned(),
        port,
        security,
        user: Some("garden".to_owned()),
        password: Some(Secret::new("right".to_owned())),
        from: "garden@example.org".to_owned(),
        ca_file,
    }
}

fn letter_to(number: u32, address: &str) -> OutboxLetter {
    let garden = patch::garden(Vec::new());
    let mut person = garden.people[0].clone();
    person.address = address.to_owned();
    let mut letter = trial(&person, &garden, i64::from(number));
    letter.number = number;
    letter
}

async fn once(server: MailServer) -> Outcome {
    Smtp::new(server, LIMIT).carry(&letter_to(1, "grower@example.org")).await
}

/// A running post with a quick pace.
struct Office {
    letters: UnboundedSender<OutboxLetter>,
    words: UnboundedReceiver<PostWord>,
    stop: oneshot::Sender<()>,
    task: tokio::task::JoinHandle<()>,
}

fn open(carrier: impl Carrier) -> Office {
    let (letters, waiting) = unbounded_channel();
    let (report, words) = unbounded_channel();
    let (stop, stopped) = oneshot::channel::<()>();
    let pace = Pace {
        first: Duration::from_millis(50),
        most: Duration::from_millis(200),
        closed: Duration::from_millis(200),
    };
    let task = tokio::spawn(run(
        carrier,
        pace,
        waiting,
        move |word| {
            let _ = report.send(word);
        },
        async {
            let _ = stopped.await;
        },
    ));
    Office { letters, words, stop, task }
}

impl Office {
    async fn word(&mut self) -> PostWord {
        timeout(PATIENCE, self.words.recv()).await.expect("a word in time").expect("a word")
    }

    async fn close(self) {
        self.stop.send(()).unwrap();
        timeout(PATIENCE, self.task).await.expect("an end in time").unwrap();
    }
}

fn words(outcome: Outcome) -> String {
    match outcome {
        Outcome::Accepted => "accepted".to_owned(),
        Outcome::Later { words } => format!("later: {words}"),
        Outcome::Never { words } => format!("never: {words}"),
        Outcome::Closed { words } => format!("closed: {words}"),
    }
}

#[tokio::test]
async fn a_good_server_takes_letters_in_their_order() {
    let papers = Papers::made("127.0.0.1");
    let mut server = Server::start("good", Some(&papers), 0);
    let carrier = Smtp::new(settings(server.port, MailSecurity::StartTls, Some(papers.authority())), LIMIT);
    let mut office = open(carrier);
    for number in [7, 5, 6] {
        office.letters.send(letter_to(number, "grower@example.org")).unwrap();
    }
    for number in [5, 6, 7] {
        assert_eq!(office.word().await, PostWord::Accepted { number });
        assert_eq!(server.line(), "user garden");
        assert!(server.line().starts_with(&format!("took <trial-{number}.grower@patch.rindwatch.invalid> ")));
    }
    office.close().await;
}

#[tokio::test]
async fn tls_from_the_first_byte_and_plain_on_this_machine() {
    let papers = Papers::made("127.0.0.1");
    let server = Server::start("tls", Some(&papers), 0);
    let tls = settings(server.port, MailSecurity::ImplicitTls, Some(papers.authority()));
    assert_eq!(once(tls).await, Outcome::Accepted);
    let server = Server::start("good", None, 0);
    let plain =
        MailServer { user: None, password: None, ..settings(server.port, MailSecurity::PlainLoopback, None) };
    assert_eq!(once(plain.clone()).await, Outcome::Accepted);
    let elsewhere = words(once(MailServer { host: "mail.example.org".to_owned(), ..plain }).await);
    assert!(elsewhere.contains("for this machine only"), "{elsewhere}");
}

#[tokio::test]
async fn a_wrong_password_closes_the_post_and_loses_nothing() {
    let papers = Papers::made("127.0.0.1");
    let server = Server::start("good", Some(&papers), 0);
    let right = settings(server.port, MailSecurity::StartTls, Some(papers.authority()));
    let wrong = MailServer { password: Some(Secret::new("wrong".to_owned())), ..right };
    let mut office = open(Smtp::new(wrong, LIMIT));
    office.letters.send(letter_to(1, "grower@example.org")).unwrap();
    for _ in 0..2 {
        let PostWord::Closed { words } = office.word().await else { panic!("not closed") };
        assert!(words.contains("refuses user garden (535"), "{words}");
        assert!(words.contains("password file"), "{words}");
        assert!(!words.contains("wrong"), "the password shows: {words}");
    }
    office.close().await;
}

#[tokio::test]
async fn put_off_once_then_taken() {
    let papers = Papers::made("127.0.0.1");
    let server = Server::start("put-off-once", Some(&papers), 0);
    let good = settings(server.port, MailSecurity::StartTls, Some(papers.authority()));
    let first = words(once(good.clone()).await);
    assert!(first.starts_with("later: ") && first.contains("451 4.7.1 come back later"), "{first}");
    assert_eq!(once(good).await, Outcome::Accepted);
}

#[tokio::test]
async fn a_letter_refused_for_good_does_not_hold_up_the_next() {
    let papers = Papers::made("127.0.0.1");
    let server = Server::start("unknown", Some(&papers), 0);
    let carrier = Smtp::new(settings(server.port, MailSecurity::StartTls, Some(papers.authority())), LIMIT);
    let mut office = open(carrier);
    office.letters.send(letter_to(1, "nobody@example.org")).unwrap();
    office.letters.send(letter_to(2, "grower@example.org")).unwrap();
    let PostWord::Refused { number: 1, words } = office.word().await else { panic!("not refused") };
    assert!(words.contains("550 5.1.1 no such user"), "{words}");
    assert_eq!(office.word().await, PostWord::Accepted { number: 2 });
    office.close().await;
}

/// The sender's address is ours to mend: a refusal of it must not throw letters away.
#[tokio::test]
async fn a_refused_sender_closes_the_post() {
    let papers = Papers::made("127.0.0.1");
    let server = Server::start("sender-refused", Some(&papers), 0);
    let said = words(once(settings(server.port, MailSecurity::StartTls, Some(papers.authority()))).await);
    assert!(said.starts_with("closed: ") && said.contains("garden@example.org (553"), "{said}");
}

/// The mail library's own time limit ends with the connecting; a server that accepts and stays silent held
/// a delivery for ever in a trial.
#[tokio::test]
async fn a_server_without_a_word_is_given_up() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let limit = Duration::from_millis(300);
    let carrier = Smtp::new(settings(port, MailSecurity::StartTls, None), limit);
    let letter = letter_to(1, "grower@example.org");
    let said = words(timeout(PATIENCE, carrier.carry(&letter)).await.expect("given up in time"));
    assert!(said.starts_with("later: ") && said.contains("no answer within 0.3 s"), "{said}");
}

/// At least once: the second copy bears the same message id, so a mail program can tell.
#[tokio::test]
async fn an_acceptance_lost_on_the_way_sends_the_same_letter_again() {
    let papers = Papers::made("127.0.0.1");
    let mut server = Server::start("drops-once", Some(&papers), 0);
    let carrier = Smtp::new(settings(server.port, MailSecurity::StartTls, Some(papers.authority())), LIMIT);
    let mut office = open(carrier);
    office.letters.send(letter_to(3, "grower@example.org")).unwrap();
    assert_eq!(office.word().await, PostWord::Accepted { number: 3 });
    let lines: Vec<String> = (0..4).map(|_| server.line()).collect();
    assert_eq!((lines[0].as_str(), lines[2].as_str()), ("user garden", "user garden"));
    assert!(lines[1].starts_with("took <trial-3.grower@"), "{lines:?}");
    assert_eq!(lines[1], lines[3]);
    office.close().await;
}

#[tokio::test]
async fn a_bad_certificate_says_what_to_do() {
    let papers = Papers::made("127.0.0.1");
    let server = Server::start("good", Some(&papers), 0);
    let unknown = words(once(settings(server.port, MailSecurity::StartTls, None)).await);
    assert!(unknown.starts_with("closed: ") && unknown.contains("`ca_file`"), "{unknown}");

    let other = Papers::made("mail.example.org");
    let server = Server::start("good", Some(&other), 0);
    let name = words(once(settings(server.port, MailSecurity::StartTls, Some(other.authority()))).await);
    assert!(name.starts_with("closed: ") && name.contains("made out for another name"), "{name}");

    let server = settings(server.port, MailSecurity::StartTls, Some(PathBuf::from("no/such/file.pem")));
    let file = words(once(server).await);
    assert!(file.starts_with("closed: ca_file = no/such/file.pem: "), "{file}");
}

#[tokio::test]
async fn without_tls_nothing_is_sent() {
    let papers = Papers::made("127.0.0.1");
    let mut server = Server::start("no-starttls", Some(&papers), 0);
    let ca = Some(papers.authority());
    let none = words(once(settings(server.port, MailSecurity::StartTls, ca.clone())).await);
    assert!(none.starts_with("closed: ") && none.contains("offers no STARTTLS"), "{none}");
    let wrong_port = words(once(settings(server.port, MailSecurity::ImplicitTls, ca)).await);
    assert!(wrong_port.starts_with("closed: ") && wrong_port.contains("does not speak TLS"), "{wrong_port}");
    assert_eq!(server.end(), Vec::<String>::new(), "nobody signed in, nothing was sent");
}

#[tokio::test]
async fn a_server_that_was_away_gets_its_letters_when_it_is_back() {
    let papers = Papers::made("127.0.0.1");
    // A port that was free a moment ago.
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let away = settings(port, MailSecurity::StartTls, Some(papers.authority()));
    let said = words(once(away.clone()).await);
    assert!(said.starts_with("later: ") && said.ends_with("nobody listens there"), "{said}");
    let mut office = open(Smtp::new(away, LIMIT));
    office.letters.send(letter_to(1, "grower@example.org")).unwrap();
    office.letters.send(letter_to(2, "stand-in@example.org")).unwrap();
    // Away long enough, it counts as not getting out.
    assert!(matches!(office.word().await, PostWord::Closed { .. }));
    let _server = Server::start("good", Some(&papers), port);
    let mut taken = Vec::new();
    while taken.len() < 2 {
        if let PostWord::Accepted { number } = office.word().await {
            taken.push(number);
        }
    }
    taken.sort_unstable();
    assert_eq!(taken, [1, 2]);
    office.close().await;
}

#[tokio::test]
async fn an_address_that_is_none_is_said() {
    let carrier = Smtp::new(settings(1, MailSecurity::StartTls, None), LIMIT);
    let said = words(carrier.carry(&letter_to(1, "")).await);
    assert!(said.starts_with("never: ") && said.contains("no mail address"), "{said}");
}

#[test]
fn try_mail_says_how_each_letter_fared() {
    let papers = Papers::made("127.0.0.1");
    let server = Server::start("unknown", Some(&papers), 0);
    let mut garden = rindwatch::settings::garden::Garden::clone(&patch::garden(Vec::new()));
    let tried = |garden: &_| {
        let mut out = Vec::new();
        let code = try_mail(garden, 1_941_876_000_000, &mut out).unwrap();
        (code, String::from_utf8(out).unwrap())
    };
    assert_eq!(tried(&garden).0, 1, "without a mail server nothing is sent");
    garden.mail = Some(settings(server.port, MailSecurity::StartTls, Some(papers.authority())));
    let (code, said) = tried(&garden);
    assert_eq!(code, 0, "{said}");
    assert!(said.starts_with("grower <grower@patch.example>: accepted by 127.0.0.1:"), "{said}");
    let mut unknown = garden.people[0].clone();
    unknown.address = "nobody@patch.example".to_owned();
    garden.people.push(unknown);
    let (code, said) = tried(&garden);
    assert_eq!(code, 1, "{said}");
    assert!(said.lines().nth(1).unwrap().contains("not sent: mail server 127.0.0.1"), "{said}");
    assert_eq!(said.lines().count(), 2, "one line a person: {said}");
}
