//! The beds: `[bed.NAME]`.

use toml::de::DeValue;

use super::amounts::{AREA, INTAKE, LENGTH, SHARE, VOLUME, WARMTH, amount, date, from_words, words};
use super::document::{Parsed, Table};
use super::garden::{Bed, Routine, Vessels};
use super::patch::key_fault;
use super::{defaults, profiles};

/// Most beds of a garden.
const BEDS: usize = 50;

/// Words that an amount in the day book may begin or end with: `watered l 6 cans` could not be read.
const UNIT_WORDS: [&str; 14] =
    ["l", "can", "cans", "gal", "min", "h", "mm", "cm", "m", "in", "ft", "m2", "ft2", "nodes"];

/// What probes need to know of a bed, even of one that is not right yet.
pub(super) struct BedFacts {
    pub(super) name: String,
    pub(super) depth_m: Option<f64>,
}

/// Reads all beds.
pub(super) fn beds(top: &Table<'_>, vessels: &Vessels) -> (Vec<BedFacts>, Vec<Bed>) {
    let table = top.table("bed");
    let tables = table.tables();
    if tables.is_empty() && !top.has("bed") {
        top.complain("bed", "missing; write [bed.NAME] with rooted, soil and crop");
    } else if tables.is_empty() && table.is_there() {
        table.complain_whole("no bed in it; write [bed.NAME] with rooted, soil and crop");
    }
    if tables.len() > BEDS {
        table.complain_whole(format!("at most {BEDS} beds"));
    }
    let mut facts: Vec<BedFacts> = Vec::new();
    let mut titles: Vec<String> = Vec::new();
    let mut beds: Vec<Bed> = Vec::new();
    for (name, one) in tables {
        if let Some(rule) = key_fault(&name) {
            one.complain_whole(rule);
        } else if UNIT_WORDS.contains(&name.as_str()) {
            one.complain_whole("is a unit in the day book; give the bed another name");
        }
        let title = one.take("title", words).unwrap_or_else(|| title_of(&name));
        if titles.contains(&title) {
            let at = if one.has("title") { "title" } else { "rooted" };
            one.complain(
                at,
                format!("another bed is called \"{title}\" too; letters could not tell them apart"),
            );
        }
        titles.push(title.clone());
        let (depth_m, bed) = bed(&name, title, one, vessels);
        facts.push(BedFacts { name, depth_m });
        beds.extend(bed);
    }
    (facts, beds)
}

/// How letters call a bed that has no title: "Long bed" for `long`.
fn title_of(name: &str) -> String {
    let spaced = name.replace('-', " ");
    let mut letters = spaced.chars();
    let first = letters.next().map(|c| c.to_ascii_uppercase()).unwrap_or_default();
    let bed = if spaced.ends_with("bed") || spaced.ends_with("mound") { "" } else { " bed" };
    format!("{first}{}{bed}", letters.as_str())
}

fn bed(name: &str, title: String, table: Table<'_>, vessels: &Vessels) -> (Option<f64>, Option<Bed>) {
    let rooted =
        table.need("rooted", "the rooted soil seen from above, like \"7 m2\"", amount(&AREA, 0.1..=1000.0));
    let leafed_m2 = table.take("leafed", amount(&AREA, 0.01..=1000.0));
    let depth_m = match table.take("depth", amount(&LENGTH, 0.1..=2.0)) {
        None if table.has("depth") => None,
        depth => Some(depth.unwrap_or(defaults::DEPTH_M)),
    };
    let soil = marks(&table);
    let crop = table.need("crop", "like \"giant-pumpkin\"", |value| profiles::crop(&words(value)?));
    let refill_share =
        table.take("refill-of-stress", amount(&SHARE, 0.2..=1.0)).unwrap_or(defaults::REFILL_SHARE);
    let planted = table.take("planted", date);
    let pollinated = table.take("pollinated", date);
    if let (Some(planted), Some(pollinated)) = (planted, pollinated)
        && pollinated < planted
    {
        table.complain("pollinated", format!("lies before planted = {planted}"));
    }
    let routine = table.take("routine", |value| routine(value, vessels));
    let shade_c = table.take("shade", amount(&WARMTH, 20.0..=50.0)).unwrap_or(defaults::SHADE_C);
    let cover_c = table.take("cover", amount(&WARMTH, -5.0..=15.0)).unwrap_or(defaults::COVER_C);
    table.close();
    let whole = rooted.zip(depth_m).zip(soil).zip(crop);
    let bed = whole.map(|(((rooted_m2, depth_m), (soil, marks_guessed)), crop)| Bed {
        name: name.to_owned(),
        title,
        rooted_m2,
        leafed_m2,
        depth_m,
        full: soil.full,
        wilt: soil.wilt,
        saturation: soil.saturation,
        marks_guessed,
        intake_mm_h: soil.intake_mm_h,
        texture: soil.texture,
        refill_share,
        crop,
        planted,
        pollinated,
        routine,
        shade_c,
        cover_c,
    });
    (depth_m, bed)
}

/// What the soil holds: the table's figures, and the bed's own where they stand. The flag says that the
/// full or the wilt mark is the table's.
fn marks(table: &Table<'_>) -> Option<(profiles::Soil, bool)> {
    let content = || amount(&SHARE, 0.01..=0.95);
    let soil = table.take("soil", |value| profiles::soil(&words(value)?));
    let full = table.take("full", content());
    let wilt = table.take("wilt", content());
    let saturation = table.take("saturation", content());
    let intake_mm_h = table.take("intake", amount(&INTAKE, 0.1..=1000.0));
    let own = ["full", "wilt", "saturation", "intake"];
    if !table.has("soil") && own.iter().any(|key| !table.has(key)) {
        table.complain(
            "soil",
            "missing; like \"compost-rich loam\" or \"sandy loam\", unless full, wilt, saturation and intake \
             are all measured",
        );
        return None;
    }
    if soil.is_none() && table.has("soil") {
        return None;
    }
    let merged = profiles::Soil {
        full: full.or(soil.map(|soil| soil.full))?,
        wilt: wilt.or(soil.map(|soil| soil.wilt))?,
        saturation: saturation.or(soil.map(|soil| soil.saturation))?,
        intake_mm_h: intake_mm_h.or(soil.map(|soil| soil.intake_mm_h))?,
        texture: soil.and_then(|soil| soil.texture),
    };
    let at = |keys: [&'static str; 2]| keys.into_iter().find(|key| table.has(key)).unwrap_or("soil");
    if merged.wilt >= merged.full {
        let rule = format!("wilt {} must lie below full {}", merged.wilt, merged.full);
        table.complain(at(["wilt", "full"]), rule);
    }
    if merged.full >= merged.saturation {
        let rule = format!("full {} must lie below saturation {}", merged.full, merged.saturation);
        table.complain(at(["saturation", "full"]), rule);
    }
    Some((merged, full.is_none() || wilt.is_none()))
}

/// "40 L every evening", "4 cans every 2 days".
fn routine(value: &DeValue<'_>, vessels: &Vessels) -> Parsed<Routine> {
    let rule =
        || "an amount and how often, like \"40 L every evening\" or \"4 cans every 2 days\"".to_owned();
    let text = words(value)?;
    let (given, often) = text.split_once(" every ").ok_or_else(rule)?;
    let every_days = match often.split_whitespace().collect::<Vec<_>>().as_slice() {
        ["day" | "evening" | "morning"] => 1,
        ["other", "day"] => 2,
        [days, "days"] => days.parse().ok().filter(|days| (1..=30).contains(days)).ok_or_else(rule)?,
        _ => return Err(rule()),
    };
    let cans = given.strip_suffix(" cans").or_else(|| given.strip_suffix(" can"));
    let litres = match cans {
        Some(cans) => cans.trim().parse::<f64>().map_err(|_| rule())? * vessels.can_l,
        None => from_words(&VOLUME, given)?,
    };
    let sane = litres.is_finite() && (0.5..=5000.0).contains(&litres);
    if sane { Ok(Routine { litres, every_days }) } else { Err("must lie between 0.5 and 5000 L".to_owned()) }
}
