//! Crop and soil profiles, embedded from `config/`: every figure names its source, a publication or
//! "judgement:" with its grounds.
//!
//! To add a profile: one TOML file in `config/crops` or one table in `config/soils`, and one line here.

use std::collections::BTreeMap;

use agronomy::soil::Texture;
use agronomy::stage::{Course, Requirement};
use serde::Deserialize;

use super::document::nearest;
use super::garden::Crop;

/// The crop profiles by their key.
pub const CROPS: [(&str, &str); 6] = [
    ("giant-pumpkin", include_str!("../../config/crops/giant-pumpkin.toml")),
    ("squash", include_str!("../../config/crops/squash.toml")),
    ("watermelon", include_str!("../../config/crops/watermelon.toml")),
    ("melon", include_str!("../../config/crops/melon.toml")),
    ("cucumber", include_str!("../../config/crops/cucumber.toml")),
    ("long-gourd", include_str!("../../config/crops/long-gourd.toml")),
];

/// The files of soil profiles; the name of a table is the name of the soil.
pub const SOILS: [&str; 2] = [
    include_str!("../../config/soils/texture-classes.toml"),
    include_str!("../../config/soils/compost-rich.toml"),
];

/// A figure and where it is from.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Figure<T> {
    value: T,
    source: Option<String>,
}

impl<T> Figure<T> {
    /// The value, if its source is stated.
    fn sourced(self, key: &str) -> Result<T, ProfileError> {
        match self.source {
            Some(source) if !source.trim().is_empty() => Ok(self.value),
            _ => Err(ProfileError(format!("{key} names no source"))),
        }
    }
}

/// A profile that can't be used.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct ProfileError(String);

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct CropFile {
    kcb: Figure<[f64; 3]>,
    stage_days: Figure<[f64; 4]>,
    height_m: Figure<f64>,
    depletion_share: Figure<f64>,
    base_c: Figure<f64>,
    upper_c: Figure<f64>,
    split_from_days: Figure<u32>,
    warm_day: Figure<f64>,
    seedling: Figure<f64>,
    male_flower: Option<Figure<[f64; 2]>>,
    female_flower: Option<Figure<[f64; 2]>>,
    bud_to_open: Option<Figure<[f64; 2]>>,
    harvest_days: Option<Figure<[f64; 2]>>,
    plant_soil_c: Figure<f64>,
}

/// An amount and its spread, where the profile has them.
fn requirement(figure: Option<Figure<[f64; 2]>>, key: &str) -> Result<Option<Requirement>, ProfileError> {
    let Some(figure) = figure else { return Ok(None) };
    let [amount, sd] = figure.sourced(key)?;
    Requirement::new(amount, sd).map(Some).map_err(|error| ProfileError(format!("{key}: {error}")))
}

/// Reads a crop profile. Fails on unknown keys, missing figures, and figures without source.
pub fn parse_crop(name: &str, text: &str) -> Result<Crop, ProfileError> {
    let file: CropFile = toml::from_str(text).map_err(|error| ProfileError(error.message().to_owned()))?;
    Ok(Crop {
        name: name.to_owned(),
        kcb: file.kcb.sourced("kcb")?,
        height_m: file.height_m.sourced("height-m")?,
        depletion_share: file.depletion_share.sourced("depletion-share")?,
        base_c: file.base_c.sourced("base-c")?,
        upper_c: file.upper_c.sourced("upper-c")?,
        split_from_days: file.split_from_days.sourced("split-from-days")?,
        course: Course {
            stage_days: file.stage_days.sourced("stage-days")?,
            warm_day: file.warm_day.sourced("warm-day")?,
            seedling: file.seedling.sourced("seedling")?,
            male_flower: requirement(file.male_flower, "male-flower")?,
            female_flower: requirement(file.female_flower, "female-flower")?,
            bud_to_open: requirement(file.bud_to_open, "bud-to-open")?,
            harvest_days: requirement(file.harvest_days, "harvest-days")?,
        },
        plant_soil_c: file.plant_soil_c.sourced("plant-soil-c")?,
    })
}

/// The crop of a settings word, or the rule that is broken.
pub(super) fn crop(name: &str) -> Result<Crop, String> {
    let names = CROPS.iter().map(|(known, _)| *known);
    match CROPS.iter().find(|(known, _)| *known == name) {
        Some((_, text)) => parse_crop(name, text).map_err(|error| error.to_string()),
        None => Err(unknown("crop", name, names)),
    }
}

/// A soil: what it holds. Water in m³/m³, intake in mm/h.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Soil {
    /// Wilting point.
    pub wilt: f64,
    /// Field capacity.
    pub full: f64,
    /// All pores filled.
    pub saturation: f64,
    /// Saturated conductivity: the rate it takes in for long.
    pub intake_mm_h: f64,
    /// The texture its name speaks of, if any: "sandy loam", "compost-rich sandy loam".
    pub texture: Option<Texture>,
}

/// The texture in the name of a soil.
fn texture(name: &str) -> Option<Texture> {
    Texture::from_key(&name.trim_start_matches("compost-rich ").replace(' ', "-"))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct SoilTable {
    wilt: f64,
    full: f64,
    saturation: f64,
    intake_mm_h: f64,
    source: Option<String>,
}

/// Reads a file of soils. Fails on unknown keys, missing figures, and soils without source.
pub fn parse_soils(text: &str) -> Result<BTreeMap<String, Soil>, ProfileError> {
    let tables: BTreeMap<String, SoilTable> =
        toml::from_str(text).map_err(|error| ProfileError(error.message().to_owned()))?;
    let mut soils = BTreeMap::new();
    for (name, table) in tables {
        let SoilTable { wilt, full, saturation, intake_mm_h, source } = table;
        let soil = Soil { wilt, full, saturation, intake_mm_h, texture: texture(&name) };
        let soil = Figure { value: soil, source }.sourced(&name)?;
        soils.insert(name, soil);
    }
    Ok(soils)
}

/// The soil of a settings word, or the rule that is broken.
pub(super) fn soil(name: &str) -> Result<Soil, String> {
    let mut known = BTreeMap::new();
    for text in SOILS {
        known.append(&mut parse_soils(text).map_err(|error| error.to_string())?);
    }
    let names = known.keys().map(String::as_str);
    known.get(name).copied().ok_or_else(|| unknown("soil", name, names))
}

fn unknown<'k>(what: &str, name: &str, names: impl Iterator<Item = &'k str> + Clone) -> String {
    match nearest(name, names.clone()) {
        Some(near) => format!("no {what} of that name; did you mean \"{near}\"?"),
        None => format!("no {what} of that name; known: {}", names.collect::<Vec<_>>().join(", ")),
    }
}
