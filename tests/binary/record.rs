//! A measured winter goes message by message through a real broker into the built program, under a
//! scripted clock, and letters go to a real mail server.
//!
//! The record (`RINDWATCH_FLAGIT`) is the hourly station file in the source archive of flagit 0.3 (MIT): 29
//! days of January and February 2020 with two wild values of soil moisture in it. What the days and nights
//! were is told here by a few lines over the file itself.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::time::Duration;

use rindwatch::local::{self, Answer, Request};
use rindwatch::record::{Doubt, MatterKey};
use rindwatch::rfc3339;
use rindwatch::store::Kept;

use crate::daemon::Daemon;
use crate::mosquitto::Mosquitto;
use crate::publisher::{Node, Post};
use crate::smtp::Server;

const HOUR_MS: i64 = 3_600_000;
/// Column of the file, topic.
const COLUMNS: [(&str, &str); 4] = [
    ("soil_moisture", "moisture"),
    ("soil_temperature", "soil"),
    ("air_temperature", "air"),
    ("precipitation", "rain"),
];

fn settings(broker: u16, mail: u16) -> String {
    let probe = |name: &str, kind: &str, unit: &str, more: &str| {
        format!("[probe.{name}]\nmeasures = \"{kind}\"\ntopic = \"{name}\"\nunit = \"{unit}\"\n{more}\n")
    };
    [
        format!(
            "[garden]\nname = \"winter\"\nlatitude = 47.0\nlongitude = 11.0\naltitude = \"600 m\"\ntime-zone = \"Etc/UTC\"\n\
             [people.grower]\naddress = \"grower@example.org\"\n\
             [broker]\nhost = \"127.0.0.1\"\nport = {broker}\n\
             [mail]\nhost = \"127.0.0.1\"\nport = {mail}\nsecurity = \"plain\"\nfrom = \"garden@example.org\"\n\
             [page]\nlisten = \"off\"\n\
             [bed.long]\nrooted = \"7 m2\"\nsoil = \"loam\"\ncrop = \"giant-pumpkin\"\nplanted = 2020-01-20\n"
        ),
        probe("moisture", "soil-moisture", "%", "depth = \"5 cm\""),
        probe("soil", "soil-temperature", "C", "depth = \"5 cm\""),
        probe("air", "air-temperature", "C", ""),
        probe("rain", "rain", "mm", "form = \"increment\""),
    ]
    .concat()
}

/// Time and published values of each hour, in the order of the file.
fn hours() -> Option<Vec<(i64, BTreeMap<&'static str, String>)>> {
    let Some(path) = std::env::var_os("RINDWATCH_FLAGIT") else {
        eprintln!("LEFT OUT: RINDWATCH_FLAGIT names no record, the measured winter is not played");
        return None;
    };
    let mut file = csv::Reader::from_path(path).unwrap();
    let header = file.headers().unwrap().clone();
    let hours = file.records().map(|row| {
        let row = row.unwrap();
        let at_ms = rfc3339::parse(&format!("{}Z", row[0].replace(' ', "T"))).unwrap();
        let values = COLUMNS.iter().filter_map(|(column, topic)| {
            let value = &row[header.iter().position(|name| name == *column).unwrap()];
            (!value.is_empty()).then(|| (*topic, value.to_owned()))
        });
        (at_ms, values.collect())
    });
    Some(hours.collect())
}

fn tell(data: &Path, request: &Request) {
    match local::ask(data, request, Duration::from_secs(60)) {
        Ok(Answer::Done { .. }) => {}
        other => panic!("{request:?}: {other:?}"),
    }
}

#[test]
fn a_measured_winter_is_stored_judged_and_told_and_replay_decides_the_same() {
    let Some(hours) = hours() else { return };
    let Some(broker) = Mosquitto::start("") else { return };
    let mut mail = Server::start("good", None, 0);
    let mut daemon = Daemon::with_settings(&settings(broker.port, mail.port));
    let start = rfc3339::show(hours[0].0);
    daemon.start_with(&["--scripted-clock", &start]);
    daemon.wait_for("the broker is connected", |status| status.broker.is_none());
    let mut capture = csv::Writer::from_writer(Vec::new());
    capture.write_record(["time", "topic", "payload"]).unwrap();
    let mut node = Node::connect(broker.port);
    let mut published = 0;
    for (at_ms, values) in &hours {
        tell(&daemon.data(), &Request::Clock { ms: *at_ms });
        for (_, topic) in COLUMNS {
            let Some(value) = values.get(topic) else { continue };
            node.publish(Post::new(topic, value.as_str()));
            capture.write_record([&rfc3339::show(*at_ms), topic, value]).unwrap();
            published += 1;
        }
        tell(&daemon.data(), &Request::Settle { messages: published });
    }
    // The last civil day closes: a replay goes on for an hour after its end.
    tell(&daemon.data(), &Request::Clock { ms: hours[hours.len() - 1].0 + 2 * HOUR_MS });
    let counts = daemon.status().counts;
    assert_eq!(
        (counts.messages, counts.readings, counts.refused, counts.repeats),
        (published, published, 0, 0)
    );
    assert!(daemon.stop().success());

    every_good_row_is_stored_once(&daemon, &hours);
    days_are_those_of_the_file(&daemon, &hours);
    cold_letters_match_the_nights(&daemon, &hours);
    replay_decides_the_same(&daemon, &capture.into_inner().unwrap(), &mut mail);
}

fn kept(daemon: &Daemon, topic: &str) -> Vec<Kept> {
    let (garden, reader) = (daemon.garden(), daemon.reader());
    let probe = garden.probes.iter().find(|probe| probe.topic == topic).unwrap();
    reader.raw(&reader.series_of(probe).unwrap().unwrap(), i64::MIN, i64::MAX, u32::MAX).unwrap()
}

fn every_good_row_is_stored_once(daemon: &Daemon, hours: &[(i64, BTreeMap<&str, String>)]) {
    for (_, topic) in COLUMNS {
        let scale = if topic == "moisture" { 0.01 } else { 1.0 };
        let sent: Vec<(i64, f64)> = hours
            .iter()
            .filter_map(|(at_ms, values)| Some((*at_ms, values.get(topic)?.parse::<f64>().unwrap() * scale)))
            .collect();
        let kept = kept(daemon, topic);
        assert_eq!(kept.len(), sent.len(), "{topic}");
        for (kept, (at_ms, value)) in kept.iter().zip(&sent) {
            assert_eq!(kept.at_ms, *at_ms, "{topic}");
            assert!((kept.value - value).abs() < 1e-3, "{topic} {at_ms}: {} for {value}", kept.value);
            // The plausible range of soil water is 0 to 60 %: two values of the file lie outside.
            let wild = topic == "moisture" && !(0.0..=0.6).contains(value);
            assert_eq!(kept.doubt == Some(Doubt::OutOfRange), wild, "{topic} {at_ms}: {:?}", kept.doubt);
        }
    }
    let wild = kept(daemon, "moisture").iter().filter(|kept| kept.doubt == Some(Doubt::OutOfRange)).count();
    assert_eq!(wild, 2);
}

/// Lowest and highest air of each civil day (UTC).
fn air_extremes(hours: &[(i64, BTreeMap<&str, String>)]) -> BTreeMap<String, (f64, f64)> {
    let mut days: BTreeMap<String, (f64, f64)> = BTreeMap::new();
    for (at_ms, values) in hours {
        let Some(air_c) = values.get("air").map(|value| value.parse::<f64>().unwrap()) else { continue };
        let day = days.entry(rfc3339::show(*at_ms)[..10].to_owned()).or_insert((air_c, air_c));
        *day = (day.0.min(air_c), day.1.max(air_c));
    }
    days
}

fn days_are_those_of_the_file(daemon: &Daemon, hours: &[(i64, BTreeMap<&str, String>)]) {
    let (from, to) = ("2020-01-01".parse().unwrap(), "2020-12-31".parse().unwrap());
    let days = daemon.reader().bed_days(Some("long"), from, to).unwrap();
    let wanted = air_extremes(hours);
    let mut seen = 0;
    for day in &days {
        let Some((low, high)) = wanted.get(&day.date.to_string()) else { continue };
        assert_eq!((day.air_min_c, day.air_max_c), (Some(*low), Some(*high)), "{}", day.date);
        seen += 1;
    }
    assert_eq!(seen, wanted.len(), "every day of the file was closed");
}

/// A letter to cover goes out in the evening (15 to 24 h); its night lasts until 9 h. Every night that
/// reached the mark was told, nine of ten at least, and none was told that stayed more than 8 °C above it.
fn cold_letters_match_the_nights(daemon: &Daemon, hours: &[(i64, BTreeMap<&str, String>)]) {
    let mark_c = daemon.garden().beds[0].cover_c;
    let evening = |ms: i64| rfc3339::show(ms - 12 * HOUR_MS)[..10].to_owned();
    let mut lows: BTreeMap<String, f64> = BTreeMap::new();
    for (at_ms, values) in hours {
        let hour = at_ms.rem_euclid(24 * HOUR_MS) / HOUR_MS;
        let Some(air_c) = values.get("air").map(|value| value.parse::<f64>().unwrap()) else { continue };
        if !(9..16).contains(&hour) {
            let low = lows.entry(evening(*at_ms)).or_insert(f64::INFINITY);
            *low = low.min(air_c);
        }
    }
    let changes = daemon.reader().matters(i64::MIN, i64::MAX).unwrap();
    let told: BTreeSet<String> = changes
        .iter()
        .filter(|change| change.matter == MatterKey::Cover && change.to.key() == "standing")
        .map(|change| evening(change.at_ms))
        .collect();
    // On the first evening nothing is known of this garden yet, and the file ends with a night begun.
    let whole: Vec<(&String, &f64)> = lows.iter().skip(1).take(lows.len().saturating_sub(2)).collect();
    let due: Vec<_> = whole.iter().filter(|(_, low)| **low <= mark_c).collect();
    let missed: Vec<_> = due.iter().filter(|(night, _)| !told.contains(*night)).collect();
    println!("cover: {} nights, {} due, {} told, missed {missed:?}", whole.len(), due.len(), told.len());
    assert!(due.len() >= 20, "a winter");
    assert!(missed.len() * 10 <= due.len(), "{missed:?}");
    for (night, low) in whole {
        assert!(*low <= mark_c + 8.0 || !told.contains(night), "{night}: told, the night reached {low} °C");
    }
}

fn replay_decides_the_same(daemon: &Daemon, capture: &[u8], mail: &mut Server) {
    let folder = daemon.folder.path();
    let (file, out) = (folder.join("capture.csv"), folder.join("replayed"));
    std::fs::write(&file, capture).unwrap();
    let words = ["--capture", file.to_str().unwrap(), "--out", out.to_str().unwrap()];
    let replayed = daemon.once("replay", &words);
    assert!(replayed.status.success(), "{}", String::from_utf8_lossy(&replayed.stderr));
    println!("{}", String::from_utf8_lossy(&replayed.stdout));
    let mut live: Vec<Vec<u8>> = Vec::new();
    for number in 1..=daemon.reader().last_letter_number().unwrap() {
        live.push(daemon.reader().letter(number).unwrap().unwrap().eml);
    }
    assert!(daemon.reader().letters_waiting().unwrap().is_empty(), "all were accepted");
    for (at, eml) in live.iter().enumerate() {
        let replayed = std::fs::read(out.join(format!("letters/{:04}.eml", at + 1))).unwrap();
        let text = |eml: &[u8]| rindwatch::mail::letters::text_of(eml).unwrap();
        assert_eq!(text(eml), text(&replayed), "letter {}", at + 1);
        assert!(*eml == replayed, "letter {}", at + 1);
    }
    assert_eq!(std::fs::read_dir(out.join("letters")).unwrap().count(), live.len());
    let took = mail.end().iter().filter(|line| line.starts_with("took")).count();
    assert_eq!(took, live.len(), "the mail server took each letter once");
    let changes = daemon.reader().matters(i64::MIN, i64::MAX).unwrap();
    let live: Vec<_> = changes
        .iter()
        .map(|change| (rfc3339::show(change.at_ms), change.matter.key(), change.to.key(), change.why.clone()))
        .collect();
    let mut file = csv::Reader::from_path(out.join("matters.csv")).unwrap();
    let replayed: Vec<BTreeMap<String, String>> = file.deserialize().map(Result::unwrap).collect();
    let replayed: Vec<_> = replayed
        .iter()
        .map(|row| (row["time"].clone(), &*row["matter"], &*row["to"], row["why"].clone()))
        .collect();
    assert_eq!(live, replayed);
}
