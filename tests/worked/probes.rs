//! The quality rules on the edited line that flagit 0.3 was run on (sat_point 50, depth_from 0.05, no rain, air
//! 20 °C, soil 18 °C).

use std::collections::BTreeMap;

use agronomy::quality::{self, Flag, Flags, Series};

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

fn hours_of(flags: &[Flags], flag: Flag) -> Vec<usize> {
    flags.iter().enumerate().filter(|(_, of)| of.has(flag)).map(|(at, _)| at).collect()
}

/// The winter record in the source archive of flagit 0.3, named by `RINDWATCH_FLAGIT`: its columns by name.
fn winter() -> Option<BTreeMap<String, Vec<Option<f64>>>> {
    let Some(path) = std::env::var_os("RINDWATCH_FLAGIT") else {
        eprintln!(
            "LEFT OUT: RINDWATCH_FLAGIT names no record, the flags of the measured winter are not compared"
        );
        return None;
    };
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    let mut columns: BTreeMap<String, Vec<Option<f64>>> = BTreeMap::new();
    for line in lines {
        for (name, word) in names.iter().zip(line.split(',')) {
            columns.entry((*name).to_owned()).or_default().push(word.parse().ok());
        }
    }
    Some(columns)
}

/// Hours as flagit 0.3 gave them (pandas 2.0.3, depth_from 0.05, sat_point 42.7); it drops the one missing hour, so
/// its numbers after hour 572 are one less than the rows. Its authors put in -1 at 30, 1.0 at 40 to 59, 70 at 70
/// and 45 at 80 to 99: C01, D07 with D09, C02 and D08 with D10 are where they must be by that alone.
#[test]
fn the_flags_of_a_measured_winter_are_those_of_the_reference_code() {
    let Some(winter) = winter() else { return };
    let theta: Vec<Option<f64>> =
        winter["soil_moisture"].iter().map(|value| value.map(|percent| percent / 100.0)).collect();
    let gap = theta.iter().position(Option::is_none).unwrap();
    let flags = quality::flags(&Series {
        theta: &theta,
        water_mm: &winter["precipitation"],
        soil_c: &winter["soil_temperature"],
        air_c: &winter["air_temperature"],
        saturation: Some(0.427 + 1e-9),
        depth_m: Some(0.05),
    })
    .unwrap();
    let of = |flag| -> Vec<usize> {
        hours_of(&flags, flag).into_iter().map(|at| at - usize::from(at > gap)).collect()
    };
    assert_eq!(of(Flag::C01), [30]);
    assert_eq!(of(Flag::C02), [70]);
    assert_eq!(of(Flag::C03).len(), 88);
    assert_eq!((of(Flag::D01).len(), of(Flag::D02).len()), (136, 338));
    let d04 = of(Flag::D04);
    assert_eq!(d04.len(), 72, "{d04:?}");
    assert_eq!((&d04[..5], &d04[67..]), (&[70, 80, 124, 129, 130][..], &[537, 605, 606, 607, 610][..]));
    assert_eq!(of(Flag::D06), [30]);
    assert_eq!(of(Flag::D07), [40, 100]);
    assert_eq!(of(Flag::D08), [60, 80]);
    assert_eq!(of(Flag::D09), (40..60).collect::<Vec<_>>());
    assert_eq!(of(Flag::D10), (80..100).chain(254..272).collect::<Vec<_>>());
}
