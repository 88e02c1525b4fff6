//! What is wrong with a settings file, and where.

use std::fmt;

/// One complaint: a place, what stands there, and the rule it breaks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Complaint {
    /// The file as it was named.
    pub file: String,
    /// Line, counted from 1; 0 when the file could not be read at all.
    pub line: usize,
    /// Key with its tables, like `bed.long.rooted`.
    pub key: String,
    /// What stands there, as written; `(nothing)` for a key that is missing, `(not shown)` for a secret.
    pub value: String,
    /// The rule, in words that say what to write instead.
    pub rule: String,
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { file, line, key, value, rule } = self;
        let (key, value, rule) = (Plain(key), Plain(value), Plain(rule));
        match (line, self.value.is_empty()) {
            (0, _) => write!(f, "{file}: {rule}"),
            (_, true) => write!(f, "{file}:{line} {key}: {rule}"),
            (_, false) => write!(f, "{file}:{line} {key} = {value}: {rule}"),
        }
    }
}

/// Words of the file, with its control characters spelled out: a complaint is shown on a terminal.
struct Plain<'a>(&'a str);

impl fmt::Display for Plain<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.chars().try_for_each(|c| match c {
            '\n' => fmt::Write::write_char(f, c),
            c if c.is_control() => write!(f, "{}", c.escape_default()),
            c => fmt::Write::write_char(f, c),
        })
    }
}

/// All complaints about one file, in the order of their places; never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Complaints(pub Vec<Complaint>);

impl fmt::Display for Complaints {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, complaint) in self.0.iter().enumerate() {
            if at > 0 {
                f.write_str("\n")?;
            }
            complaint.fmt(f)?;
        }
        Ok(())
    }
}

impl std::error::Error for Complaints {}
