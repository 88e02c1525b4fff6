//! The probes: `[probe.NAME]`, one quantity from one topic each.

use toml::de::DeValue;

use super::amounts::{DURATION, LENGTH, SHARE, TIP, amount, from_words, number, one_of, whole, words};
use super::beds::BedFacts;
use super::document::{Parsed, Table};
use super::garden::{LastWill, Probe, RainForm, Scaling, TimeForm, TwoPoint};
use super::patch::key_fault;
use super::units::{self, COUNTS, TIPS, Unit};
use super::{defaults, topics};
use crate::quantities::{KINDS, Quantity};

/// Most probes of a garden.
const PROBES: usize = 500;

const RAIN_FORMS: &[(&str, RainForm)] = &[
    ("counter", RainForm::Counter),
    ("increment", RainForm::Increment),
    ("rate", RainForm::Rate),
    ("daily-total", RainForm::DailyTotal),
];

const TIME_FORMS: &[(&str, TimeWord)] = &[
    ("arrival", TimeWord::Arrival),
    ("epoch-s", TimeWord::EpochSeconds),
    ("epoch-ms", TimeWord::EpochMillis),
    ("rfc3339", TimeWord::Rfc3339),
    ("local", TimeWord::Local),
];

#[derive(Clone, Copy, PartialEq)]
enum TimeWord {
    Arrival,
    EpochSeconds,
    EpochMillis,
    Rfc3339,
    Local,
}

/// Reads all probes. `root` is where our own words are published.
pub(super) fn probes(top: &Table<'_>, beds: &[BedFacts], root: Option<&str>) -> Vec<Probe> {
    let table = top.table("probe");
    let tables = table.tables();
    if tables.is_empty() && !top.has("probe") {
        top.complain("probe", "missing; write [probe.NAME] with measures, topic and unit");
    } else if tables.is_empty() && table.is_there() {
        table.complain_whole("no probe in it; write [probe.NAME] with measures, topic and unit");
    }
    if tables.len() > PROBES {
        table.complain_whole(format!("at most {PROBES} probes"));
    }
    let mut read: Vec<(String, Option<String>, Place)> = Vec::new();
    let mut probes = Vec::new();
    for (name, one) in tables {
        if let Some(rule) = key_fault(&name) {
            one.complain_whole(rule);
        } else if beds.iter().any(|bed| bed.name == name) {
            one.complain_whole("a bed has this name already; letters and files could not tell them apart");
        }
        let topic = topic(&one, root);
        let place = place(&one);
        let same = |other: &&(String, Option<String>, Place)| {
            let filters = topic.as_deref().zip(other.1.as_deref());
            other.2 == place && filters.is_some_and(|(one, other)| topics::meet(one, other))
        };
        if let Some((other, ..)) = read.iter().find(same) {
            let at = match &place {
                Place { record: Some(_), .. } => "record",
                Place { value: Some(_), .. } => "value",
                _ => "topic",
            };
            one.complain(at, format!("reads the same value as probe.{other}"));
        }
        read.push((name.clone(), topic.clone(), place.clone()));
        let last_will = last_will(&one, root);
        probes.extend(probe(name, one, beds, topic, place).map(|probe| Probe { last_will, ..probe }));
    }
    probes
}

/// Where in a message its number stands.
#[derive(Clone, PartialEq)]
struct Place {
    value: Option<String>,
    samples: Option<String>,
    record: Option<String>,
}

/// `value`, `samples` and `record`; a record has a form of its own, in which nothing is pointed at.
fn place(table: &Table<'_>) -> Place {
    let value = table.take("value", pointer);
    // The empty pointer means the whole document (RFC 6901 section 5).
    let samples = table
        .take("samples", |value| if value.as_str() == Some("") { Ok(String::new()) } else { pointer(value) });
    let record = table.take("record", record);
    if table.has("record") {
        for key in ["value", "samples", "time-at"] {
            if table.has(key) {
                table.complain(key, "not beside record: a SenML record says where its value and time stand");
            }
        }
    }
    if table.has("samples") && !table.has("value") && !table.has("record") {
        table.complain("value", "missing; where in each sample the number stands, like \"/moisture\"");
    }
    Place { value, samples, record }
}

/// The full name of a SenML record: base name and name in one (RFC 8428 section 4.5.1).
fn record(value: &DeValue<'_>) -> Parsed<String> {
    let name = words(value)?;
    let fits = |c: char| c.is_ascii_alphanumeric() || "-:./_".contains(c);
    if name.starts_with(|c: char| c.is_ascii_alphanumeric()) && name.chars().all(fits) {
        Ok(name)
    } else {
        Err("base name and name of the record in one are wanted: letters, digits and -:./_ only, the first a letter \
             or a digit, like \"urn:dev:mac:0024befffe804ff1/moisture\""
            .to_owned())
    }
}

fn topic(table: &Table<'_>, root: Option<&str>) -> Option<String> {
    let filter =
        table.need("topic", "the MQTT topic it publishes to, like \"garden/long/upper\"", |value| {
            let filter = words(value)?;
            topics::fault(&filter).map_or(Ok(filter), |rule| Err(rule.to_owned()))
        })?;
    if let Some(root) = root.filter(|root| topics::meet(&filter, &format!("{root}/#"))) {
        let rule =
            format!("would hear our own words under {root}; narrow it, or set publish-root of [broker]");
        table.complain("topic", rule);
    }
    Some(filter)
}

fn probe(
    name: String,
    table: Table<'_>,
    beds: &[BedFacts],
    topic: Option<String>,
    place: Place,
) -> Option<Probe> {
    let measures = table.need("measures", "like \"soil-moisture\"", measures);
    let unit_word = table.need("unit", "the unit of the number it sends, like \"%\" or \"C\"", words);
    let unit = measures.zip(unit_word.as_deref()).and_then(|(quantity, word)| {
        units::find(quantity, word).map_err(|rule| table.complain("unit", rule)).ok()
    });
    let scale = table.take("scale", factor).unwrap_or(1.0);
    let tip_mm = tip(&table, measures, unit);
    let a_count_mm = tip_mm.filter(|_| unit.is_some_and(|unit| unit.word == TIPS)).unwrap_or(1.0);
    let calibration = calibration(&table, unit);
    let rain = rain_form(&table, measures, unit);
    let bed = bed_of(&table, measures, beds);
    let depth_m = depth(&table, measures, bed.as_deref().and_then(|bed| beds.iter().find(|b| b.name == bed)));
    let (time, time_pointer) = time(&table, &place);
    let every_s =
        table.take("every", amount(&DURATION, 1.0..=86_400.0)).map(|seconds| seconds.round() as u32);
    let qos = table.take("qos", qos).unwrap_or(defaults::QOS);
    table.close();
    let raw = unit?.word == COUNTS && calibration.is_none();
    Some(Probe {
        name,
        bed,
        quantity: if raw { Quantity::SoilCounts } else { measures? },
        depth_m,
        topic: topic?,
        pointer: place.value,
        samples: place.samples,
        record: place.record,
        unit: unit?.word.to_owned(),
        scaling: Scaling { factor: unit?.factor * scale * a_count_mm, offset: unit?.offset },
        calibration,
        rain,
        tip_mm,
        time,
        time_pointer,
        every_s,
        qos,
        last_will: None,
    })
}

/// `last-will` and its two words.
fn last_will(table: &Table<'_>, root: Option<&str>) -> Option<LastWill> {
    let topic = table.take("last-will", |value| {
        let topic = words(value)?;
        match topics::fault(&topic) {
            Some(rule) => Err(rule.to_owned()),
            None if topic.contains(['+', '#']) => Err("one topic is wanted, without + and #".to_owned()),
            None if root.is_some_and(|root| topics::meet(&topic, &format!("{root}/#"))) => {
                Err("would hear our own words; name the node's topic".to_owned())
            }
            None => Ok(topic),
        }
    });
    let online = table.take("online", words).unwrap_or_else(|| "online".to_owned());
    let offline = table.take("offline", words).unwrap_or_else(|| "offline".to_owned());
    if online == offline {
        table.complain("offline", "the same word as online; nobody could tell them apart");
    }
    for key in ["online", "offline"] {
        if table.has(key) && !table.has("last-will") {
            table.complain(key, "needs last-will beside it");
        }
    }
    Some(LastWill { topic: topic?, online, offline })
}

fn qos(value: &DeValue<'_>) -> Parsed<u8> {
    match whole(0..=1)(value) {
        Ok(0) => Ok(0),
        Ok(_) => Ok(1),
        Err(_) => Err("0 or 1 is wanted; 2 would buy nothing, a reading is kept once anyway".to_owned()),
    }
}

fn measures(value: &DeValue<'_>) -> Parsed<Quantity> {
    let word = words(value)?;
    match Quantity::from_key(&word) {
        Some(Quantity::SoilCounts) => {
            Err(format!("write \"soil-moisture\" here and \"{COUNTS}\" as the unit"))
        }
        Some(quantity) => Ok(quantity),
        None => {
            let kinds = KINDS.iter().filter(|kind| kind.quantity != Quantity::SoilCounts);
            let known = kinds.map(|kind| kind.key).collect::<Vec<_>>().join(", ");
            Err(format!("one of {known} is wanted"))
        }
    }
}

fn factor(value: &DeValue<'_>) -> Parsed<f64> {
    let factor = number(value)?;
    let sane = (1e-9..=1e9).contains(&factor.abs());
    if sane { Ok(factor) } else { Err("must not be 0, and within a thousand million".to_owned()) }
}

/// A JSON Pointer (RFC 6901).
fn pointer(value: &DeValue<'_>) -> Parsed<String> {
    let pointer = words(value)?;
    let escapes_fit = pointer.split('~').skip(1).all(|after| after.starts_with(['0', '1']));
    if pointer.starts_with('/') && escapes_fit {
        Ok(pointer)
    } else {
        Err("a JSON Pointer is wanted: / before each name on the way, like \"/soil/moisture\"".to_owned())
    }
}

/// Millimetres of a tip: needed where tips are counted, welcome at any other gauge that tips.
fn tip(table: &Table<'_>, measures: Option<Quantity>, unit: Option<Unit>) -> Option<f64> {
    let tip = table.take("tip", amount(&TIP, 0.01..=5.0));
    if unit.is_some_and(|unit| unit.word == TIPS) && !table.has("tip") {
        table.complain("tip", "missing; the rain of one tip, like \"0.2 mm\"");
    }
    if measures.is_some_and(|measures| measures != Quantity::Rain) && table.has("tip") {
        table.complain("tip", "only for rain");
        return None;
    }
    tip
}

/// `dry` and `wet`: both or neither, and only for counts.
fn calibration(table: &Table<'_>, unit: Option<Unit>) -> Option<TwoPoint> {
    let (dry, wet) = (table.take("dry", point), table.take("wet", point));
    let (dry_there, wet_there) = (table.has("dry"), table.has("wet"));
    let at = if dry_there { "dry" } else { "wet" };
    if unit.is_some_and(|unit| unit.word != COUNTS) && (dry_there || wet_there) {
        table.complain(at, format!("only for unit = \"{COUNTS}\"; this probe reports water already"));
        return None;
    }
    if dry_there != wet_there {
        table.complain(at, "dry and wet belong together; one point makes no line");
    }
    let (dry, wet) = (dry?, wet?);
    if dry.0 == wet.0 {
        table.complain("wet", "the same count as dry; the two points must differ");
    }
    if dry.1 >= wet.1 {
        table.complain("wet", "must hold more water than dry");
    }
    Some(TwoPoint { dry, wet })
}

/// "2800 at 5 %": a count and the water of the soil it was read in.
fn point(value: &DeValue<'_>) -> Parsed<(f64, f64)> {
    let rule = || "a count and the soil's water are wanted, like \"2800 at 5 %\"".to_owned();
    let text = words(value)?;
    let (count, water) = text.split_once(" at ").ok_or_else(rule)?;
    let count: f64 = count.trim().parse().map_err(|_| rule())?;
    let water = from_words(&SHARE, water)?;
    if count.is_finite() && (0.0..=0.95).contains(&water) { Ok((count, water)) } else { Err(rule()) }
}

/// `form` of rain: a rate in mm/h or in/h, an amount in the other units.
fn rain_form(table: &Table<'_>, measures: Option<Quantity>, unit: Option<Unit>) -> Option<RainForm> {
    let form = table.take("form", one_of(RAIN_FORMS));
    match measures {
        Some(Quantity::Rain) => {}
        Some(_) if table.has("form") => {
            table.complain("form", "only for rain");
            return None;
        }
        _ => return None,
    }
    let is_rate = unit.map(|unit| unit.word.ends_with("/h"));
    match (form, is_rate) {
        (None, Some(true)) if !table.has("form") => return Some(RainForm::Rate),
        (None, Some(false)) if !table.has("form") => table.complain(
            "form",
            "missing; \"counter\" (total since the node started), \"increment\" (since its last message) or \
             \"daily-total\"",
        ),
        (Some(RainForm::Rate), Some(false)) => {
            table.complain("form", "a rate is told in mm/h or in/h; see unit");
        }
        (Some(form), Some(true)) if form != RainForm::Rate => {
            table.complain("form", "mm/h and in/h tell a rate; see unit");
        }
        _ => {}
    }
    form
}

/// Soil probes stand in a bed, by default in the only one; air, wind, sun and rain belong to the patch.
fn bed_of(table: &Table<'_>, measures: Option<Quantity>, beds: &[BedFacts]) -> Option<String> {
    let bed = table.take("bed", |value| {
        let name = words(value)?;
        let known = || beds.iter().map(|bed| bed.name.as_str()).collect::<Vec<_>>().join(", ");
        // Without any bed the missing bed is the fault, not each probe's.
        if beds.is_empty() || beds.iter().any(|bed| bed.name == name) {
            Ok(name)
        } else {
            Err(format!("no bed of that name; known: {}", known()))
        }
    });
    match measures? {
        Quantity::SoilMoisture | Quantity::SoilCounts | Quantity::SoilTemperature => {
            match (beds, table.has("bed")) {
                ([only], false) => Some(only.name.clone()),
                (_, false) => {
                    table.complain("bed", "missing; a soil probe names the bed it stands in");
                    None
                }
                _ => bed,
            }
        }
        Quantity::Battery | Quantity::Signal | Quantity::BatteryLevel | Quantity::SignalQuality => bed,
        other if table.has("bed") => {
            table.complain("bed", format!("{} belongs to the whole patch; leave bed out", other.kind().key));
            None
        }
        _ => None,
    }
}

/// Soil probes have a depth; a moisture probe stands within the rooted depth.
fn depth(table: &Table<'_>, measures: Option<Quantity>, bed: Option<&BedFacts>) -> Option<f64> {
    let depth = table.take("depth", amount(&LENGTH, 0.01..=2.0));
    let soil = match measures? {
        Quantity::SoilMoisture | Quantity::SoilCounts => true,
        Quantity::SoilTemperature => false,
        _ => {
            if table.has("depth") {
                table.complain("depth", "only for probes in the soil");
            }
            return None;
        }
    };
    if !table.has("depth") {
        table.complain("depth", "missing; the middle of its blade below the surface, like \"15 cm\"");
    }
    let rooted = bed.and_then(|bed| bed.depth_m.map(|depth| (bed, depth)));
    if let (true, Some(at_m), Some((bed, rooted_m))) = (soil, depth, rooted)
        && at_m > rooted_m
    {
        let rooted_cm = (rooted_m * 100.0).round();
        table.complain("depth", format!("below the rooted {rooted_cm} cm of bed.{}", bed.name));
    }
    depth
}

/// `time` and `time-at`: a time in the payload needs its place, and a payload that can hold one.
fn time(table: &Table<'_>, place: &Place) -> (TimeForm, Option<String>) {
    let form = table.take("time", one_of(TIME_FORMS));
    let at = table.take("time-at", pointer);
    if table.has("record") {
        if form.is_some_and(|form| form != TimeWord::Arrival) {
            table.complain(
                "time",
                "leave it out: a SenML record carries its time; \"arrival\" would pass over that",
            );
        }
        return (if form.is_some() { TimeForm::Arrival } else { TimeForm::Record }, None);
    }
    let form = form.unwrap_or(TimeWord::Arrival);
    let arrival = form == TimeWord::Arrival;
    if arrival && table.has("samples") && !(table.has("time") && table.has("time-at")) {
        table.complain(
            "time",
            "missing; samples that arrive together need their own times: \"epoch-s\", \"epoch-ms\", \"rfc3339\" or \
             \"local\", and time-at",
        );
    }
    if arrival && table.has("time-at") && !(table.has("time") && form != TimeWord::Arrival) {
        table.complain(
            "time-at",
            "needs time = \"epoch-s\", \"epoch-ms\", \"rfc3339\" or \"local\" beside it",
        );
    }
    if !arrival && !table.has("time-at") {
        table.complain("time-at", "missing; where in the payload the time stands, like \"/time\"");
    }
    if !arrival && place.value.is_none() && !table.has("value") {
        table.complain("time", "a bare number carries no time; name the number's place with value");
    }
    let form = match form {
        TimeWord::Arrival => TimeForm::Arrival,
        TimeWord::EpochSeconds => TimeForm::EpochSeconds,
        TimeWord::EpochMillis => TimeForm::EpochMillis,
        TimeWord::Rfc3339 => TimeForm::Rfc3339,
        TimeWord::Local => TimeForm::Local,
    };
    (form, at)
}
