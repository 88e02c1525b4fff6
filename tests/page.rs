//! The page as a browser gets it: what it shows, and what it refuses.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

use std::collections::BTreeSet;
use std::net::SocketAddr;

use rindwatch::engine::{
    BedView, FruitView, Kept, MatterView, ProbeView, ProposalView, Survey, Trust, Watering,
};
use rindwatch::local::{Status, UnknownTopic};
use rindwatch::record::{MatterKey, Millis, Refusal, Stand};
use rindwatch::store::{Fate, KeptLetter};
use rindwatch::web::{PageModel, Source, serve};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// 2031-07-15 12:00 in Berlin, a Tuesday.
const NOON: Millis = 1_941_876_000_000;
const HOUR: Millis = 3_600_000;

fn bed(name: &str, title: &str, share_used: f64, cover_days: f64, cover_days_hot: f64) -> BedView {
    BedView {
        name: name.to_owned(),
        title: title.to_owned(),
        share_used: Some(share_used),
        depletion_mm: Some((share_used * 68.0, 3.1)),
        refill_mm: Some(16.4),
        stress_mm: Some(21.9),
        taw_mm: Some(68.0),
        cover_days: Some(cover_days),
        cover_days_hot: Some(cover_days_hot),
        litres_to_full: Some(share_used * 68.0 * 7.0),
        rests_on: "two probes and the water book".to_owned(),
        ..BedView::default()
    }
}

fn probe(name: &str, value: Option<f64>, unit: &str, age: Millis, trust: Trust, why: &str) -> ProbeView {
    ProbeView {
        name: name.to_owned(),
        value,
        unit: unit.to_owned(),
        at_ms: value.map(|_| NOON - age),
        trust,
        rule: None,
        why: why.to_owned(),
        battery_days: None,
    }
}

fn proposal(number: u32, old: Option<f64>, new: f64, applied: bool) -> ProposalView {
    ProposalView {
        number,
        probe: "long-upper".to_owned(),
        old,
        new,
        unit: "m3/m3".to_owned(),
        why: "after 3 soakings it settled at 30.2 to 31.0 %".to_owned(),
        applied,
        at_ms: NOON - 5 * HOUR,
    }
}

fn letter(number: u32, subject: &str, fate: Fate) -> KeptLetter {
    KeptLetter {
        number,
        person: "grower".to_owned(),
        address: "grower@patch.example".to_owned(),
        at_ms: NOON - i64::from(20 - number) * 5 * HOUR,
        matters: vec![MatterKey::Water],
        subject: subject.to_owned(),
        fate,
    }
}

fn matter(subject: &str, matter: MatterKey, number: u32, by_ms: Option<Millis>, why: &str) -> MatterView {
    MatterView {
        subject: subject.to_owned(),
        matter,
        stand: Stand::Standing,
        since_ms: NOON - HOUR,
        why: why.to_owned(),
        by_ms,
        number: Some(number),
    }
}

/// A garden with two beds, one silent probe and a mail server that is away.
fn full() -> PageModel {
    let arrived = Some(Kept {
        mm: (5.0, 1.5),
        depths: vec![(0.1, 4.0), (0.3, 1.0)],
        share: Some(0.4),
        brimful: false,
        one_depth: false,
    });
    let watering = Watering {
        bed: "long".into(),
        at_ms: NOON - HOUR,
        litres: 80.0,
        litres_sd: None,
        logged: true,
        asked: true,
        arrived,
    };
    let survey = Survey {
        waterings: vec![watering],
        at_ms: NOON,
        beds: vec![
            bed("long", "Long bed", 0.46, 0.0, 0.0),
            bed("mound", "Mound by the wall", 0.09, 4.2, 2.9),
            BedView { name: "new".to_owned(), title: "New bed".to_owned(), ..BedView::default() },
        ],
        probes: vec![
            probe("long-upper", Some(0.2361), "m3/m3", 4 * 60_000, Trust::Good, ""),
            probe("long-soil", Some(23.84), "°C", 4 * 60_000, Trust::Good, ""),
            probe(
                "mound-upper",
                Some(0.301),
                "m3/m3",
                7 * HOUR,
                Trust::Missing,
                "silent; usually every 10 minutes",
            ),
            probe("gauge", Some(3.2), "mm", 12 * 60_000, Trust::Good, ""),
            probe("wall-air", None, "°C", 0, Trust::Missing, "never heard"),
        ],
        fruits: vec![FruitView {
            name: "f1".to_owned(),
            age_days: Some(34),
            taped_ms: Some(NOON - 26 * HOUR),
            mass_kg: Some((212.4, 27.1)),
            gain_kg_day: Some(11.26),
            final_kg: Some((498.0, 610.0, 747.0)),
            note: "its last tape is <b>odd</b>".to_owned(),
            ..FruitView::default()
        }],
        matters: vec![
            matter(
                "long",
                MatterKey::Water,
                12,
                Some(NOON + 8 * HOUR),
                "share used 46 %, refill mark at 24 %",
            ),
            matter("mound-upper", MatterKey::Gear, 13, None, "silent since 05:00"),
        ],
        proposals: vec![proposal(14, Some(0.28), 0.3062, false), proposal(11, None, 0.291, true)],
    };
    let status = Status {
        survey,
        at_ms: NOON,
        clock_trusted: true,
        letters_waiting: 1,
        letters_overtaken: 2,
        mail: Some("mail server mail.example.org:587: nobody listens there".to_owned()),
        refusals: vec![Refusal {
            arrived_ms: NOON - HOUR,
            topic: "patch/long-upper".to_owned(),
            payload: "<script>1</script>".to_owned(),
            probe: Some("long-upper".to_owned()),
            reason: "expected a number".to_owned(),
        }],
        board: vec!["space: 1500 of 29000 MB free".to_owned()],
        unknown_topics: vec![UnknownTopic {
            topic: "patch/kettle".to_owned(),
            payload: "on".to_owned(),
            count: 3,
        }],
        ..Status::default()
    };
    PageModel {
        garden: "ridge".to_owned(),
        zone: chrono_tz::Europe::Berlin,
        status,
        letters: vec![
            letter(19, "Long bed: 220 L before 20:00, and 1 more", Fate::Waiting),
            letter(18, "Mound by the wall: shade the fruit before 11:00", Fate::Accepted(NOON - 9 * HOUR)),
            letter(
                17,
                "Long bed: no water before Sunday 06:00",
                Fate::Refused(NOON, "550 no such user".to_owned()),
            ),
        ],
    }
}

#[derive(Clone)]
struct Made(Result<PageModel, String>);

impl Source for Made {
    async fn page(&self) -> Result<PageModel, String> {
        self.0.clone()
    }

    async fn letter(&self, number: u32) -> Result<Option<String>, String> {
        Ok((number == 19).then(|| "1. Long bed: 220 L".to_owned()))
    }
}

async fn served(source: Made) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let place = listener.local_addr().unwrap();
    tokio::spawn(serve(listener, source, std::future::pending()));
    place
}

/// The whole answer to one request, headers in lower case.
async fn asked(place: SocketAddr, method: &str, path: &str, host: &str) -> (String, String) {
    let mut stream = TcpStream::connect(place).await.unwrap();
    let request = format!("{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    (head.to_lowercase(), body.to_owned())
}

#[tokio::test]
async fn the_page_shows_what_stands() {
    let place = served(Made(Ok(full()))).await;
    let (head, body) = asked(place, "GET", "/", "localhost").await;
    assert!(head.starts_with("http/1.1 200"), "{head}");
    for words in [
        "12. Long bed: give water, before 20:00",
        "Past the refill mark",
        "4.2 days",
        "2.9 days in hot weather",
        "46 %",
        "0.236 m³/m³",
        "7 h",
        "silent; usually every 10 minutes",
        "Long bed: 220 L before 20:00, and 1 more",
        "refused: 550 no such user",
        "nobody listens there",
        "80 L; arrived: 4.0 mm at 10 cm, 1.0 mm at 30 cm; less than half of it arrived",
        "patch/kettle",
        "<b>212 kg</b> (±27) by the tape",
        "+11.3 kg a day",
        "ends at <b>610 kg</b>",
        "between 498 and 747",
        "34 days after pollination",
        "Taped 26 h ago",
        "&lt;b&gt;odd",
    ] {
        assert!(body.contains(words), "{words} in:\n{body}");
    }
}

/// A learned mark is shown with the lines that answer it; one that was applied has nothing to answer.
#[tokio::test]
async fn learned_marks_say_how_they_are_answered() {
    let (_, body) = asked(served(Made(Ok(full()))).await, "GET", "/", "localhost").await;
    for words in [
        "14. long-upper: full mark 0.306 m³/m³ instead of 0.280 m³/m³",
        "after 3 soakings it settled at 30.2 to 31.0 %",
        "<code>accept 14</code>",
        "<code>not needed 14</code>",
        "11. long-upper: full mark 0.291 m³/m³, applied",
    ] {
        assert!(body.contains(words), "{words} in:\n{body}");
    }
    assert!(!body.contains("accept 11"), "{body}");
}

/// Unknown is said, never shown as nought.
#[tokio::test]
async fn unknown_is_not_nought() {
    let mut model = full();
    model.status.survey.beds.retain(|bed| bed.name == "new");
    model.status.survey.probes.retain(|probe| probe.value.is_none());
    model.status.survey.proposals.clear();
    let (_, body) = asked(served(Made(Ok(model))).await, "GET", "/", "localhost").await;
    assert!(body.contains("Days of cover: not known yet"), "{body}");
    assert!(body.contains("Share used: not known yet"), "{body}");
    assert!(body.contains("none yet"), "{body}");
    assert!(!body.contains("0 %") && !body.contains("0.0 °C"), "{body}");
}

#[tokio::test]
async fn an_empty_garden_has_a_page() {
    let model = PageModel {
        garden: "ridge".to_owned(),
        zone: chrono_tz::UTC,
        status: Status::default(),
        letters: Vec::new(),
    };
    let (head, body) = asked(served(Made(Ok(model))).await, "GET", "/", "127.0.0.1").await;
    assert!(head.starts_with("http/1.1 200"), "{head}");
    assert!(body.contains("Nobody need do anything now"), "{body}");
    let (head, body) =
        asked(served(Made(Err("the daemon is busy".to_owned()))).await, "GET", "/", "localhost").await;
    assert!(head.starts_with("http/1.1 503") && body == "the daemon is busy", "{head}\n{body}");
}

#[tokio::test]
async fn a_letter_is_plain_text() {
    let place = served(Made(Ok(full()))).await;
    let (head, body) = asked(place, "GET", "/letters/19", "localhost").await;
    assert!(head.contains("content-type: text/plain; charset=utf-8"), "{head}");
    assert_eq!(body, "1. Long bed: 220 L");
    for path in ["/letters/18", "/letters/x", "/letters/-1", "/letters/99999999999", "/else"] {
        assert!(asked(place, "GET", path, "localhost").await.0.starts_with("http/1.1 404"), "{path}");
    }
}

/// What a node sends is shown as text, whatever it is.
#[tokio::test]
async fn foreign_words_are_no_markup_and_no_script_runs() {
    let place = served(Made(Ok(full()))).await;
    let (head, body) = asked(place, "GET", "/", "localhost").await;
    assert!(!body.contains("<script") && body.contains("&lt;script&gt;"), "{body}");
    let policy = head.lines().find(|line| line.starts_with("content-security-policy:")).unwrap();
    assert!(policy.contains("default-src 'none'") && !policy.contains("script-src"), "{policy}");
    assert!(!policy.contains("unsafe"), "{policy}");
    // The policy forbids inline styles, so there must be none.
    assert!(!body.contains("style="), "{body}");
    assert!(
        head.contains("x-content-type-options: nosniff") && head.contains("referrer-policy: no-referrer")
    );
}

/// DNS rebinding: a page elsewhere whose name is made to point here still sends its own name.
#[tokio::test]
async fn another_host_name_is_refused() {
    let place = served(Made(Ok(full()))).await;
    for host in ["garden.example", "localhost.example.org:80", "10.0.0.1", ""] {
        let (head, body) = asked(place, "GET", "/", host).await;
        assert!(head.starts_with("http/1.1 421") || head.starts_with("http/1.1 400"), "{host}: {head}");
        assert!(!body.contains("Long bed"), "{host}");
    }
    assert!(asked(place, "GET", "/", "[::1]:8080").await.0.starts_with("http/1.1 200"));
}

#[tokio::test]
async fn nothing_can_be_changed_here() {
    let place = served(Made(Ok(full()))).await;
    for method in ["POST", "PUT", "DELETE", "PATCH"] {
        assert!(asked(place, method, "/", "localhost").await.0.starts_with("http/1.1 405"), "{method}");
    }
    assert!(asked(place, "HEAD", "/", "localhost").await.0.starts_with("http/1.1 200"));
}

/// The names of tags and attributes of a page, in a set: what markup there is. Panics at a `<` that begins no tag.
fn markup(page: &str) -> BTreeSet<String> {
    let mut all = BTreeSet::new();
    let mut rest = page;
    while let Some(at) = rest.find('<') {
        let begun = &rest[at + 1..];
        let name_end = begun.find(|c: char| !(c.is_ascii_alphanumeric() || "/!".contains(c))).unwrap();
        let (name, mut inside) = begun.split_at(name_end);
        assert!(!name.is_empty(), "a < that begins no tag: {}", &begun[..begun.len().min(80)]);
        all.insert(name.to_ascii_lowercase());
        // Attributes: a name, or a name with a value in double quotes, which is how they are written here.
        while !inside.starts_with('>') {
            inside = inside.trim_start();
            let end = inside.find(|c: char| "=> ".contains(c)).unwrap();
            all.insert(format!("{name} {}", inside[..end].to_ascii_lowercase()));
            inside = &inside[end..];
            if let Some(value) = inside.strip_prefix("=\"") {
                inside = &value[value.find('"').unwrap() + 1..];
                assert!(
                    inside.starts_with([' ', '>']),
                    "an attribute goes on behind its value: {inside:.40}"
                );
            }
        }
        rest = &inside[1..];
    }
    all
}

/// Puts `foreign` in place of every text of a value that may hold any, one after the other.
fn infect<T: serde::Serialize + serde::de::DeserializeOwned>(value: &T, foreign: &str) -> (T, usize) {
    fn texts(at: &str, value: &serde_json::Value, all: &mut Vec<String>) {
        match value {
            serde_json::Value::String(_) => all.push(at.to_owned()),
            serde_json::Value::Array(list) => {
                list.iter().enumerate().for_each(|(n, inner)| texts(&format!("{at}/{n}"), inner, all));
            }
            serde_json::Value::Object(map) => {
                map.iter().for_each(|(key, inner)| texts(&format!("{at}/{key}"), inner, all));
            }
            _ => {}
        }
    }
    let mut tree = serde_json::to_value(value).unwrap();
    let (mut places, mut infected) = (Vec::new(), 0);
    texts("", &tree, &mut places);
    for place in places {
        let mut next = tree.clone();
        *next.pointer_mut(&place).unwrap() = foreign.into();
        // Names of states and the like take no other word.
        if serde_json::from_value::<T>(next.clone()).is_ok() {
            (tree, infected) = (next, infected + 1);
        }
    }
    (serde_json::from_value(tree).unwrap(), infected)
}

/// Whatever stands in any text of the page, its markup stays its own: no tag and no attribute more.
#[tokio::test]
async fn no_foreign_word_adds_to_the_markup() {
    let clean = asked(served(Made(Ok(full()))).await, "GET", "/", "localhost").await.1;
    let own = markup(&clean);
    assert!(own.contains("html") && !own.contains("script") && !own.iter().any(|name| name.contains(" on")));
    for foreign in [
        "<script>alert(1)</script>",
        "\"><img src=x onerror=alert(1)>",
        "' onmouseover='alert(1)",
        "\" onfocus=\"alert(1)\" autofocus=\"",
        "</title></style></textarea><svg/onload=alert(1)>",
        "javascript:alert(1)",
        "<!--",
        "]]><![CDATA[",
        "&lt;script&gt;&quot;&#34;",
        "\u{0}<\u{ff1c}b>\u{202e}",
    ] {
        let mut model = full();
        let (status, infected) = infect(&model.status, foreign);
        assert!(infected > 30, "only {infected} texts");
        model.status = status;
        model.garden = foreign.to_owned();
        for letter in &mut model.letters {
            letter.subject = foreign.to_owned();
            letter.person = foreign.to_owned();
            letter.address = foreign.to_owned();
            letter.fate = Fate::Refused(NOON, foreign.to_owned());
        }
        let (head, body) = asked(served(Made(Ok(model))).await, "GET", "/", "localhost").await;
        assert!(head.starts_with("http/1.1 200"), "{head}");
        let more: Vec<_> = markup(&body).difference(&own).cloned().collect();
        assert!(more.is_empty(), "{foreign:?} adds {more:?}");
        assert!(!body.contains("href=\"javascript:"), "{foreign:?}");
    }
}
