//! A TOML document that is walked by hand, so that one pass finds every complaint.
//!
//! A derived reader stops at its first error; a grower would mend one line, ask again, and meet the
//! next. Here each key is asked for by name with a small parser; what is wrong is noted with its place,
//! and the walk goes on. A key that was never asked for is unknown.

use std::cell::RefCell;
use std::collections::BTreeSet;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::complaint::Complaint;

/// Longest value shown in a complaint, characters.
const SHOWN_CHARS: usize = 60;

/// What a parser says: the value, or the rule that is broken.
pub(super) type Parsed<T> = Result<T, String>;

/// The document and all that was found while walking it.
pub(super) struct Document<'t> {
    file: &'t str,
    text: &'t str,
    root: Spanned<DeTable<'t>>,
    /// Lines that are no TOML: what was recovered from them is not complained about again.
    torn: BTreeSet<usize>,
    found: RefCell<Vec<(usize, Complaint)>>,
    asked: RefCell<BTreeSet<String>>,
}

impl<'t> Document<'t> {
    /// Parses `text` as far as it can be parsed; lines that are no TOML are noted.
    pub(super) fn parse(file: &'t str, text: &'t str) -> Self {
        let (root, errors) = DeTable::parse_recoverable(text);
        let mut document = Self {
            file,
            text,
            root,
            torn: BTreeSet::new(),
            found: RefCell::default(),
            asked: RefCell::default(),
        };
        for error in &errors {
            let offset = error.span().map_or(text.len(), |span| span.start);
            document.note_torn(offset, error.message());
        }
        document
    }

    /// Notes one line that is no TOML; further errors of the same line say nothing new. After the torn
    /// head of a table its keys belong nowhere, so its lines are torn as well.
    fn note_torn(&mut self, offset: usize, message: &str) {
        let line = self.line_of(offset);
        if !self.torn.insert(line) {
            return;
        }
        let text = self.text;
        let words = text.lines().nth(line - 1).unwrap_or_default().trim();
        if words.starts_with('[') {
            let body = text.lines().enumerate().skip(line);
            let body = body.take_while(|(_, words)| !words.trim_start().starts_with('['));
            self.torn.extend(body.map(|(at, _)| at + 1));
        }
        let (key, value) = words.split_once('=').unwrap_or((words, ""));
        let value = value.split(" #").next().unwrap_or_default();
        let (key, value) = (key.trim(), value.trim());
        let rule = torn_rule(key, value, message);
        let above = text.lines().take(line - 1).map(str::trim).filter(|words| words.starts_with('[')).last();
        let section = above.and_then(|words| words.trim_start_matches('[').split(']').next());
        let full = match section {
            Some(section) if !key.starts_with('[') => format!("{}.{key}", section.trim()),
            _ => key.to_owned(),
        };
        self.note(offset, line, full, shown(key, value), rule);
    }

    /// Whether a line that could not be read may have held `key`.
    fn may_be_torn(&self, key: &str) -> bool {
        let lines = self.text.lines().enumerate();
        lines.filter(|(at, _)| self.torn.contains(&(at + 1))).any(|(_, words)| words.contains(key))
    }

    fn note(&self, offset: usize, line: usize, key: String, value: String, rule: String) {
        let file = self.file.to_owned();
        self.found.borrow_mut().push((offset, Complaint { file, line, key, value, rule }));
    }

    fn line_of(&self, offset: usize) -> usize {
        let end = offset.min(self.text.len());
        1 + self.text.as_bytes().iter().take(end).filter(|&&byte| byte == b'\n').count()
    }

    /// The top of the document.
    pub(super) fn top(&self) -> Table<'_> {
        Table {
            document: self,
            path: String::new(),
            offset: 0,
            entries: Some(self.root.get_ref()),
            asked: RefCell::default(),
            missing: RefCell::default(),
        }
    }

    /// All complaints in the order of their places.
    pub(super) fn complaints(&self) -> Vec<Complaint> {
        let mut found = self.found.borrow().clone();
        found.sort_by_key(|(offset, _)| *offset);
        found.into_iter().map(|(_, complaint)| complaint).collect()
    }

    /// Every key that was asked for, with its tables.
    pub(super) fn asked(&self) -> BTreeSet<String> {
        self.asked.borrow().clone()
    }
}

/// What to write instead of a line that is no TOML.
fn torn_rule(key: &str, value: &str, message: &str) -> String {
    let starts = |what: fn(char) -> bool| value.starts_with(what);
    if key.starts_with("[[") {
        "write one section each, named, like [bed.long]".to_owned()
    } else if message == "duplicate key" {
        "stands twice; keep one".to_owned()
    } else if key.starts_with('[') {
        "the name of a section stands between [ and ], like [bed.long]".to_owned()
    } else if starts(|c| c.is_ascii_digit() || c == '-') && value.contains(',') {
        "write the number with a decimal point, like 44.5".to_owned()
    } else if starts(char::is_alphanumeric) {
        "words and amounts stand between quotes, like \"7 m2\"".to_owned()
    } else if value.starts_with('"') && value.matches('"').count() == 1 {
        "the closing quote is missing".to_owned()
    } else {
        format!("not TOML: {message}")
    }
}

/// A value as a complaint shows it: on one line, not too long, and never a secret.
fn shown(key: &str, value: &str) -> String {
    let secret = ["pass", "token", "secret"].iter().any(|word| key.contains(word));
    if secret && !key.ends_with("file") && !value.is_empty() {
        return "(not shown)".to_owned();
    }
    let line = value.split_whitespace().collect::<Vec<_>>().join(" ");
    match line.char_indices().nth(SHOWN_CHARS) {
        Some((end, _)) => format!("{}...", line.get(..end).unwrap_or_default()),
        None => line,
    }
}

/// One table of the document, or the place where it would stand.
pub(super) struct Table<'d> {
    document: &'d Document<'d>,
    path: String,
    offset: usize,
    entries: Option<&'d DeTable<'d>>,
    asked: RefCell<BTreeSet<String>>,
    /// Keys that are missing and should not be, with their rules; told when the table is closed.
    missing: RefCell<Vec<(String, String)>>,
}

impl<'d> Table<'d> {
    /// Whether the file holds this table.
    pub(super) fn is_there(&self) -> bool {
        self.entries.is_some()
    }

    /// Whether the table holds this key.
    pub(super) fn has(&self, key: &str) -> bool {
        self.entry(key).is_some()
    }

    fn entry(&self, key: &str) -> Option<(usize, &'d Spanned<DeValue<'d>>)> {
        let (name, value) = self.entries?.get_key_value(key)?;
        Some((name.span().start, value))
    }

    fn full_key(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    fn ask(&self, key: &str) {
        self.asked.borrow_mut().insert(key.to_owned());
        self.document.asked.borrow_mut().insert(self.full_key(key));
    }

    /// Notes that `key` breaks `rule`, at its place or, if it is missing, at its table.
    pub(super) fn complain(&self, key: &str, rule: impl Into<String>) {
        let document = self.document;
        let (offset, value) = match self.entry(key) {
            Some((offset, value)) if value.get_ref().is_table() => (offset, String::new()),
            Some((offset, value)) => {
                let words = document.text.get(value.span()).unwrap_or_default();
                (offset, shown(key, words))
            }
            None => return self.missing.borrow_mut().push((key.to_owned(), rule.into())),
        };
        let line = document.line_of(offset);
        if !document.torn.contains(&line) {
            document.note(offset, line, self.full_key(key), value, rule.into());
        }
    }

    /// Notes that this table as a whole breaks `rule`.
    pub(super) fn complain_whole(&self, rule: impl Into<String>) {
        let line = self.document.line_of(self.offset);
        if !self.document.torn.contains(&line) {
            self.document.note(self.offset, line, self.path.clone(), String::new(), rule.into());
        }
    }

    /// The value of `key`; `None` when it is missing, or wrong and complained about.
    pub(super) fn take<T>(&self, key: &str, parse: impl FnOnce(&DeValue<'_>) -> Parsed<T>) -> Option<T> {
        self.ask(key);
        let (_, value) = self.entry(key)?;
        match parse(value.get_ref()) {
            Ok(value) => Some(value),
            Err(rule) => {
                self.complain(key, rule);
                None
            }
        }
    }

    /// Like [`Table::take`] for a key that must stand; `why` says what to write.
    pub(super) fn need<T>(
        &self,
        key: &str,
        why: &str,
        parse: impl FnOnce(&DeValue<'_>) -> Parsed<T>,
    ) -> Option<T> {
        let value = self.take(key, parse);
        if self.is_there() && !self.has(key) {
            self.complain(key, format!("missing; {why}"));
        }
        value
    }

    /// A table inside this one; a value in its place is complained about.
    pub(super) fn table(&self, key: &str) -> Table<'d> {
        self.ask(key);
        let path = self.full_key(key);
        let (offset, entries) = match self.entry(key) {
            None => (self.offset, None),
            Some((offset, value)) => match value.get_ref() {
                DeValue::Table(entries) => (offset, Some(entries)),
                DeValue::Array(_) => {
                    self.complain(key, format!("write one section each, named: [{path}.NAME]"));
                    (offset, None)
                }
                _ => {
                    self.complain(key, format!("a section is wanted here: [{path}]"));
                    (offset, None)
                }
            },
        };
        Table {
            document: self.document,
            path,
            offset,
            entries,
            asked: RefCell::default(),
            missing: RefCell::default(),
        }
    }

    /// The tables inside this one with their names, in the order of the file.
    pub(super) fn tables(&self) -> Vec<(String, Table<'d>)> {
        let mut names: Vec<_> = self.entries.into_iter().flatten().map(|(name, _)| name).collect();
        names.sort_by_key(|name| name.span().start);
        let tables = names.into_iter().map(|name| (name.to_string(), self.table(name.get_ref())));
        tables.collect()
    }

    /// Complains about every key that nobody asked for, and about those that are missing: save one that
    /// an unknown key was meant to be, or that may stand on a line that could not be read.
    pub(super) fn close(self) {
        let asked = self.asked.borrow();
        let mut meant = BTreeSet::new();
        for (name, _) in self.entries.into_iter().flatten() {
            let key = name.get_ref().as_ref();
            if asked.contains(key) {
                continue;
            }
            let rule = match nearest(key, asked.iter().map(String::as_str)) {
                Some(known) => {
                    meant.insert(known);
                    format!("no such key; did you mean {known}?")
                }
                None => {
                    let known = asked.iter().map(String::as_str).collect::<Vec<_>>().join(", ");
                    format!("no such key; known here: {known}")
                }
            };
            self.complain(key, rule);
        }
        for (key, rule) in self.missing.take() {
            let line = self.document.line_of(self.offset);
            if !meant.contains(key.as_str()) && !self.document.may_be_torn(&key) {
                let nothing = "(nothing)".to_owned();
                self.document.note(self.offset, line, self.full_key(&key), nothing, rule);
            }
        }
    }
}

/// The known word nearest to `word`, if it is near enough to be meant.
pub(super) fn nearest<'k>(word: &str, known: impl Iterator<Item = &'k str>) -> Option<&'k str> {
    let limit = (word.chars().count() / 3).clamp(1, 4);
    let word = word.to_lowercase();
    known
        .map(|known| (distance(&word, &known.to_lowercase()), known))
        .filter(|(far, _)| *far <= limit)
        .min_by_key(|(far, _)| *far)
        .map(|(_, known)| known)
}

/// How many letters must be put in, left out, changed or swapped with their neighbour to make one word of
/// the other.
fn distance(one: &str, other: &str) -> usize {
    let (one, other): (Vec<char>, Vec<char>) = (one.chars().collect(), other.chars().collect());
    let at = |row: &[usize], column: usize| row.get(column).copied().unwrap_or(usize::MAX / 2);
    let mut before: Vec<usize> = Vec::new();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (line, letter) in one.iter().enumerate() {
        let mut next = vec![line + 1];
        for (column, there) in other.iter().enumerate() {
            let changed = at(&row, column) + usize::from(letter != there);
            let left_out = (at(&row, column + 1) + 1).min(at(&next, column) + 1);
            let swapped = match (line.checked_sub(1), column.checked_sub(1)) {
                (Some(up), Some(left)) if one.get(up) == Some(there) && other.get(left) == Some(letter) => {
                    at(&before, left) + 1
                }
                _ => usize::MAX,
            };
            next.push(changed.min(left_out).min(swapped));
        }
        before = std::mem::replace(&mut row, next);
    }
    row.last().copied().unwrap_or_default()
}
