//! The quality rules on the edited line that flagit 0.3 was run on (sat_point 50, depth_from 0.05, no rain, air
//! 20 °C, soil 18 °C).

use agronomy::quality::{self, Flag, Series};

use crate::Inputs;
use crate::formulas::Answer;

/// 30 − 0.02 t percent over 288 hours; 40 % more at 50, −1 at 80, 65 at 100, 6 less from 150 on, 8 more from 250 on,
/// 20.00 at 200 to 229.
fn edited() -> Vec<Option<f64>> {
    let percent = |at: u32| match at {
        50 => 1.4 * 29.0,
        80 => -1.0,
        100 => 65.0,
        200..230 => 20.0,
        _ => {
            let line = 30.0 - 0.02 * f64::from(at);
            line - if at >= 150 { 6.0 } else { 0.0 } + if at >= 250 { 8.0 } else { 0.0 }
        }
    };
    (0..288).map(|at| Some(percent(at) / 100.0)).collect()
}

pub fn of_probes(function: &str, row: &Inputs<'_>) -> Answer {
    if function != "quality" {
        return Ok(None);
    }
    let theta = edited();
    let mut soil_c = vec![Some(18.0); theta.len()];
    soil_c[120..123].fill(Some(-0.5));
    let flags = quality::flags(&Series {
        theta: &theta,
        water_mm: &vec![Some(0.0); theta.len()],
        soil_c: &soil_c,
        air_c: &vec![Some(20.0); theta.len()],
        saturation: Some(0.5),
        depth_m: Some(0.05),
    })
    .map_err(|error| error.to_string())?;
    let word = row.word("flag")?;
    let flag = Flag::ALL.into_iter().find(|flag| flag.key() == word);
    let mut hours = (0..flags.len()).filter(|at| match flag {
        Some(flag) => flags[*at].has(flag),
        // Ours is not the network's: what it alone flags is good there.
        None => {
            Flag::ALL.into_iter().filter(|flag| *flag != Flag::Repeated).all(|flag| !flags[*at].has(flag))
        }
    });
    if flag.is_none() && word != "good" {
        return Err(format!("no flag {word}"));
    }
    let hour = match row.word("what")? {
        "count" => Some(hours.count()),
        "first" => hours.next(),
        "last" => hours.next_back(),
        what => return Err(format!("no {what} of a flag")),
    };
    hour.map(|hour| Some(hour as f64)).ok_or(format!("{word} is nowhere"))
}
