//! Worked examples: every formula of the `agronomy` crate against figures that others printed or computed.
//!
//! The rows stand in `tests/worked/*.csv`, one a figure:
//! `function,inputs,expected,tolerance,source,certainty`. A row whose function, source or certainty is not
//! known here fails; so does a row that says again what another has said. Tolerances are half a unit of the
//! last digit that the source prints, or what two conventions of the same formula differ by.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[path = "worked/formulas.rs"]
mod formulas;
#[path = "worked/fruit.rs"]
mod fruit;
#[path = "worked/leaves.rs"]
mod leaves;
#[path = "worked/probes.rs"]
mod probes;
#[path = "worked/season.rs"]
mod season;
#[path = "worked/trade.rs"]
mod trade;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Where figures come from. The first word of a row's source is one of these; the rest says where in it.
const SOURCES: [(&str, &str); 31] = [
    (
        "fao56",
        "Allen, Pereira, Raes, Smith 1998, FAO Irrigation and Drainage Paper 56: answers of its numbered \
         examples, as quoted in the public tests of PyETo and pyet and the NCL manual; those of certainty \
         `memory` are remembered and agree with independent arithmetic",
    ),
    ("refet", "PyPI refet 0.5.0, and figures printed in the tests of 0.4.2 (Apache-2.0)"),
    ("pyet", "PyPI pyet 1.5.0"),
    ("pyfao56", "PyPI pyfao56 1.4.3"),
    ("pcse", "PyPI pcse 6.0.13, data file of Munich airport, its own column"),
    ("psychrolib", "PyPI PsychroLib 2.5.0 (ASHRAE formulas)"),
    ("astral", "PyPI astral 3.2"),
    ("spa", "NREL solar position algorithm, as in PyPI pvlib 0.16.1"),
    ("stull2011", "Stull 2011, J. Appl. Meteor. Climatol. 50:2267, formula from memory"),
    ("saxton2006", "Saxton & Rawls 2006, Soil Sci. Soc. Am. J. 70:1569"),
    ("rosetta", "Rosetta v3 by PyPI rosetta-soil 0.3.2"),
    ("topp1980", "Topp, Davis, Annan 1980, Water Resour. Res. 16:574, coefficients from memory"),
    ("gddpy", "PyPI gddPy 1.0.3, its averages"),
    ("nonlineartemppy", "PyPI nonlineartemppy 0.201, its sine"),
    ("frostbook", "Snyder & de Melo-Abreu 2005, FAO Environment and Natural Resources 10, chapter 5"),
    ("duchon2014", "Duchon et al. 2014, J. Atmos. Oceanic Technol. 31:1330, figures of its abstract"),
    ("monash2024", "Water 16:998 (2024), spacing of tips at 100 mm/h"),
    ("wmo", "classes of rain intensity of the World Meteorological Organization"),
    ("sentelhas", "Sentelhas et al., XVI Brazilian congress of agrometeorology, leaf wetness by humidity"),
    ("kim2002", "Kim, Taylor, Gleason, Koehler 2002, Plant Disease 86:179, coefficients from memory"),
    ("leaflets", "vegetable leaflets of Cornell, Massachusetts and Purdue on powdery mildew of cucurbits"),
    ("cohen1977", "downy mildew of cucumber by wet hours and temperature; author from memory"),
    ("arny1991", "Arny & Rowe 1991, Phytopathology 81:206"),
    ("evans1992", "Evans, Nyquist, Latin 1992, Phytopathology 82:890"),
    ("magarey2005", "Magarey, Sutton, Thayer 2005, Phytopathology 95:92, form from memory"),
    ("flagit", "PyPI flagit 0.3 (MIT), the quality rules of Dorigo et al. 2013"),
    ("trade", "common practice, no source: what growers know, see `worked/trade.rs`"),
    (
        "souza2017",
        "Souza et al. 2017, Agrociencia (Uruguay) 21(2): C. moschata, base 12 and upper limit 35 °C",
    ),
    ("taylor1997", "Taylor 1997, as cited in Maynard 2007, Cucurbit crop growth and development, Purdue"),
    ("perry1996", "Perry & Wehner 1996, HortTechnology 6(1):27, cucumber"),
    ("own", "independent code or arithmetic of this project's authors, not the crate"),
];

/// How sure a figure is; `practice` is common practice, no source.
const CERTAINTIES: [&str; 5] = ["published", "library", "calculated", "memory", "practice"];

#[derive(Debug, Clone)]
struct Row {
    place: String,
    function: String,
    inputs: String,
    expected: f64,
    tolerance: f64,
    source: String,
    certainty: String,
}

/// The `name=value` pairs of a row, each of which must be asked for.
pub struct Inputs<'a> {
    pairs: BTreeMap<&'a str, &'a str>,
    asked: std::cell::RefCell<BTreeSet<&'a str>>,
}

impl<'a> Inputs<'a> {
    fn parse(text: &'a str) -> Result<Self, String> {
        let mut pairs = BTreeMap::new();
        for pair in text.split_whitespace() {
            let (name, value) = pair.split_once('=').ok_or(format!("`{pair}` is not name=value"))?;
            if pairs.insert(name, value).is_some() {
                return Err(format!("`{name}` stands twice"));
            }
        }
        Ok(Self { pairs, asked: Default::default() })
    }

    /// The word given for `name`.
    pub fn word(&self, name: &str) -> Result<&'a str, String> {
        let (name, value) = self.pairs.get_key_value(name).ok_or(format!("`{name}` is missing"))?;
        self.asked.borrow_mut().insert(name);
        Ok(value)
    }

    /// The number given for `name`.
    pub fn number(&self, name: &str) -> Result<f64, String> {
        let word = self.word(name)?;
        word.parse().map_err(|_| format!("{name}={word} is not a number"))
    }

    /// The day of the year.
    pub fn day_of_year(&self) -> Result<u16, String> {
        Ok(self.number("day_of_year")? as u16)
    }

    fn unasked(&self) -> Option<&'a str> {
        let asked = self.asked.borrow();
        self.pairs.keys().copied().find(|name| !asked.contains(name))
    }

    /// One spelling for one set of inputs, so that `5` and `5.0` are seen as the same.
    fn canonical(&self) -> String {
        let value = |word: &str| word.parse::<f64>().map_or(word.to_owned(), |number| number.to_string());
        self.pairs.iter().map(|(name, word)| format!("{name}={} ", value(word))).collect()
    }
}

fn rows() -> Vec<Row> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/worked");
    let mut files: Vec<_> = std::fs::read_dir(&folder)
        .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
        .map(|entry| entry.expect("a folder entry").path())
        .filter(|path| path.extension().is_some_and(|end| end == "csv"))
        .collect();
    files.sort();
    let mut rows = Vec::new();
    for path in files {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let mut reader = csv::Reader::from_path(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
        let header = reader.headers().unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(header, vec!["function", "inputs", "expected", "tolerance", "source", "certainty"]);
        for record in reader.records() {
            let record = record.unwrap_or_else(|error| panic!("{name}: {error}"));
            let place = format!("{name}:{}", record.position().map_or(0, csv::Position::line));
            let number = |at: usize| {
                record[at].parse().unwrap_or_else(|_| panic!("{place}: `{}` is not a number", &record[at]))
            };
            rows.push(Row {
                function: record[0].to_owned(),
                inputs: record[1].to_owned(),
                expected: number(2),
                tolerance: number(3),
                source: record[4].to_owned(),
                certainty: record[5].to_owned(),
                place,
            });
        }
    }
    rows
}

/// Everything that is wrong with these rows.
fn complaints(rows: &[Row]) -> Vec<String> {
    let mut seen = BTreeSet::new();
    rows.iter()
        .filter_map(|row| {
            let words = complaint(row, &mut seen)?;
            Some(format!("{} {}({}): {words}", row.place, row.function, row.inputs))
        })
        .collect()
}

fn complaint(row: &Row, seen: &mut BTreeSet<String>) -> Option<String> {
    let source = row.source.split_whitespace().next().unwrap_or_default();
    if !SOURCES.iter().any(|(key, _)| *key == source) {
        return Some(format!("source `{source}` is not listed"));
    }
    if !CERTAINTIES.contains(&row.certainty.as_str()) {
        return Some(format!("certainty `{}` is not one of {CERTAINTIES:?}", row.certainty));
    }
    let inputs = match Inputs::parse(&row.inputs) {
        Ok(inputs) => inputs,
        Err(words) => return Some(words),
    };
    if !seen.insert(format!("{} {} {source}", row.function, inputs.canonical())) {
        return Some("has been said by another row of the same source".to_owned());
    }
    let got = match formulas::evaluate(&row.function, &inputs) {
        Ok(got) => got,
        Err(words) => return Some(words),
    };
    if let Some(name) = inputs.unasked() {
        return Some(format!("input `{name}` means nothing here"));
    }
    let off = (got - row.expected).abs();
    (off.is_nan() || off > row.tolerance || row.tolerance <= 0.0)
        .then(|| format!("{got} is not {} ± {} of {}", row.expected, row.tolerance, row.source))
}

#[test]
fn every_row_agrees() {
    let complaints = complaints(&rows());
    assert!(complaints.is_empty(), "{} rows:\n{}", complaints.len(), complaints.join("\n"));
}

#[test]
fn there_are_rows_enough_and_every_source_is_used() {
    let rows = rows();
    assert!(rows.len() >= 900, "{} rows", rows.len());
    for (key, title) in SOURCES {
        let used = rows.iter().any(|row| row.source.split_whitespace().next() == Some(key));
        assert!(used, "{key} is not used: {title}");
    }
}

#[test]
fn an_altered_expectation_is_seen() {
    let rows = rows();
    for at in (0..rows.len()).step_by(7) {
        for sign in [-1.0, 1.0] {
            let mut altered = rows[at].clone();
            altered.expected += sign * (2.1 * altered.tolerance);
            assert_eq!(complaints(std::slice::from_ref(&altered)).len(), 1, "{altered:?}");
        }
    }
}

#[test]
fn an_unknown_function_source_certainty_or_input_is_refused() {
    let good = rows().swap_remove(0);
    assert!(complaints(std::slice::from_ref(&good)).is_empty());
    let bad = [
        Row { function: "guess".to_owned(), ..good.clone() },
        Row { source: "hearsay".to_owned(), ..good.clone() },
        Row { certainty: "sure".to_owned(), ..good.clone() },
        Row { inputs: format!("{} moon=1", good.inputs), ..good.clone() },
        Row { inputs: String::new(), ..good.clone() },
        Row { tolerance: f64::NAN, expected: f64::NAN, ..good.clone() },
    ];
    assert_eq!(complaints(&bad).len(), bad.len(), "{:?}", complaints(&bad));
}

#[test]
fn a_row_said_twice_is_refused() {
    let good = rows().swap_remove(0);
    let mut again = good.clone();
    again.inputs = again.inputs.replace("=1800", "=1800.0");
    assert_eq!(complaints(&[good.clone(), good]).len(), 1);
    assert_eq!(complaints(&[again.clone(), again]).len(), 1);
}
