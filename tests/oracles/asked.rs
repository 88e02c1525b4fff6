//! Putting a question to a library, and holding its answers against ours.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Rows of numbers under names, as they go to a script.
pub struct Table {
    names: Vec<&'static str>,
    rows: Vec<Vec<f64>>,
}

impl Table {
    pub fn new(names: &[&'static str]) -> Self {
        Self { names: names.to_vec(), rows: Vec::new() }
    }

    pub fn push(&mut self, row: &[f64]) {
        assert_eq!(row.len(), self.names.len());
        assert!(row.iter().all(|value| value.is_finite()), "{row:?}");
        self.rows.push(row.to_vec());
    }

    pub fn len(&self) -> usize {
        self.rows.len()
    }

    fn write(&self, path: &Path) {
        let mut file = csv::Writer::from_path(path).expect("a table to write");
        file.write_record(&self.names).expect("its header");
        for row in &self.rows {
            // The shortest text that reads back as the same number.
            file.write_record(row.iter().map(f64::to_string)).expect("a row");
        }
        file.flush().expect("the table on disk");
    }
}

/// What came back: columns of numbers, each as long as the script's table.
pub struct Answers {
    columns: BTreeMap<String, Vec<f64>>,
}

impl Answers {
    /// The column `name`, which must hold `rows` numbers.
    pub fn column(&self, name: &str, rows: usize) -> Vec<f64> {
        let column = self.every(name);
        assert_eq!(column.len(), rows, "rows of {name}");
        column
    }

    /// The column `name`, however many numbers the script found.
    pub fn every(&self, name: &str) -> Vec<f64> {
        self.columns.get(name).unwrap_or_else(|| panic!("no column {name}")).clone()
    }
}

fn python() -> PathBuf {
    PathBuf::from(std::env::var_os("RINDWATCH_ORACLES").expect(
        "RINDWATCH_ORACLES names no Python with the reference libraries: ./tests/run makes one under target/oracles",
    ))
}

/// Runs `tests/oracles/SCRIPT.py` over `tables`, each a file `NAME.csv` of its folder; it leaves
/// `answers.csv` there.
pub fn ask(script: &str, tables: &[(&str, &Table)]) -> Answers {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, table) in tables {
        table.write(&folder.path().join(format!("{name}.csv")));
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/oracles").join(format!("{script}.py"));
    let run = Command::new(python()).arg(&script).arg(folder.path()).output().expect("Python to start");
    assert!(run.status.success(), "{}: {}", script.display(), String::from_utf8_lossy(&run.stderr));

    let mut file = csv::Reader::from_path(folder.path().join("answers.csv")).expect("answers");
    let names: Vec<String> = file.headers().expect("their header").iter().map(str::to_owned).collect();
    let mut columns: BTreeMap<String, Vec<f64>> =
        names.iter().map(|name| (name.clone(), Vec::new())).collect();
    for record in file.records() {
        for (name, text) in names.iter().zip(&record.expect("an answer")) {
            let value = text.parse().unwrap_or_else(|_| panic!("{name}: `{text}` is not a number"));
            columns.get_mut(name).expect("a column").push(value);
        }
    }
    Answers { columns }
}

/// One quantity reckoned twice.
pub struct Check {
    /// Which quantity against whose, with its unit.
    pub what: &'static str,
    /// Furthest the two may lie apart.
    pub bound: f64,
    pub ours: Vec<f64>,
    pub theirs: Vec<f64>,
}

impl Check {
    /// The furthest two values lie apart and in which row, or what is wrong.
    fn worst(&self) -> Result<(f64, usize), String> {
        if self.ours.len() != self.theirs.len() || self.ours.is_empty() {
            return Err(format!("{} values against {}", self.ours.len(), self.theirs.len()));
        }
        let mut worst = (0.0, 0);
        for (at, (ours, theirs)) in self.ours.iter().zip(&self.theirs).enumerate() {
            let off = (ours - theirs).abs();
            if !off.is_finite() {
                return Err(format!("row {at}: {ours} against {theirs}"));
            }
            if off > worst.0 {
                worst = (off, at);
            }
        }
        let (off, at) = worst;
        if off > self.bound {
            return Err(format!(
                "row {at}: {} against {}, {off:e} apart, over {:e}",
                self.ours[at], self.theirs[at], self.bound
            ));
        }
        Ok(worst)
    }
}

/// Prints how far apart the two came, and stops at a check that does not hold, or that still holds when one of
/// our values is moved further than its bound.
pub fn prove(checks: Vec<Check>) {
    for mut check in checks {
        let (off, at) = check.worst().unwrap_or_else(|words| panic!("{}: {words}", check.what));
        println!(
            "{}: at most {off:.3e} apart in {} values (bound {:e})",
            check.what,
            check.ours.len(),
            check.bound
        );
        for altered in [0, at, check.ours.len() - 1] {
            let kept = check.ours[altered];
            // Away from their value, so that the difference is over the bound by a tenth of it.
            let side = if kept < check.theirs[altered] { -1.0 } else { 1.0 };
            check.ours[altered] = check.theirs[altered] + side * 1.1 * check.bound;
            assert!(check.worst().is_err(), "{}: an altered value in row {altered} passed", check.what);
            check.ours[altered] = kept;
        }
    }
}

#[test]
fn a_check_that_does_not_hold_is_seen() {
    let check = |ours: &[f64], theirs: &[f64]| {
        Check { what: "", bound: 0.5, ours: ours.to_vec(), theirs: theirs.to_vec() }.worst()
    };
    assert_eq!(check(&[1.0, 2.25], &[1.0, 2.0]), Ok((0.25, 1)));
    assert!(check(&[1.0, 2.6], &[1.0, 2.0]).is_err());
    assert!(check(&[1.0, f64::NAN], &[1.0, 2.0]).is_err());
    assert!(check(&[1.0], &[f64::INFINITY]).is_err());
    assert!(check(&[1.0], &[1.0, 2.0]).is_err());
    assert!(check(&[], &[]).is_err());
}
