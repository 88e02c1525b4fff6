//! Rows of rain and of the weather in which leaves fall sick.

use agronomy::sickness::{self, Favour, Infection};
use agronomy::{Error, rain};

use crate::Inputs;
use crate::formulas::{Answer, known};

pub fn of_rain(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    known(match function {
        "share_lost" => rain::share_lost(n("measured_mm_h")?, n("tip_mm")?, n("lost_s")?),
        "true_rate_mm_h" => rain::true_rate_mm_h(n("measured_mm_h")?, n("tip_mm")?, n("lost_s")?),
        "tip_rate_mm_h" => rain::tip_rate_mm_h(n("tip_mm")?, n("since_s")?),
        "intensity" => rain::intensity(n("rate_mm_h")?).map(|class| f64::from(class as u8)),
        "dry_spell_days" => {
            rain::dry_spell(&values(row.word("days")?)?, n("under_mm")?).map(|spell| spell.days as f64)
        }
        "rain_total_mm" => {
            let total = rain::total(&values(row.word("hours")?)?).map_err(|error| error.to_string())?;
            return total.ok_or("nothing seen".to_owned()).map(|total| Some(total.mm));
        }
        _ => return Ok(None),
    })
}

/// `0/1.5/?`: values seen and not seen.
fn values(list: &str) -> Result<Vec<Option<f64>>, String> {
    let one = |word: &str| match word {
        "?" => Ok(None),
        word => word.parse().map(Some).map_err(|_| format!("`{word}` is no number")),
    };
    list.split('/').map(one).collect()
}

pub fn of_leaves(function: &str, row: &Inputs<'_>) -> Answer {
    let n = |name| row.number(name);
    let said = |answer: Result<bool, Error>| answer.map(|yes| f64::from(u8::from(yes)));
    let infection = |least_h| {
        let infection = Infection::new(n("min_c")?, n("best_c")?, n("max_c")?, least_h);
        infection.map_err(|error| error.to_string())
    };
    known(match function {
        "leaf_score" => {
            let (t, rh, dpd, wind) = (n("air_c")?, n("rh_pct")?, n("depression_c")?, n("wind_m_s")?);
            sickness::regression_score(t, rh, dpd, wind).map(|(score, _)| score)
        }
        "leaf_wet_regression" => {
            let (t, rh, dpd, wind) = (n("air_c")?, n("rh_pct")?, n("depression_c")?, n("wind_m_s")?);
            said(sickness::wet_by_regression(t, rh, dpd, wind))
        }
        "leaf_depression_c" => sickness::depression_c(n("air_c")?, n("rh_pct")?),
        "leaf_wet_humidity" => said(sickness::wet_by_humidity(n("rh_pct")?)),
        "leaf_wet_depression" => said(sickness::wet_by_depression(n("was")? > 0.0, n("depression_c")?)),
        "powdery" => sickness::powdery(n("air_c")?).map(|favour| match favour {
            Favour::Stops => -1.0,
            Favour::None => 0.0,
            Favour::Possible => 1.0,
            Favour::Best => 2.0,
        }),
        // None, where it does not infect, stands as -1.
        "downy_wet_hours" => sickness::downy_wet_hours(n("mean_c")?).map(|hours| hours.unwrap_or(-1.0)),
        "gummy_stem" => said(sickness::gummy_stem(n("wet_hours")?, n("mean_c")?)),
        "alternaria" => said(sickness::alternaria(n("wet_hours")?, n("mean_c")?)),
        "infection_response" => infection(2.0)?.response(n("air_c")?),
        "infection_wet_hours" => {
            let hours = infection(n("least_h")?)?.wet_hours(n("air_c")?, 100.0);
            return hours.map_err(|error| error.to_string())?.ok_or("never".to_owned()).map(Some);
        }
        _ => return Ok(None),
    })
}
