//! The day book: no line and no file breaks it, what is read prints to what reads the same, and a refusal names
//! its place.

use std::sync::OnceLock;

use rindwatch::daybook::{self, FileError};
use rindwatch::settings::{self, garden::Garden};

/// A line of the day book, or a whole file if it begins with `time,`.
pub fn hold(bytes: &[u8]) {
    if bytes.starts_with(b"time,") {
        file(bytes);
    } else if let Ok(words) = std::str::from_utf8(bytes) {
        line(words);
    }
}

fn line(words: &str) {
    match daybook::parse(words, garden()) {
        Ok(entry) => {
            let printed = entry.to_string();
            let again = daybook::parse(&printed, garden());
            assert!(again.as_ref() == Ok(&entry), "{words:?} is {entry:?}, prints as {printed:?}: {again:?}");
            assert_eq!(again.unwrap().to_string(), printed);
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

fn file(bytes: &[u8]) {
    match daybook::read(bytes, garden()) {
        Ok(rows) => {
            let text = daybook::write(&rows).unwrap();
            let again = daybook::read(&text, garden());
            let shown = String::from_utf8_lossy(&text);
            assert!(again.as_ref().is_ok_and(|again| *again == rows), "{rows:?} as {shown}: {again:?}");
        }
        Err(FileError::Lines(lines)) => {
            assert!(!lines.is_empty());
            let last = 1 + bytes.iter().filter(|byte| matches!(byte, b'\n' | b'\r')).count() as u64;
            for line in lines {
                let place = line.strip_prefix("day book line ").and_then(|rest| rest.split_once(": "));
                let number: u64 = place.and_then(|(number, _)| number.parse().ok()).unwrap_or(0);
                assert!((1..=last).contains(&number), "{line:?} names no line up to {last}");
            }
        }
        Err(other) => assert!(!other.to_string().is_empty()),
    }
}

fn garden() -> &'static Garden {
    static READ: OnceLock<Garden> = OnceLock::new();
    READ.get_or_init(|| settings::read_str("garden.toml", include_str!("../garden.toml")).unwrap())
}
