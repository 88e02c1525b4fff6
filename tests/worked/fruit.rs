//! Fruit: volumes of the tape, density, growth curves.

use agronomy::fruit::{self, Density, Tape, Way};
use agronomy::growth::{self, Growth, Shape};

use crate::Inputs;

/// The value of `function`; `None` when it is none of the fruit.
pub fn of_fruit(function: &str, row: &Inputs<'_>) -> Result<Option<f64>, String> {
    let n = |name| row.number(name);
    let value = match function {
        "tape_litres" => {
            let tape = Tape {
                around_cm: Some(n("around_cm")?),
                stem_cm: n("stem_cm").ok(),
                side_cm: n("side_cm").ok(),
                length_cm: n("length_cm").ok(),
            };
            fruit::form(&tape).map(|form| form.volume_l)
        }
        "ellipse_perimeter" => fruit::ellipse_perimeter(n("a")?, n("b")?),
        "spheroid_litres" => fruit::spheroid_litres(n("around_cm")?, n("height_by_width")?),
        "growth_kg" => return curve(row)?.kg(n("day")?).map(Some).map_err(|error| error.to_string()),
        "growth_kg_day" => return curve(row)?.kg_day(n("day")?).map(Some).map_err(|error| error.to_string()),
        "growth_peak_kg" => return Ok(Some(curve(row)?.peak().kg)),
        "growth_peak_kg_day" => return Ok(Some(curve(row)?.peak().kg_day)),
        "daily_gain" => growth::daily_gain((n("day")?, n("kg")?), (n("later_day")?, n("later_kg")?)),
        "density" => {
            let list = |name| -> Result<Vec<f64>, String> {
                row.word(name)?.split(';').map(|one| one.parse().map_err(|_| one.to_owned())).collect()
            };
            let weighed: Vec<(f64, f64)> = list("volumes")?.into_iter().zip(list("masses")?).collect();
            let what = row.word("what")?;
            Density::fit(Way::Three, &weighed)
                .map(|fitted| if what == "kg_l" { fitted.kg_l } else { fitted.sd_kg_l })
        }
        _ => return Ok(None),
    };
    value.map(Some).map_err(|error| error.to_string())
}

fn curve(row: &Inputs<'_>) -> Result<Growth, String> {
    let shape = match row.word("curve")? {
        "logistic" => Shape::Logistic,
        "gompertz" => Shape::Gompertz,
        _ => Shape::Richards(row.number("nu")?),
    };
    Growth::new(shape, row.number("final_kg")?, row.number("rate")?, row.number("peak_day")?)
        .map_err(|error| error.to_string())
}
