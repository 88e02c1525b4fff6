//! The post against a real mail server, good and bad: aiosmtpd, an independent implementation of RFC 5321.
//!
//! `RINDWATCH_PYTHON` names the interpreter that has it; without, one is made under `target/`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

use std::path::PathBuf;
use std::time::Duration;

use rindwatch::commands::try_mail::try_mail;
use rindwatch::mail::letters::trial;
use rindwatch::mail::post::{Carrier, Errand, Outcome, Pace, run};
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

#[path = "post/waiting.rs"]
mod waiting;

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

/// A running post with a quick pace, and a core that finds every waiting letter worth sending.
struct Office {
    errands: UnboundedSender<Errand>,
    words: UnboundedReceiver<PostWord>,
    /// Letters that were looked through and are gone.
    gone: Vec<u32>,
    /// Longest it is silent.
    patience: Duration,
    stop: oneshot::Sender<()>,
    task: tokio::task::JoinHandle<()>,
}

fn open(carrier: impl Carrier) -> Office {
    let pace = Pace {
        first: Duration::from_millis(50),
        most: Duration::from_millis(200),
        closed: Duration::from_millis(200),
        long: Duration::from_millis(500),
    };
    open_with(carrier, pace)
}

fn open_with(carrier: impl Carrier, pace: Pace) -> Office {
    let (errands, waiting) = unbounded_channel();
    let (report, words) = unbounded_channel();
    let (stop, stopped) = oneshot::channel::<()>();
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
    Office { errands, words, gone: Vec::new(), patience: PATIENCE, stop, task }
}

impl Office {
    fn send(&self, letter: OutboxLetter) {
        self.errands.send(Errand::Carry(letter)).unwrap();
    }

    /// What the post says next; a question about waiting letters is answered on the way.
    async fn any_word(&mut self) -> PostWord {
        let word = timeout(self.patience, self.words.recv()).await.expect("a word in time").expect("a word");
        if let PostWord::Asks { address } = &word {
            let sifted = Errand::Sifted { address: address.clone(), gone: self.gone.clone() };
            self.errands.send(sifted).unwrap();
        }
        word
    }

    /// The next word about the fate of a letter or of the mail as a whole.
    async fn word(&mut self) -> PostWord {
        loop {
            match self.any_word().await {
                PostWord::Asks { .. } | PostWord::PutOff { .. } | PostWord::Untouched { .. } => {}
                word => return word,
            }
        }
    }

    /// The same where mail has been out of order for long.
    async fn word_past_closed(&mut self) -> PostWord {
        loop {
            match self.word().await {
                PostWord::Closed { .. } => {}
                word => return word,
            }
        }
    }

    async fn close(self) {
        self.stop.send(()).unwrap();
        timeout(PATIENCE, self.task).await.expect("an end in time").unwrap();
    }
}

/// A port that was free a moment ago.
fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

fn words(outcome: Outcome) -> String {
    match outcome {
        Outcome::Accepted => "accepted".to_owned(),
        Outcome::Later { words } => format!("later: {words}"),
        Outcome::Unsure { words } => format!("unsure: {words}"),
        Outcome::Away { words } => format!("away: {words}"),
        Outcome::Unfit { words } => format!("unfit: {words}"),
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
        office.send(letter_to(number, "grower@example.org"));
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
    office.send(letter_to(1, "grower@example.org"));
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
    office.send(letter_to(1, "nobody@example.org"));
    office.send(letter_to(2, "grower@example.org"));
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
    assert!(said.starts_with("away: ") && said.contains("no answer within 0.3 s"), "{said}");
}

/// At least once: the second copy bears the same message id, so a mail program can tell.
#[tokio::test]
async fn an_acceptance_lost_on_the_way_sends_the_same_letter_again() {
    let papers = Papers::made("127.0.0.1");
    let mut server = Server::start("drops-once", Some(&papers), 0);
    let carrier = Smtp::new(settings(server.port, MailSecurity::StartTls, Some(papers.authority())), LIMIT);
    let mut office = open(carrier);
    office.send(letter_to(3, "grower@example.org"));
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
    assert!(unknown.starts_with("unfit: ") && unknown.contains("`ca-file`"), "{unknown}");

    let other = Papers::made("mail.example.org");
    let server = Server::start("good", Some(&other), 0);
    let name = words(once(settings(server.port, MailSecurity::StartTls, Some(other.authority()))).await);
    assert!(name.starts_with("unfit: ") && name.contains("made out for another name"), "{name}");

    let server = settings(server.port, MailSecurity::StartTls, Some(PathBuf::from("no/such/file.pem")));
    let file = words(once(server).await);
    assert!(file.starts_with("closed: ca-file = no/such/file.pem: "), "{file}");
}

#[tokio::test]
async fn without_tls_nothing_is_sent() {
    let papers = Papers::made("127.0.0.1");
    let mut server = Server::start("no-starttls", Some(&papers), 0);
    let ca = Some(papers.authority());
    let none = words(once(settings(server.port, MailSecurity::StartTls, ca.clone())).await);
    assert!(none.starts_with("unfit: ") && none.contains("offers no STARTTLS"), "{none}");
    let wrong_port = words(once(settings(server.port, MailSecurity::ImplicitTls, ca)).await);
    assert!(wrong_port.starts_with("unfit: ") && wrong_port.contains("does not speak TLS"), "{wrong_port}");
    assert_eq!(server.end(), Vec::<String>::new(), "nobody signed in, nothing was sent");
}

/// A connection that breaks before the letter itself has gone out leaves no doubt.
#[tokio::test]
async fn a_connection_lost_before_the_letter_leaves_no_doubt() {
    let papers = Papers::made("127.0.0.1");
    let server = Server::start("drops-before", Some(&papers), 0);
    let good = settings(server.port, MailSecurity::StartTls, Some(papers.authority()));
    let said = words(once(good).await);
    assert!(said.starts_with("later: ") && said.ends_with("hung up on us"), "{said}");
}

#[tokio::test]
async fn a_slow_server_is_waited_for_up_to_the_limit() {
    let papers = Papers::made("127.0.0.1");
    let mut server = Server::start("slow", Some(&papers), 0);
    let slow = settings(server.port, MailSecurity::StartTls, Some(papers.authority()));
    assert_eq!(once(slow.clone()).await, Outcome::Accepted);
    let hasty = Smtp::new(slow, Duration::from_millis(700));
    let said = words(hasty.carry(&letter_to(1, "grower@example.org")).await);
    assert!(said.starts_with("away: ") && said.contains("no answer within 0.7 s"), "{said}");
    assert_eq!(server.end().iter().filter(|line| line.starts_with("took")).count(), 1);
}

/// Whoever is on the way can take STARTTLS out of the server's answer and ask for the password in the clear.
#[tokio::test]
async fn a_password_is_never_said_in_the_clear() {
    let mut server = Server::start("no-starttls", Some(&Papers::made("127.0.0.1")), 0);
    let mut office = open(Smtp::new(settings(server.port, MailSecurity::StartTls, None), LIMIT));
    office.send(letter_to(1, "grower@example.org"));
    for _ in 0..3 {
        let PostWord::Closed { words } = office.word().await else { panic!("not said") };
        assert!(words.contains("offers no STARTTLS, so nothing was sent"), "{words}");
    }
    office.close().await;
    assert_eq!(server.end(), Vec::<String>::new(), "no password was shown, nothing was sent");
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
