//! Facts of the trade, common practice without a source, that hold something in this program up.
//!
//! Arithmetic stands in `trade.csv`. What is a rule rather than a figure is held by a test of the engine, named
//! below. The others wait for the letter or form that will say them: the hours in which a flower can be worked
//! (4 to 6 from opening), the two looks after it (at 48 h, and again at a week), pollen of several males, a fruit
//! far enough from the stump (3 to 4.5 m) on level ground, airy vines against mildew, and nodes that root where
//! they are buried and kept moist.

use std::path::Path;

use rindwatch::mail::amounts;
use rindwatch::settings::garden::Units;

use crate::Inputs;
use crate::formulas::Answer;

/// Of a letter's own words, so that what a grower reads is what is checked.
pub fn of_trade(function: &str, row: &Inputs<'_>) -> Answer {
    let words = match function {
        "can_kg" => amounts::weight(row.number("can_l")?, Units::Metric),
        "cans" => amounts::cans(row.number("litres")?, row.number("can_l")?),
        _ => return Ok(None),
    };
    let (figure, unit) = words.split_once(' ').ok_or(format!("`{words}` has no unit"))?;
    let expected = if function == "can_kg" { "kg" } else { "cans" };
    if unit != expected {
        return Err(format!("`{words}` is not told in {expected}"));
    }
    figure.parse().map(Some).map_err(|_| format!("`{words}` begins with no number"))
}

/// A fact, and the file and name of the test that would turn red if the program forgot it.
const HELD: [(&str, &str, &str); 4] = [
    ("shaded young skin stays soft and splits less", "engine/weather.rs", "only_an_exposed_fruit_is_shaded"),
    (
        "too much after too little splits fruit",
        "engine/water.rs",
        "after_a_dry_spell_the_dose_is_spread_while_a_fruit_may_split",
    ),
    (
        "a soaking rain on a dry bed is a reason to hold back",
        "engine/water.rs",
        "hold_water_comes_after_much_rain_on_a_dry_bed_or_a_day_above_full",
    ),
    (
        "water is given until the bed is full, not beyond",
        "engine/water.rs",
        "the_dose_leads_to_the_full_mark_and_not_beyond",
    ),
];

fn missing(held: &[(&'static str, &str, &str)]) -> Vec<&'static str> {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests");
    let stands = |file: &str, name: &str| {
        std::fs::read_to_string(tests.join(file))
            .is_ok_and(|text| text.contains(&format!("#[test]\nfn {name}()")))
    };
    held.iter().filter(|(_, file, name)| !stands(file, name)).map(|(fact, _, _)| *fact).collect()
}

#[test]
fn facts_that_are_rules_have_a_test_each() {
    assert_eq!(missing(&HELD), Vec::<&str>::new());
    assert_eq!(missing(&[("nobody holds this", "engine/water.rs", "no_such_test")]), ["nobody holds this"]);
}
