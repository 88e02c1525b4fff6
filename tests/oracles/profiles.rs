//! Figures of `config/crops` that name a table of FAO-56, against the tables as pyfao56 1.4.3 has them.
//!
//! A source that begins with the table holds the figure itself to it; one that says what the table gives, beside
//! a figure of our judgement, is held to what it says.

use std::path::Path;

use crate::asked::{Table, ask};

/// How sources speak of the crops, by the number the script knows them by.
const CROPS: [(&str, usize); 7] = [
    ("pumpkin and winter squash", 0),
    ("field pumpkins", 0),
    ("winter squash", 0),
    ("watermelon", 1),
    ("sweet melon", 2),
    ("cucumber, fresh market", 3),
    ("cucumber", 3),
];

/// What a source says of a table.
#[derive(Debug, PartialEq)]
struct Claim {
    table: usize,
    crop: usize,
    /// The figures, where the source itself gives them.
    said: Option<Vec<f64>>,
}

/// `None` where no table is named.
fn claim(source: &str) -> Option<Claim> {
    let (_, rest) = source.split_once("FAO-56 table ")?;
    let (number, words) = rest.split_once([',', ' ']).unwrap_or_else(|| panic!("`{source}` names no crop"));
    let words = words.trim_start_matches([' ', ',']);
    let words = words.strip_prefix("gives ").unwrap_or(words);
    let (name, crop) = CROPS
        .iter()
        .find(|(name, _)| words.starts_with(name))
        .unwrap_or_else(|| panic!("no crop in `{source}`"));
    let figures = words[name.len()..].trim_start_matches([':', ' ']).split(';').next().unwrap_or_default();
    let said: Result<Vec<f64>, _> = figures.split(',').map(|word| word.trim().parse()).collect();
    Some(Claim { table: number.parse().unwrap_or_else(|_| panic!("{source}")), crop: *crop, said: said.ok() })
}

fn figures(value: &toml::Value) -> Vec<f64> {
    match value {
        toml::Value::Array(values) => values.iter().flat_map(figures).collect(),
        toml::Value::Float(value) => vec![*value],
        toml::Value::Integer(value) => vec![*value as f64],
        other => panic!("{other:?} is no figure"),
    }
}

/// Claims that no row of the tables bears out; `rows` are (crop, table, figures).
fn untrue(claims: &[(String, Claim, Vec<f64>)], rows: &[(usize, usize, Vec<f64>)]) -> Vec<String> {
    let borne_out = |claim: &Claim, value: &Vec<f64>| {
        let figures = claim.said.as_ref().unwrap_or(value);
        rows.iter()
            .any(|row| (row.0, row.1) == (claim.crop, claim.table) && row.2[..figures.len()] == figures[..])
    };
    claims
        .iter()
        .filter(|(_, claim, value)| !borne_out(claim, value))
        .map(|(place, ..)| place.clone())
        .collect()
}

#[test]
fn crop_figures_are_those_of_the_tables_they_name() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/crops");
    let mut claims = Vec::new();
    for entry in std::fs::read_dir(&folder).expect("profiles") {
        let path = entry.expect("a profile").path();
        let text = std::fs::read_to_string(&path).expect("a profile");
        let profile: toml::Table = text.parse().unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        for (key, figure) in &profile {
            let Some(source) = figure.get("source").and_then(toml::Value::as_str) else { continue };
            if let Some(claim) = claim(source) {
                let place = format!("{}: {key}", path.file_name().unwrap_or_default().to_string_lossy());
                claims.push((place, claim, figures(&figure["value"])));
            }
        }
    }
    assert!(claims.len() >= 20, "{claims:?}");

    let mut crops = Table::new(&["crop"]);
    (0..4).for_each(|crop| crops.push(&[f64::from(crop)]));
    let answers = ask("profiles", &[("crops", &crops)]);
    let columns = ["crop", "table", "a", "b", "c", "d"].map(|name| answers.every(name));
    let rows: Vec<(usize, usize, Vec<f64>)> = (0..columns[0].len())
        .map(|at| {
            let figures = (2..6).map(|column| columns[column][at]).collect();
            (columns[0][at] as usize, columns[1][at] as usize, figures)
        })
        .collect();
    assert_eq!(untrue(&claims, &rows), Vec::<String>::new());

    // Each of them would be missed: a figure a little off is borne out by no row.
    for at in 0..claims.len() {
        let (place, claim, mut value) = claims.swap_remove(at);
        let said = claim.said.map(|mut said| {
            said[0] += 0.01;
            said
        });
        value[0] += 0.01;
        let altered = (place.clone(), Claim { said, ..claim }, value);
        assert_eq!(untrue(std::slice::from_ref(&altered), &rows), [place]);
        claims.push(altered);
        let last = claims.len() - 1;
        claims.swap(at, last);
    }
}

#[test]
fn a_source_says_which_table_and_what_it_gives() {
    let plain = claim("FAO-56 table 12, watermelon");
    assert_eq!(plain, Some(Claim { table: 12, crop: 1, said: None }));
    let beside =
        claim("judgement: FAO-56 table 11 gives field pumpkins 25, 35, 35, 25; a giant stands longer");
    assert_eq!(beside, Some(Claim { table: 11, crop: 0, said: Some(vec![25.0, 35.0, 35.0, 25.0]) }));
    assert_eq!(claim("judgement: common practice"), None);
}
