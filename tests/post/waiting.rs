//! Letters that have to wait: while the server is away, puts them off, or took one without a word.

use std::time::Duration;

use rindwatch::mail::post::{Carrier, Outcome, Pace};
use rindwatch::mail::smtp::Smtp;
use rindwatch::record::{OutboxLetter, PostWord};
use rindwatch::settings::garden::MailSecurity;

use super::smtp::{Papers, Server};
use super::{LIMIT, free_port, letter_to, once, open, open_with, settings, words};

#[tokio::test]
async fn a_server_that_was_away_gets_its_letters_when_it_is_back() {
    let papers = Papers::made("127.0.0.1");
    let port = free_port();
    let away = settings(port, MailSecurity::StartTls, Some(papers.authority()));
    let said = words(once(away.clone()).await);
    assert!(said.starts_with("away: ") && said.ends_with("nobody listens there"), "{said}");
    let mut office = open(Smtp::new(away, LIMIT));
    office.send(letter_to(1, "grower@example.org"));
    office.send(letter_to(2, "stand-in@example.org"));
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

/// What the core may merge is what the server certainly never had; a letter whose acceptance got lost is not among it.
#[tokio::test]
async fn what_may_be_there_is_never_called_untouched() {
    let papers = Papers::made("127.0.0.1");
    let mut server = Server::start("drops", Some(&papers), 0);
    let port = server.port;
    let carrier = Smtp::new(settings(port, MailSecurity::StartTls, Some(papers.authority())), LIMIT);
    let mut office = open(carrier);
    office.send(letter_to(3, "grower@example.org"));
    while !matches!(office.any_word().await, PostWord::PutOff { .. }) {}
    server.end();
    office.send(letter_to(4, "grower@example.org"));
    let mut untouched = Vec::new();
    for _ in 0..6 {
        if let PostWord::Untouched { numbers } = office.any_word().await {
            untouched.extend(numbers);
        }
    }
    assert_eq!(untouched, [4]);
    let mut server = Server::start("good", Some(&papers), port);
    assert_eq!(office.word_past_closed().await, PostWord::Accepted { number: 3 });
    assert_eq!(office.word_past_closed().await, PostWord::Accepted { number: 4 });
    office.close().await;
    let took: Vec<String> = server.end().into_iter().filter(|line| line.starts_with("took")).collect();
    assert!(took[0].starts_with("took <trial-3.") && took[1].starts_with("took <trial-4."), "{took:?}");
}

/// The core is asked about what waited; what it strikes out is not sent, and the rest goes in its order.
#[tokio::test]
async fn letters_that_waited_are_asked_about_first() {
    let papers = Papers::made("127.0.0.1");
    let port = free_port();
    let mut office = open(Smtp::new(settings(port, MailSecurity::StartTls, Some(papers.authority())), LIMIT));
    office.gone = vec![2];
    for number in [3, 1, 2] {
        office.send(letter_to(number, "grower@example.org"));
    }
    assert!(matches!(office.word().await, PostWord::Closed { .. }));
    let mut server = Server::start("good", Some(&papers), port);
    for number in [1, 3] {
        assert_eq!(office.word_past_closed().await, PostWord::Accepted { number });
    }
    office.close().await;
    assert_eq!(server.end().iter().filter(|line| line.starts_with("took")).count(), 2);
}

/// 4xx for a while: nothing is lost, nothing is doubled, and the letter gets out soon after the server has changed its
/// mind.
#[tokio::test]
async fn a_server_that_puts_off_for_a_while_gets_all_in_the_end() {
    let papers = Papers::made("127.0.0.1");
    let mut server = Server::start("put-off", Some(&papers), 0);
    let good = settings(server.port, MailSecurity::StartTls, Some(papers.authority()));
    let mut office = open(Smtp::new(good, LIMIT));
    for number in 1..=3 {
        office.send(letter_to(number, "grower@example.org"));
    }
    let PostWord::Closed { words } = office.word().await else { panic!("not said") };
    assert!(words.contains("put us off (451 4.7.1 come back later)"), "{words}");
    server.behave("good");
    for number in 1..=3 {
        assert_eq!(office.word_past_closed().await, PostWord::Accepted { number });
    }
    office.close().await;
    assert_eq!(server.end().iter().filter(|line| line.starts_with("took")).count(), 3);
}

/// A server that is away for four days on a clock that runs as fast as it can; a knock at a dead host takes its 25 s,
/// a letter one second.
struct FourDays {
    back: tokio::time::Instant,
}

impl Carrier for FourDays {
    async fn carry(&self, _: &OutboxLetter) -> Outcome {
        tokio::time::sleep(Duration::from_secs(1)).await;
        self.knock().await
    }

    async fn knock(&self) -> Outcome {
        if tokio::time::Instant::now() >= self.back {
            return Outcome::Accepted;
        }
        tokio::time::sleep(Duration::from_secs(25)).await;
        Outcome::Away { words: "no answer".to_owned() }
    }
}

/// The figure: thirty letters to ten people, decided over four days without a mail server, are all out within two
/// minutes after it is back, with the pace of every day.
#[tokio::test(start_paused = true)]
async fn thirty_letters_are_out_within_two_minutes_after_four_days() {
    let began = tokio::time::Instant::now();
    let mut longest = Duration::ZERO;
    // The server comes back at any point of the wait between two knocks.
    for late_s in (0..90).step_by(7) {
        let began = tokio::time::Instant::now();
        let back = began + Duration::from_secs(4 * 86_400 + late_s);
        let mut office = open_with(FourDays { back }, Pace::default());
        office.patience = Duration::from_secs(150);
        let mut words = 0;
        for number in 1..=30 {
            office.send(letter_to(number, &format!("grower{}@example.org", number % 10)));
            let next = began + Duration::from_secs(u64::from(number) * 3 * 3600);
            while let Ok(word) = tokio::time::timeout_at(next, office.words.recv()).await {
                words += u32::from(matches!(word, Some(PostWord::PutOff { .. } | PostWord::Closed { .. })));
            }
        }
        let mut accepted: Vec<u32> = Vec::new();
        while accepted.len() < 30 {
            if let PostWord::Accepted { number } = office.any_word().await {
                accepted.push(number);
            }
        }
        let took = tokio::time::Instant::now() - back;
        longest = longest.max(took);
        assert!(took <= Duration::from_secs(120), "{took:?}");
        for person in 0..10 {
            let theirs: Vec<u32> = accepted.iter().copied().filter(|number| number % 10 == person).collect();
            assert!(theirs.is_sorted() && theirs.len() == 3, "{theirs:?}");
        }
        // One line knocks for all: a knock a minute at most, not one for each of ten people.
        assert!(words < 4 * 24 * 60, "{words} knocks in four days");
        office.close().await;
    }
    println!("thirty letters out within {longest:?}; {:?} lived", began.elapsed());
}
