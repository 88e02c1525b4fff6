//! Names, settings and readings that want to be more than words: line ends, NUL, marks that turn the direction of
//! writing, very long words, every script. Whatever they are, the letter is one valid mail with our headers alone.

use mail_parser::{MessageParser, PartType};
use proptest::prelude::*;
use rindwatch::mail::letters::{render, text_of, trial};
use rindwatch::record::{Content, EvidenceRow, Fault, LetterDraft, OutboxLetter, Task};
use rindwatch::settings::garden::Garden;

use super::tasks::*;

/// The headers of a letter; each once, and no other.
const HEADERS: [&str; 10] = [
    "Date",
    "Message-ID",
    "Subject",
    "Auto-Submitted",
    "From",
    "To",
    "In-Reply-To",
    "References",
    "MIME-Version",
    "Content-Type",
];

/// Words as nobody should write them.
fn words() -> impl Strategy<Value = String> {
    let piece = prop_oneof![
        3 => "[a-z]{1,9}",
        1 => Just("\r\nBcc: thief@example.org\r\n".to_owned()),
        1 => Just("\r\n\r\n<html>other body".to_owned()),
        1 => Just("\n.\n".to_owned()),
        1 => Just("\r\n.\r\nQUIT".to_owned()),
        1 => Just("\0\u{7}\u{1b}[31m".to_owned()),
        1 => Just("\u{202e}desrever\u{2066}\u{2028}\u{feff}".to_owned()),
        1 => Just("=?utf-8?q?=0D=0ABcc:_x?=".to_owned()),
        1 => Just("\"<a@b.example>, ;:\\".to_owned()),
        1 => Just("--=_rindwatch--\r\n".to_owned()),
        1 => Just("<script>fetch('http://example.org')</script>&amp;".to_owned()),
        1 => "[а-яα-ωァ-ン一-丁🌱🎃äßçñ]{1,30}",
        1 => "[x]{200,1500}",
        2 => "\\PC{0,20}",
        1 => any::<String>(),
    ];
    proptest::collection::vec(piece, 0..5).prop_map(|pieces| pieces.join(" "))
}

/// A garden and a draft with such words wherever words go.
fn hostile() -> impl Strategy<Value = (Garden, LetterDraft)> {
    (proptest::collection::vec(words(), 15), any::<bool>()).prop_map(|(mut words, repeats)| {
        let mut word = || words.pop().unwrap();
        let mut garden = garden();
        garden.name = word();
        let person = word();
        garden.people[0].name = person.clone();
        garden.people[0].address = word();
        garden.mail.as_mut().unwrap().from = word();
        garden.beds[0].title = word();
        garden.probes[0].name = word();
        let mut wet = task(1, water());
        (wet.title, wet.subject) = (word(), word());
        if let Content::Water(dose) = &mut wet.content {
            dose.drier_probe = Some(word());
        }
        wet.evidence.rows.push(EvidenceRow {
            what: word(),
            unit: word(),
            values: vec![Some(1.0); 7],
            mark: Some((word(), 2.0)),
            guessed: true,
        });
        wet.evidence.guesses.push(word());
        let away = Fault::BrokerAway { since_ms: super::NOON, words: word() };
        let gear = Task { title: word(), ..task(2, Content::Gear { fault: away }) };
        let mut draft = draft(20, &person, vec![wet, gear]);
        if repeats {
            (draft.answers, draft.also_answers) = (Some(12), vec![9, 11]);
        }
        (garden, draft)
    })
}

/// RFC 5322 §2.1: lines end in CR LF and nowhere else, are at most 998 characters long and ASCII.
fn lines_are_mail(eml: &[u8]) {
    assert!(eml.is_ascii() && !eml.contains(&0), "bytes that mail cannot hold");
    let text = std::str::from_utf8(eml).unwrap();
    for line in text.split("\r\n") {
        assert!(!line.contains(['\r', '\n']), "a bare line end: {line:?}");
        assert!(line.len() <= 998, "a line of {}", line.len());
    }
}

fn header_names(eml: &[u8]) -> Vec<String> {
    let text = std::str::from_utf8(eml).unwrap();
    let head = text.split_once("\r\n\r\n").unwrap().0;
    let starts = head.split("\r\n").filter(|line| !line.starts_with([' ', '\t']));
    starts
        .map(|line| line.split_once(':').unwrap_or_else(|| panic!("no header: {line:?}")).0.to_owned())
        .collect()
}

fn reads_as_written(words: &str) -> bool {
    let turns =
        |c: char| matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}');
    !words.chars().any(|c| turns(c) || (c.is_control() && c != '\n'))
}

fn is_one_valid_mail(letter: &OutboxLetter, answers: bool) {
    lines_are_mail(&letter.eml);
    let mut names = header_names(&letter.eml);
    let mut wanted: Vec<&str> =
        HEADERS.into_iter().filter(|name| answers || !["In-Reply-To", "References"].contains(name)).collect();
    names.sort_unstable();
    wanted.sort_unstable();
    assert_eq!(names, wanted);
    let message = MessageParser::default().parse(&letter.eml).expect("a message");
    let squeezed = |words: &str| words.split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(squeezed(message.subject().unwrap_or_default()), squeezed(&letter.subject));
    assert!(reads_as_written(&letter.subject), "{:?}", letter.subject);
    let (from, to) = (message.from().unwrap(), message.to().unwrap());
    assert_eq!((from.iter().count(), to.iter().count()), (1, 1), "one sender, one receiver");
    assert!(message.bcc().is_none() && message.cc().is_none());
    let parts: Vec<_> = message.parts.iter().skip(1).map(|part| &part.body).collect();
    let [PartType::Text(text), PartType::Html(html)] = parts.as_slice() else {
        panic!("{} parts", parts.len())
    };
    let text = text.replace("\r\n", "\n");
    assert_eq!(text_of(&letter.eml).unwrap().trim_end(), text.trim_end(), "the page shows the same words");
    assert!(reads_as_written(&text), "{text:?}");
    assert!(html.starts_with("<!DOCTYPE html>") && html.trim_end().ends_with("</html>"), "{html}");
    assert!(!html.contains("<script"), "{html}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_the_words_the_letter_is_one_valid_mail((garden, draft) in hostile()) {
        let letter = render(&draft, &garden);
        is_one_valid_mail(&letter, draft.answers.is_some());
        let message = MessageParser::default().parse(&letter.eml).unwrap();
        let text = message.body_text(0).unwrap().replace("\r\n", "\n");
        // The body is whole: both tasks at the top, and the foot at the end.
        prop_assert!(text.starts_with("1. ") && text.contains("\n2. "), "{}", text);
        prop_assert!(text.contains("replies to it are not read"), "{}", text);
        let trial = trial(&garden.people[0], &garden, draft.at_ms);
        is_one_valid_mail(&trial, false);
    }

    /// What is no address never reaches the settings; what gets through is one that the mail library takes as it is.
    #[test]
    fn settings_take_addresses_and_nothing_else(words in words(), local in "[a-z.+_-]{1,12}") {
        for address in [words.clone(), format!("{local}@example.org"), format!("{local}@example.org{words}")] {
            // A string of JSON is one of TOML.
            let quoted = serde_json::to_string(&address).unwrap();
            let text = include_str!("../../config/example.toml");
            let line = text.lines().find(|line| line.starts_with("address = ")).unwrap();
            let text = text.replacen(line, &format!("address = {quoted}"), 1);
            if let Ok(garden) = rindwatch::settings::read_str("made.toml", &text) {
                let taken = &garden.people.iter().find(|person| person.name == "grower").unwrap().address;
                prop_assert!(taken.is_ascii() && !taken.contains(|c: char| c.is_control() || c == ' ' || c == '<'));
                let parsed: lettre::Address = taken.parse().unwrap();
                prop_assert_eq!(parsed.to_string(), taken.clone());
            }
        }
    }
}
