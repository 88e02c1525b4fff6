//! Letters are worded the same way every time, are valid mail, and say what a person needs.
//!
//! The garden and its days are made up. Golden files stand in `tests/golden/letters`; to write them anew
//! run with `RINDWATCH_GOLDEN=write` and say in the commit what the reader now sees.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

use std::path::Path;

use mail_parser::{HeaderName, MessageParser, MimeHeaders, PartType};
use rindwatch::mail::letters::{render, text_of};
use rindwatch::record::{
    BoardFault, ColdSign, Content, Dose, Fault, LetterDraft, Millis, Morning, OutboxLetter, Rule, Task,
    Telling, Urgency,
};
use rindwatch::settings::garden::Garden;

#[path = "letters/hostile.rs"]
mod hostile;
#[path = "support/patch.rs"]
mod patch;
#[path = "letters/tasks.rs"]
mod tasks;

use tasks::*;

/// 2031-07-15 12:00 in Berlin, a Tuesday.
const NOON: Millis = 1_941_876_000_000;
const HOUR: Millis = 3_600_000;

/// The plain text of a letter, as a mail program decodes it.
fn text(letter: &OutboxLetter) -> String {
    let message = MessageParser::default().parse(&letter.eml).expect("a message");
    message.body_text(0).expect("a text part").replace("\r\n", "\n")
}

fn against_golden(name: &str, letter: &OutboxLetter) {
    let path = Path::new("tests/golden/letters").join(format!("{name}.eml"));
    if std::env::var_os("RINDWATCH_GOLDEN").is_some_and(|word| word == "write") {
        std::fs::write(&path, &letter.eml).unwrap();
    }
    let golden = std::fs::read(&path).unwrap_or_default();
    assert!(golden == letter.eml, "{} differs; now it reads:\n{}", path.display(), text(letter));
}

/// The letters that stand as golden files.
fn scenes() -> Vec<(&'static str, Garden, LetterDraft)> {
    let with_hose = |l_min| {
        let mut garden = garden();
        garden.vessels.hose_l_min = Some(l_min);
        garden
    };
    let told = |telling, number, content, answers| {
        let mut task = task(number, content);
        task.telling = telling;
        LetterDraft { answers: Some(answers), ..draft(20, "grower", vec![task]) }
    };
    let mut large = task(4, water());
    if let Content::Water(Dose {
        litres,
        depth_mm,
        passes,
        spread_days,
        today_litres,
        drier_probe,
        routine_litres,
        ..
    }) = &mut large.content
    {
        (*litres, *depth_mm, *passes, *spread_days) = (420.0, 60.0, 4, 3);
        *today_litres = Some(160.0);
        *drier_probe = Some("long-upper".to_owned());
        *routine_litres = Some(40.0);
    }
    let mut dusk = task(3, cover());
    (dusk.urgency, dusk.by_ms) = (Urgency::Now, Some(NOON + 15 * HOUR));
    if let Content::Cover { sign, crosses_ms, .. } = &mut dusk.content {
        (*sign, *crosses_ms) = (ColdSign::Dusk, Some(NOON + 15 * HOUR + 2_340_000)); // 03:39
    }
    let mut unprobed = task(5, water());
    if let Content::Water(Dose { book_alone, .. }) = &mut unprobed.content {
        *book_alone = true;
    }
    let last = Morning {
        beds: Vec::new(),
        open: Vec::new(),
        notes: Vec::new(),
        next_ms: None,
        overdue_ms: None,
        ..morning()
    };
    let tomorrow = |mut task: Task| {
        task.by_ms = Some(NOON + 20 * HOUR);
        task
    };
    // Shade is told in the forenoon.
    let forenoon = |tasks: Vec<Task>| {
        let mut draft = draft(18, "stand-in", tasks);
        draft.at_ms = NOON - 4 * HOUR;
        draft.tasks[0].by_ms = Some(NOON - HOUR);
        for at_ms in draft.tasks.iter_mut().flat_map(|task| &mut task.evidence.at_ms) {
            *at_ms -= 4 * HOUR;
        }
        draft
    };
    let bundle = forenoon(vec![task(6, shade()), task(7, water()), tomorrow(task(8, silent()))]);
    let mut filled = water();
    if let Content::Water(Dose { share_used, depletion_mm, .. }) = &mut filled {
        (*share_used, *depletion_mm) = (0.12, 8.2);
    }
    let without_deadline = |content| Task { by_ms: None, ..task(1, content) };
    let woken = Task { urgency: Urgency::Now, ..without_deadline(blind(true)) };
    vec![
        ("water", garden(), draft(12, "grower", vec![task(1, water())])),
        ("water-stand-in", with_hose(12.0), draft(13, "stand-in", vec![task(1, water())])),
        ("water-us", garden(), draft(14, "aunt overseas", vec![task(1, water())])),
        ("water-large", with_hose(12.0), draft(15, "grower", vec![large])),
        ("water-blind", garden(), draft(16, "stand-in", vec![unprobed])),
        ("hold-water", garden(), draft(17, "grower", vec![task(2, hold_water())])),
        ("hold-routine", garden(), draft(23, "grower", vec![task(2, skip())])),
        ("shade", garden(), forenoon(vec![task(3, shade())])),
        ("cover", garden(), draft(19, "grower", vec![task(3, cover())])),
        ("cover-dusk", garden(), LetterDraft { at_ms: NOON + 11 * HOUR, ..draft(22, "grower", vec![dusk]) }),
        ("gear", garden(), draft(21, "grower", vec![tomorrow(task(3, silent()))])),
        (
            "gear-fell",
            garden(),
            draft(22, "grower", vec![tomorrow(task(4, distrusted(Rule::SuddenFall, 4, 0.312, 0.221)))]),
        ),
        (
            "gear-rose",
            garden(),
            draft(
                23,
                "stand-in",
                vec![tomorrow(task(5, distrusted(Rule::RiseWithoutWater, 26, 0.243, 0.45)))],
            ),
        ),
        (
            "gear-creeps",
            garden(),
            draft(24, "grower", vec![tomorrow(task(6, distrusted(Rule::CreepsWet, 27 * 24, 0.3176, 0.363)))]),
        ),
        (
            "gear-over",
            garden(),
            draft(25, "grower", vec![tomorrow(task(7, distrusted(Rule::AboveSaturation, 5, 0.331, 0.58)))]),
        ),
        ("bundle", with_hose(12.0), LetterDraft { person: "grower".to_owned(), ..bundle }),
        (
            "blind",
            garden(),
            draft(
                26,
                "grower",
                vec![
                    Task { urgency: Urgency::Gear, ..without_deadline(silent()) },
                    Task { number: 2, ..without_deadline(blind(false)) },
                ],
            ),
        ),
        ("blind-dry", garden(), draft(27, "stand-in", vec![woken])),
        ("blind-over", garden(), told(Telling::Withdrawn, 3, blind(false), 26)),
        ("morning", garden(), LetterDraft { morning: Some(morning()), ..draft(28, "grower", Vec::new()) }),
        (
            "morning-carried",
            garden(),
            LetterDraft { morning: Some(morning()), ..draft(29, "grower", vec![task(8, water())]) },
        ),
        ("morning-last", garden(), LetterDraft { morning: Some(last), ..draft(30, "grower", Vec::new()) }),
        ("water-again", garden(), told(Telling::Again, 1, water(), 12)),
        ("water-worse", garden(), told(Telling::Worse, 1, water(), 12)),
        ("water-withdrawn", garden(), told(Telling::Withdrawn, 1, filled, 12)),
        ("cover-withdrawn", garden(), told(Telling::Withdrawn, 3, cover(), 19)),
    ]
}

#[test]
fn letters_read_as_they_did() {
    for (name, garden, draft) in scenes() {
        against_golden(name, &render(&draft, &garden));
    }
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    for (_, garden, draft) in scenes() {
        assert_eq!(render(&draft, &garden), render(&draft, &garden));
    }
}

/// The example of the job itself.
#[test]
fn the_first_line_says_what_how_much_and_by_when() {
    let letter = render(&draft(12, "grower", vec![task(1, water())]), &garden());
    assert_eq!(text(&letter).lines().next(), Some("1. Long bed: 64 L, 6 cans and a bit, before 20:00"));
    assert_eq!(letter.subject, "Long bed: 64 L before 20:00");
    let two = render(&draft(12, "grower", vec![task(1, water()), task(2, shade())]), &garden());
    assert_eq!(text(&two).lines().nth(1), Some("2. Long bed: shade the fruit before 20:00"));
    assert_eq!(two.subject, "Long bed: 64 L before 20:00, and 1 more");
}

/// RFC 5322 and RFC 2046 as another program understands them.
#[test]
fn every_letter_is_valid_mail() {
    for (name, garden, draft) in scenes() {
        let letter = render(&draft, &garden);
        let message = MessageParser::default().parse(&letter.eml).expect(name);
        assert_eq!(message.subject(), Some(letter.subject.as_str()), "{name}");
        assert_eq!(message.date().unwrap().to_timestamp() * 1000, draft.at_ms, "{name}");
        let id = message.message_id().unwrap();
        assert!(id.starts_with(&format!("letter-{}.", draft.number)), "{name}: {id}");
        assert!(id.ends_with("@ridge.rindwatch.invalid"), "{name}: {id}");
        let to = message.to().unwrap().first().unwrap();
        assert_eq!(to.address(), Some(letter.address.as_str()), "{name}");
        assert_eq!(message.from().unwrap().first().unwrap().address(), Some("garden@example.org"));
        let kind = message.content_type().unwrap();
        assert_eq!((kind.ctype(), kind.subtype()), ("multipart", Some("alternative")), "{name}");
        let parts: Vec<_> = message.parts.iter().skip(1).map(|part| &part.body).collect();
        assert!(
            matches!(parts.as_slice(), [PartType::Text(_), PartType::Html(_)]),
            "{name}: plain text first"
        );
        // RFC 5322 §2.1.1: no line over 998 characters, lines end in CR LF, nothing but ASCII outside.
        for line in letter.eml.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
            assert!(line.len() <= 999 && line.ends_with(b"\r"), "{name}");
        }
        assert!(letter.eml.is_ascii(), "{name}");
    }
}

#[test]
fn text_lines_keep_to_78_characters() {
    for (name, garden, draft) in scenes() {
        for line in text(&render(&draft, &garden)).lines() {
            assert!(line.chars().count() <= 78, "{name}: {line}");
        }
    }
}

/// The page shows letters without a mail program; an independent parser must read the same words.
#[test]
fn the_text_of_a_letter_is_what_a_mail_program_shows() {
    for (name, garden, draft) in scenes() {
        let letter = render(&draft, &garden);
        assert_eq!(text_of(&letter.eml).expect(name).trim_end(), text(&letter).trim_end(), "{name}");
    }
    assert_eq!(text_of(b""), None);
    assert_eq!(text_of(b"Subject: x\r\n\r\nwords"), None);
}

/// A mail program that fetches something would tell a server when the letter was read.
#[test]
fn html_fetches_nothing() {
    for (name, garden, draft) in scenes() {
        let letter = render(&draft, &garden);
        let message = MessageParser::default().parse(&letter.eml).unwrap();
        let html = message.body_html(0).unwrap();
        for word in ["http", "src=", "url(", "<script", "<link", "<img", "<style", "@import"] {
            assert!(!html.contains(word), "{name}: {word}");
        }
    }
}

#[test]
fn a_repeat_stands_in_the_thread_of_the_first_telling() {
    let repeat = LetterDraft {
        answers: Some(12),
        also_answers: vec![9, 12],
        ..draft(20, "grower", vec![task(1, water())])
    };
    let letter = render(&repeat, &garden());
    let message = MessageParser::default().parse(&letter.eml).unwrap();
    let first = "letter-12.grower@ridge.rindwatch.invalid";
    assert_eq!(message.in_reply_to().as_text(), Some(first));
    assert_eq!(
        message.references().as_text_list().unwrap(),
        [first, "letter-9.grower@ridge.rindwatch.invalid"]
    );
    // The id it names is the one that letter bore.
    let earlier = render(&draft(12, "grower", vec![task(1, water())]), &garden());
    assert_eq!(MessageParser::default().parse(&earlier.eml).unwrap().message_id(), Some(first));
}

#[test]
fn a_stand_in_meets_no_terms_of_the_trade() {
    for content in [water(), hold_water(), shade(), cover(), silent()] {
        let letter = render(&draft(1, "stand-in", vec![task(1, content)]), &garden());
        let words = text(&letter).to_lowercase();
        for term in ["depletion", "share used", "et0", "taw", "stress mark", "held water", "jot"] {
            assert!(!words.contains(term), "{term} in:\n{words}");
        }
    }
}

/// Words that belong to other programs, or that cry.
#[test]
fn letters_do_not_cry() {
    for (name, garden, draft) in scenes() {
        let words = text(&render(&draft, &garden)).to_lowercase();
        for word in ["alarm", "alert", "warning", "critical", "!"] {
            assert!(!words.contains(word), "{name}: {word}");
        }
    }
}

#[test]
fn no_letter_invites_a_reply() {
    for (name, garden, draft) in scenes() {
        let words = text(&render(&draft, &garden));
        assert!(words.contains("replies to it are not read"), "{name}");
        let last = words.trim_end().rsplit("\n\n").next().unwrap().replace('\n', " ");
        assert!(
            ["rindwatch jot done", "answer", "will tell us"].iter().any(|w| last.contains(w)),
            "{name}: {last}"
        );
    }
}

#[test]
fn every_fault_has_its_words() {
    let faults = [
        Fault::Silent { last_ms: None, usual_s: 60, gone: false },
        Fault::Stuck { value: 0.25, hours: 52 },
        Fault::Impossible { count: 7, value: 0.91 },
        Fault::BrokerAway { since_ms: NOON - HOUR, words: "refused: bad user name".to_owned() },
        Fault::Unreadable { count: 3, words: "expected a number, found \"x\"".to_owned() },
        Fault::Clogged { times: 2, or_watered: false },
        Fault::Clogged { times: 3, or_watered: true },
        Fault::ReadsShort { gauge_mm: 4.0, eye_mm: 14.0 },
        Fault::WettedNothing { times: 3, mm: 12.0 },
        Fault::Floods { count: 81_000 },
        Fault::MailRefused { words: "535 no".to_owned() },
        Fault::StoreFails { words: "disk is full".to_owned() },
        Fault::BatteryLow { level: 3.51, end: 3.3, days: 9, before: "2031-07-30".parse().ok(), told: false },
        Fault::Board { fault: BoardFault::SpaceLow { free_mb: 150, whole_mb: 29_000 } },
        Fault::Board { fault: BoardFault::CardErrors { count: 3 } },
        Fault::Board { fault: BoardFault::Hot { board_c: 83.0 } },
        Fault::Board { fault: BoardFault::MemoryLow { free_mb: 21, whole_mb: 925 } },
    ];
    let broker = task(1, Content::Gear { fault: faults[3].clone() });
    assert_eq!(render(&draft(1, "grower", vec![broker]), &garden()).subject, "Broker: away since 11:00");
    let mut seen = std::collections::HashSet::new();
    for person in ["grower", "stand-in"] {
        for telling in [Telling::First, Telling::Again, Telling::Worse, Telling::Withdrawn] {
            for fault in &faults {
                let mut task = task(1, Content::Gear { fault: fault.clone() });
                task.telling = telling;
                let words = text(&render(&draft(1, person, vec![task]), &garden()));
                assert!(seen.insert(words.clone()), "said twice:\n{words}");
            }
        }
    }
}

/// Names are refused upstream when they hold line ends; should one slip through, no header is added.
#[test]
fn line_ends_in_names_add_no_header() {
    let nasty = "x\r\nBcc: all@example.org\r\n\r\nbody";
    let mut garden = garden();
    garden.name = nasty.to_owned();
    garden.people[0].name = nasty.to_owned();
    let mut task = task(1, silent());
    task.title = nasty.to_owned();
    task.content = Content::Gear { fault: Fault::MailRefused { words: nasty.to_owned() } };
    let letter = render(&draft(1, nasty, vec![task]), &garden);
    let message = MessageParser::default().parse(&letter.eml).unwrap();
    assert!(message.bcc().is_none());
    assert!(message.header(HeaderName::Bcc).is_none());
    assert_eq!(message.parts.len(), 3);
    assert!(letter.subject.lines().count() == 1);
}

/// Numbers without sense come from a bug elsewhere; a letter must still be a letter.
#[test]
fn senseless_numbers_make_no_senseless_letter() {
    let content = Content::Water(Dose {
        litres: f64::NAN,
        depth_mm: 0.0,
        passes: 0,
        spread_days: 0,
        today_litres: None,
        share_used: 0.0,
        depletion_mm: f64::INFINITY,
        depletion_sd_mm: f64::NAN,
        refill_mm: 0.0,
        stress_mm: 0.0,
        hours_to_stress: Some(f64::INFINITY),
        routine_litres: Some(f64::NEG_INFINITY),
        drier_probe: None,
        book_alone: false,
    });
    let mut odd = task(1, content);
    odd.by_ms = Some(i64::MAX);
    odd.evidence.at_ms = vec![i64::MIN, i64::MAX];
    let letter = render(&LetterDraft { at_ms: i64::MIN, ..draft(1, "grower", vec![odd]) }, &garden());
    assert!(!text(&letter).contains("NaN") && !text(&letter).contains("inf"), "{}", text(&letter));
    let empty = render(&draft(2, "nobody known", Vec::new()), &garden());
    assert_eq!((empty.subject.as_str(), empty.address.as_str()), ("Nothing to do", ""));
    assert!(MessageParser::default().parse(&empty.eml).is_some());
}
