//! The evidence of a task as a table: the last 24 hours against the marks.

use crate::mail::amounts;
use crate::mail::catalogue::{self, Voice, heading};
use crate::record::{Evidence, EvidenceRow};

/// Widest table, characters.
const WIDTH: usize = 78;
/// Widest first column, characters.
const NAME_WIDTH: usize = 26;
/// Gap between columns.
const GAP: usize = 2;
/// What stands where there is no reading.
const NO_READING: &str = "-";

/// A table of words, ready for either form of a letter.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Table {
    /// Heading of each column, the first being that of the names.
    pub columns: Vec<String>,
    /// Rows of as many cells.
    pub rows: Vec<Vec<String>>,
    /// The last column holds the marks.
    pub has_marks: bool,
    /// Lines under the table.
    pub notes: Vec<String>,
}

impl Table {
    /// The table of `evidence`; `None` if there is nothing to show. Columns are thinned until the table
    /// is narrow enough for any mail program; the newest always stays.
    pub fn of(evidence: &Evidence, voice: &Voice) -> Option<Self> {
        let mut step = 1;
        let mut table = Self::with_columns(evidence, step, voice)?;
        while step < evidence.at_ms.len() && table.width() > WIDTH {
            step += 1;
            table = Self::with_columns(evidence, step, voice)?;
        }
        Some(table)
    }

    fn with_columns(evidence: &Evidence, step: usize, voice: &Voice) -> Option<Self> {
        let picked = every(step, evidence.at_ms.len());
        let has_marks = evidence.rows.iter().any(|row| row.mark.is_some());
        let mut columns = vec![heading::LAST_DAY.to_owned()];
        for at in &picked {
            let at_ms = evidence.at_ms.get(*at).copied().unwrap_or_default();
            columns.push(amounts::local(at_ms, voice.garden.zone).format("%H:%M").to_string());
        }
        if has_marks {
            columns.push(heading::MARK.to_owned());
        }
        let rows: Vec<Vec<String>> =
            evidence.rows.iter().map(|row| cells(row, &picked, has_marks, voice)).collect();
        let mut notes = Vec::new();
        if evidence.rows.iter().any(|row| row.guessed) {
            notes.push(heading::GUESS.to_owned());
        }
        if !evidence.guesses.is_empty() {
            let guesses: Vec<String> = evidence
                .guesses
                .iter()
                .map(|guess| amounts::spreads_in_units(guess, voice.units()))
                .collect();
            notes.push(format!("{}: {}.", heading::GUESSED, guesses.join("; ")));
        }
        let empty = rows.is_empty() && notes.is_empty();
        (!empty).then_some(Self { columns, rows, has_marks, notes })
    }

    /// Width of each column, characters.
    fn widths(&self) -> Vec<usize> {
        let cell_width = |column: usize| {
            let of_rows = self.rows.iter().filter_map(|row| row.get(column));
            of_rows.chain(self.columns.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
        };
        (0..self.columns.len()).map(cell_width).collect()
    }

    fn width(&self) -> usize {
        let widths = self.widths();
        widths.iter().sum::<usize>() + GAP * widths.len().saturating_sub(1)
    }

    /// The table in lines of even columns: names to the left, figures to the right.
    pub fn lines(&self) -> Vec<String> {
        let widths = self.widths();
        let line = |cells: &Vec<String>| {
            let mut line = String::new();
            for (at, (cell, width)) in cells.iter().zip(&widths).enumerate() {
                let pad = " ".repeat(width.saturating_sub(cell.chars().count()));
                if at == 0 {
                    line.push_str(cell);
                    line.push_str(&pad);
                } else {
                    line.push_str(&" ".repeat(GAP));
                    line.push_str(&pad);
                    line.push_str(cell);
                }
            }
            line.trim_end().to_owned()
        };
        if self.rows.is_empty() {
            return Vec::new();
        }
        std::iter::once(&self.columns).chain(&self.rows).map(line).collect()
    }
}

/// Every `step`th of `all` places, the last among them.
fn every(step: usize, all: usize) -> Vec<usize> {
    let mut picked: Vec<usize> = (0..all).rev().step_by(step).collect();
    picked.reverse();
    picked
}

fn cells(row: &EvidenceRow, picked: &[usize], has_marks: bool, voice: &Voice) -> Vec<String> {
    let shown = |value: f64| amounts::in_units(value, &row.unit, voice.units());
    let name = catalogue::outside(&catalogue::row_name(&row.what, voice), NAME_WIDTH);
    let unit = shown(0.0).1;
    let mut cells = vec![if unit.is_empty() { name } else { format!("{name}, {unit}") }];
    let guess = if row.guessed { "~" } else { "" };
    for at in picked {
        cells.push(match row.values.get(*at).copied().flatten() {
            Some(value) => format!("{guess}{}", shown(value).0),
            None => NO_READING.to_owned(),
        });
    }
    if has_marks {
        cells.push(match &row.mark {
            Some((word, value)) => {
                format!("{} {}", catalogue::outside(word.trim_end_matches(" mark"), 12), shown(*value).0)
            }
            None => String::new(),
        });
    }
    cells
}
