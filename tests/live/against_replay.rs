//! What was stored and sent, held against a replay of the same messages in the same garden.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use rindwatch::rfc3339;
use rindwatch::store::{Fate, KeptLetter};
use serde_json::Value;

use crate::against_record::bed_days;
use crate::winter::Winter;

/// The mail server has what the outbox says, each letter once, over a signed-in connection.
pub fn every_letter_arrived_once(winter: &Winter) {
    let reader = winter.daemon.reader();
    let kept = reader.recent_letters(u32::MAX).unwrap();
    let accepted = |letter: &&KeptLetter| matches!(letter.fate, Fate::Accepted(_));
    let numbers: Vec<u32> = kept.iter().filter(accepted).map(|letter| letter.number).collect();
    assert_eq!(numbers.len(), kept.len(), "all were accepted: {kept:?}");
    let sent: BTreeMap<String, Vec<u8>> = numbers
        .iter()
        .map(|number| reader.letter(*number).unwrap().unwrap().eml)
        .map(|eml| (message_id(&eml), eml))
        .collect();
    assert_eq!(sent.len(), numbers.len(), "each has a message id of its own");
    let received: BTreeSet<String> = winter.received.iter().map(|eml| message_id(eml)).collect();
    assert_eq!(received.len(), winter.received.len(), "each came once");
    assert!(received.iter().eq(sent.keys()));
    for eml in &winter.received {
        assert_eq!(String::from_utf8_lossy(&sent[&message_id(eml)]), String::from_utf8_lossy(eml));
    }
    assert_eq!(winter.sign_ins, winter.received.len(), "nothing without a sign-in");
    println!("{} letters received, each once, as kept in the outbox", winter.received.len());
}

fn message_id(eml: &[u8]) -> String {
    let message = mail_parser::MessageParser::default().parse(eml).expect("a letter");
    message.message_id().expect("a message id").to_owned()
}

pub fn it_decides_the_same(winter: &Winter) {
    let folder = winter.daemon.folder.path();
    let (file, out) = (folder.join("capture.csv"), folder.join("replayed"));
    std::fs::write(&file, &winter.capture).unwrap();
    let words = ["--capture", file.to_str().unwrap(), "--out", out.to_str().unwrap()];
    let replayed = winter.daemon.once("replay", &words);
    assert!(replayed.status.success(), "{}", String::from_utf8_lossy(&replayed.stderr));
    println!("{}", String::from_utf8_lossy(&replayed.stdout));
    keep(&out);
    same_matters(winter, &out);
    same_letters(winter, &out);
    same_days(winter, &out);
    assert!(rows(&out.join("refusals.csv")).is_empty());
}

fn same_matters(winter: &Winter, out: &Path) {
    let stored = winter.daemon.reader().matters(i64::MIN, i64::MAX).unwrap();
    let stored: Vec<[String; 9]> = stored
        .into_iter()
        .map(|change| {
            [
                rfc3339::show(change.at_ms),
                change.subject,
                change.matter.key().to_owned(),
                change.urgency.key().to_owned(),
                change.from.key().to_owned(),
                change.to.key().to_owned(),
                change.why,
                change.by_ms.map(rfc3339::show).unwrap_or_default(),
                change.person.unwrap_or_default(),
            ]
        })
        .collect();
    let columns = ["time", "bed", "matter", "urgency", "from", "to", "why", "by", "person"];
    let replayed: Vec<[String; 9]> =
        rows(&out.join("matters.csv")).iter().map(|row| columns.map(|column| row[column].clone())).collect();
    for (at, (stored, replayed)) in stored.iter().zip(&replayed).enumerate() {
        assert_eq!(stored, replayed, "change {at}");
    }
    assert_eq!(stored.len(), replayed.len());
    println!("{} changes of matters, the same live and replayed", stored.len());
}

fn same_letters(winter: &Winter, out: &Path) {
    for (at, eml) in winter.received.iter().enumerate() {
        let replayed = std::fs::read(out.join(format!("letters/{:04}.eml", at + 1))).unwrap();
        assert_eq!(String::from_utf8_lossy(eml), String::from_utf8_lossy(&replayed), "letter {}", at + 1);
    }
    assert_eq!(std::fs::read_dir(out.join("letters")).unwrap().count(), winter.received.len());
}

fn same_days(winter: &Winter, out: &Path) {
    let replayed = rows(&out.join("days.csv"));
    let stored = bed_days(winter);
    assert_eq!(stored.len(), replayed.len());
    for (day, row) in stored.iter().zip(&replayed) {
        let corrected = day.corrected_ms.map(rfc3339::show);
        let mut day = serde_json::to_value(day).unwrap();
        // The file names the time alone.
        day["corrected"] = corrected.map_or(Value::Null, Value::String);
        for (column, text) in row {
            let same = match &day[column] {
                Value::Null => text.is_empty(),
                Value::String(words) => words == text,
                // The file shows six digits.
                Value::Number(number) => {
                    let (value, shown) = (number.as_f64().unwrap(), text.parse::<f64>().unwrap());
                    (value - shown).abs() <= 1e-5 * value.abs()
                }
                Value::Array(words) => {
                    words.iter().map(|word| word.as_str().unwrap()).eq(text.split_whitespace())
                }
                _ => false,
            };
            assert!(same, "{}: {column} is {} live and {text:?} replayed", row["date"], day[column]);
        }
    }
}

fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    csv::Reader::from_path(path).unwrap().deserialize().map(Result::unwrap).collect()
}

/// Leaves what was told where somebody wants to read it.
fn keep(out: &Path) {
    let Some(to) = std::env::var_os("RINDWATCH_KEEP") else { return };
    let to = Path::new(&to).join("winter");
    std::fs::create_dir_all(to.join("letters")).unwrap();
    for part in ["", "letters"] {
        for file in std::fs::read_dir(out.join(part)).unwrap().map(|entry| entry.unwrap().path()) {
            if file.is_file() {
                std::fs::copy(&file, to.join(part).join(file.file_name().unwrap())).unwrap();
            }
        }
    }
}
