//! What a letter shows to be judged by: the last 24 hours of the probes that bear on it, against the marks.

use crate::quantities::Quantity;
use crate::record::{Evidence, EvidenceRow, MatterKey, Millis};
use crate::settings::garden::{Bed, Probe};

use super::calendar::HOUR_MS;
use super::foresee::Look;
use super::scene::{Estimate, Scene};
use super::telling::MatterId;

/// The table's columns lie so far apart.
const COLUMN_MS: Millis = 4 * HOUR_MS;
/// How many columns: 24 h.
const COLUMNS: i64 = 7;
/// Most probes shown: a letter is read on a phone.
const MOST_ROWS: usize = 6;

/// Gathers the evidence of one matter.
pub fn gather(scene: &Scene<'_>, id: &MatterId, estimates: &[Option<Estimate>]) -> Evidence {
    let last_ms = scene.calendar.hour_start(scene.now_ms);
    let at_ms: Vec<Millis> = (0..COLUMNS).rev().map(|back| last_ms - back * COLUMN_MS).collect();
    let bed = scene.garden.beds.iter().position(|bed| bed.name == id.1);
    let estimate = bed.and_then(|at| estimates.get(at)?.as_ref());
    let bed = bed.and_then(|at| scene.garden.beds.get(at));
    let wanted: &[Quantity] = match id.0 {
        // The air says whether carrying water is work in heat.
        MatterKey::Water | MatterKey::Blind => {
            &[Quantity::SoilMoisture, Quantity::SoilCounts, Quantity::Rain, Quantity::AirTemperature]
        }
        MatterKey::HoldWater => &[Quantity::SoilMoisture, Quantity::SoilCounts, Quantity::Rain],
        MatterKey::Shade | MatterKey::Cover => {
            &[Quantity::AirTemperature, Quantity::SoilTemperature, Quantity::AirHumidity, Quantity::WindSpeed]
        }
        _ => &[],
    };
    let mut rows = Vec::new();
    for quantity in wanted {
        for (ix, probe) in scene.garden.probes.iter().enumerate() {
            let bears = probe.quantity == *quantity
                && (probe.bed.is_none() || bed.is_some_and(|bed| probe.bed.as_deref() == Some(&bed.name)));
            if bears && rows.len() < MOST_ROWS {
                rows.push(row(scene, ix, probe, bed, &at_ms));
            }
        }
    }
    if matches!(id.0, MatterKey::Gear)
        && let Some((ix, probe)) =
            scene.garden.probes.iter().enumerate().find(|(_, probe)| probe.name == id.1)
    {
        rows.push(row(scene, ix, probe, None, &at_ms));
    }
    rows.retain(|row| row.values.iter().any(Option::is_some));
    Evidence { at_ms, rows, guesses: guesses(scene, id, bed, estimate) }
}

fn row(scene: &Scene<'_>, ix: usize, probe: &Probe, bed: Option<&Bed>, at_ms: &[Millis]) -> EvidenceRow {
    let kind = probe.quantity.kind();
    let percent = probe.quantity == Quantity::SoilMoisture;
    let values = at_ms
        .iter()
        .map(|at| match probe.quantity {
            // Rain of the hours up to the column.
            Quantity::Rain => scene.hours.sum(ix, at - COLUMN_MS, *at),
            _ => scene
                .hours
                .mean(ix, at - HOUR_MS, *at)
                .map(|value| if percent { value * 100.0 } else { value }),
        })
        .collect();
    let mark = match (probe.quantity, bed) {
        (Quantity::SoilMoisture, Some(bed)) => {
            let full = scene.known.get(ix).map_or(bed.full, |known| known.full);
            Some(("full mark".to_owned(), full * 100.0))
        }
        (Quantity::AirTemperature, Some(bed)) => scene_mark(scene, bed),
        _ => None,
    };
    let unit = match probe.quantity {
        Quantity::SoilMoisture => "%",
        _ => kind.unit,
    };
    EvidenceRow { what: probe.name.clone(), unit: unit.to_owned(), values, mark, guessed: false }
}

/// The mark that is nearer to the air of now.
fn scene_mark(scene: &Scene<'_>, bed: &Bed) -> Option<(String, f64)> {
    let air_c = scene.patch.air.and_then(|probe| scene.value_now(probe))?;
    let nearer_cold = (air_c - bed.cover_c).abs() < (bed.shade_c - air_c).abs();
    Some(if nearer_cold {
        ("cover mark".to_owned(), bed.cover_c)
    } else {
        ("shade mark".to_owned(), bed.shade_c)
    })
}

fn guesses(scene: &Scene<'_>, id: &MatterId, bed: Option<&Bed>, estimate: Option<&Estimate>) -> Vec<String> {
    let mut said = Vec::new();
    let no_air = scene.patch.air.is_none();
    match id.0 {
        MatterKey::Water | MatterKey::HoldWater => {
            if let Some(estimate) = estimate {
                said.push(format!(
                    "water used {:.0} ± {:.0} mm",
                    estimate.depletion_mm.max(0.0),
                    estimate.sd_mm
                ));
                if estimate.probes == 0 {
                    said.push(
                        "no moisture probe can be trusted: the water book alone; feel the soil at 10 cm"
                            .to_owned(),
                    );
                }
            }
            if let Some(day) = scene.yesterday() {
                let how = match day.et0_method {
                    crate::record::Et0Method::PenmanMonteith => None,
                    crate::record::Et0Method::HargreavesSoil => Some("air guessed from the soil"),
                    crate::record::Et0Method::Climatology => Some("the usual of place and season"),
                    _ => Some("part of the weather guessed"),
                };
                if let Some(how) = how {
                    said.push(format!(
                        "the day's demand {:.1} ± {:.1} mm ({how})",
                        day.et0_mm, day.et0_sd_mm
                    ));
                }
            }
            if bed.is_some_and(|bed| bed.marks_guessed) {
                said.push("full and wilt mark from the soil table, ± 4 points".to_owned());
            }
        }
        MatterKey::Shade if no_air => {
            if let Some(forecast) =
                Look::ALL.into_iter().rev().find_map(|look| scene.foresee.maximum(look, scene.date()))
            {
                said.push(format!(
                    "maximum from soil temperature, ± {:.1} °C; an air thermometer would end this guess",
                    forecast.sd_c
                ));
            }
        }
        MatterKey::Cover if no_air => {
            if let Some(forecast) = scene.foresee.night {
                said.push(format!(
                    "minimum from soil temperature, ± {:.1} °C; an air thermometer would end this guess",
                    forecast.sd_c
                ));
            }
        }
        _ => {}
    }
    said
}
