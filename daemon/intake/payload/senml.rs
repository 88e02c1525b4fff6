//! A SenML pack in JSON (RFC 8428): base fields are carried on, names put together, units brought to the probe's.
//!
//! A record's own unit goes before the settings; without one the probe's counts. Records of the probe's name in
//! units of another kind (position, battery) are passed over. A sum (`s`, `bs`) is no reading and is not used.

use serde_json::{Map, Value};

use crate::quantities::Quantity;
use crate::settings::garden::{Probe, RainForm};
use crate::settings::units::{self, COUNTS, TIPS};

use super::super::Steps;
use super::super::stamp::Written;
use super::Sample;

/// The version we know, which is also what a pack without one means (RFC 8428 section 4.1).
const VERSION: f64 = 10.0;
/// Names listed where the wanted one is missing.
const LISTED: usize = 8;

use Quantity as Q;

/// Unit names and what they mean in the unit a kind is kept in: factor, then offset. Names of the main registry
/// by RFC 8428 section 12.1, of the second by RFC 8798 section 3 (the second from memory). `%` is a ratio of 1
/// there, not of 100 (RFC 8428 section 12.1, note 2 of its table).
const UNITS: [(&str, Quantity, f64, f64); 38] = [
    ("/", Q::SoilMoisture, 1.0, 0.0),
    ("%", Q::SoilMoisture, 1.0, 0.0),
    ("/100", Q::SoilMoisture, 0.01, 0.0),
    ("/1000", Q::SoilMoisture, 0.001, 0.0),
    ("Cel", Q::SoilTemperature, 1.0, 0.0),
    ("K", Q::SoilTemperature, 1.0, -273.15),
    ("Cel", Q::AirTemperature, 1.0, 0.0),
    ("K", Q::AirTemperature, 1.0, -273.15),
    ("m", Q::Rain, 1000.0, 0.0),
    ("mm", Q::Rain, 1.0, 0.0),
    ("cm", Q::Rain, 10.0, 0.0),
    ("mm/h", Q::Rain, 1.0, 0.0),
    ("m/h", Q::Rain, 1000.0, 0.0),
    ("m/s", Q::Rain, 3_600_000.0, 0.0),
    ("%RH", Q::AirHumidity, 1.0, 0.0),
    ("/", Q::AirHumidity, 100.0, 0.0),
    ("%", Q::AirHumidity, 100.0, 0.0),
    ("/100", Q::AirHumidity, 1.0, 0.0),
    ("/1000", Q::AirHumidity, 0.1, 0.0),
    ("m/s", Q::WindSpeed, 1.0, 0.0),
    ("km/h", Q::WindSpeed, 1.0 / 3.6, 0.0),
    ("m/h", Q::WindSpeed, 1.0 / 3600.0, 0.0),
    ("W/m2", Q::SolarRadiation, 1.0, 0.0),
    ("V", Q::Battery, 1.0, 0.0),
    ("mV", Q::Battery, 0.001, 0.0),
    ("dBW", Q::Signal, 1.0, 30.0),
    ("dBm", Q::Signal, 1.0, 0.0),
    ("%EL", Q::BatteryLevel, 1.0, 0.0),
    ("/", Q::BatteryLevel, 100.0, 0.0),
    ("%", Q::BatteryLevel, 100.0, 0.0),
    ("/100", Q::BatteryLevel, 1.0, 0.0),
    ("/1000", Q::BatteryLevel, 0.1, 0.0),
    ("/", Q::SignalQuality, 100.0, 0.0),
    ("%", Q::SignalQuality, 100.0, 0.0),
    ("/100", Q::SignalQuality, 1.0, 0.0),
    ("/1000", Q::SignalQuality, 0.1, 0.0),
    ("count", Q::SoilCounts, 1.0, 0.0),
    ("/", Q::SoilCounts, 1.0, 0.0),
];

/// A record with what its pack says once for all.
#[derive(Debug)]
struct Resolved<'a> {
    base: &'a str,
    name: &'a str,
    unit: Option<&'a str>,
    base_value: f64,
    /// Seconds: since 1970, or, below 2^28, from now (section 4.5.3).
    time_s: f64,
    fields: &'a Map<String, Value>,
}

impl Resolved<'_> {
    fn is_named(&self, name: &str) -> bool {
        name.strip_prefix(self.base) == Some(self.name)
    }
}

/// Resolves a pack (section 4.6).
fn resolve(root: &Value) -> Result<Vec<Resolved<'_>>, String> {
    let records =
        root.as_array().ok_or("a SenML pack is an array of records; set value instead of record")?;
    let (mut base, mut base_s, mut base_unit, mut base_value) = ("", 0.0, None, 0.0);
    let mut resolved = Vec::with_capacity(records.len());
    for record in records {
        let fields =
            record.as_object().ok_or("a SenML record is an object, like {\"n\": ..., \"v\": ...}")?;
        // Section 4.4: whoever does not know such a field must not use the pack.
        if let Some(label) = fields.keys().find(|label| label.ends_with('_')) {
            return Err(format!("the SenML field {} must be understood, and is not", shown(label)));
        }
        if number(fields, "bver")?.unwrap_or(VERSION) > VERSION {
            return Err(format!("a SenML pack of a later version than {VERSION}"));
        }
        base = text(fields, "bn")?.unwrap_or(base);
        base_s = number(fields, "bt")?.unwrap_or(base_s);
        base_unit = text(fields, "bu")?.or(base_unit);
        base_value = number(fields, "bv")?.unwrap_or(base_value);
        resolved.push(Resolved {
            base,
            name: text(fields, "n")?.unwrap_or(""),
            unit: text(fields, "u")?.or(base_unit),
            base_value,
            time_s: base_s + number(fields, "t")?.unwrap_or(0.0),
            fields,
        });
    }
    Ok(resolved)
}

/// Whether a pack holds a record of this name, or what stands there is no pack.
pub(super) fn holds(root: &Value, name: &str) -> bool {
    resolve(root).map_or(true, |records| records.iter().any(|record| record.is_named(name)))
}

/// Reads all samples of the records called `name`.
pub(super) fn read<'a>(
    root: &'a Value,
    name: &str,
    probe: &Probe,
    steps: &mut impl Steps,
) -> Result<Vec<Result<Sample<'a>, String>>, String> {
    let records = resolve(root)?;
    steps.say(|| format!("SenML pack of {} records", records.len()));
    let mut samples = Vec::new();
    let mut elsewhere = None;
    let mut found = false;
    for record in records.iter().filter(|record| record.is_named(name)) {
        found = true;
        let unit = match record.unit.map(|unit| conversion(unit, probe)).transpose() {
            Ok(unit) => unit,
            Err(reason) => {
                steps.say(|| format!("passed over: {reason}"));
                elsewhere.get_or_insert(reason);
                continue;
            }
        };
        samples.extend(sample(record, unit, steps).transpose());
    }
    match elsewhere {
        Some(reason) if samples.is_empty() => Err(reason),
        _ if !found => Err(format!("no record {name} in it; {}", names(&records))),
        _ => Ok(samples),
    }
}

/// One sample; `None` for a record that says nothing of now, such as one that holds base fields or a sum alone.
fn sample<'a>(
    record: &Resolved<'_>,
    unit: Option<Conversion>,
    steps: &mut impl Steps,
) -> Result<Option<Sample<'a>>, String> {
    let Some(value) = number(record.fields, "v")? else {
        return match ["vs", "vb", "vd"].iter().find(|label| record.fields.contains_key(**label)) {
            Some(label) => Err(format!("the record holds {label}, no number (v)")),
            None => {
                steps.say(|| "passed over: the record holds no value".to_owned());
                Ok(None)
            }
        };
    };
    let sent = record.base_value + value;
    let number = match unit {
        None => sent,
        Some(Conversion { ratio: true, .. }) if sent.abs() > 1.0 => {
            return Err(format!(
                "{sent} in %, which SenML means as a ratio of 1 (RFC 8428): let the node send \"/100\" or \"%RH\""
            ));
        }
        Some(Conversion { factor, offset, .. }) => sent * factor + offset,
    };
    if !number.is_finite() {
        return Err("its value is beyond all numbers".to_owned());
    }
    steps.say(|| match record.unit {
        Some(unit) => format!("number {sent} in {}: {number} in the probe's unit", shown(unit)),
        None => format!("number {number}, no unit beside it: the probe's counts"),
    });
    Ok(Some(Sample { number, time: Some(Written::Record(record.time_s)) }))
}

/// From a record's number to that of the probe's unit.
#[derive(Debug, Clone, Copy)]
struct Conversion {
    factor: f64,
    offset: f64,
    /// Named `%`, which people write where they mean hundredths.
    ratio: bool,
}

fn conversion(unit: &str, probe: &Probe) -> Result<Conversion, String> {
    let same = Conversion { factor: 1.0, offset: 0.0, ratio: false };
    if unit == "count" && [COUNTS, TIPS].contains(&probe.unit.as_str()) {
        return Ok(same);
    }
    let no = || format!("{} cannot be brought to {}, in which the probe is set", shown(unit), probe.unit);
    let (_, _, factor, offset) = UNITS
        .iter()
        .find(|(word, quantity, ..)| *word == unit && *quantity == probe.quantity)
        .ok_or_else(no)?;
    if probe.quantity == Quantity::SoilCounts {
        return Ok(same);
    }
    let rate = matches!(unit, "mm/h" | "m/h" | "m/s");
    let counted = [COUNTS, TIPS].contains(&probe.unit.as_str());
    if counted || (probe.quantity == Quantity::Rain && rate != (probe.rain == Some(RainForm::Rate))) {
        return Err(no());
    }
    let set = units::find(probe.quantity, &probe.unit).map_err(|_| no())?;
    Ok(Conversion {
        factor: factor / set.factor,
        offset: (offset - set.offset) / set.factor,
        ratio: unit == "%",
    })
}

fn number(fields: &Map<String, Value>, label: &str) -> Result<Option<f64>, String> {
    let finite = |value: &Value| value.as_f64().filter(|number| number.is_finite());
    fields
        .get(label)
        .map(|value| finite(value).ok_or_else(|| format!("the SenML field {label} is no number")))
        .transpose()
}

fn text<'a>(fields: &'a Map<String, Value>, label: &str) -> Result<Option<&'a str>, String> {
    fields
        .get(label)
        .map(|value| value.as_str().ok_or_else(|| format!("the SenML field {label} is no text")))
        .transpose()
}

fn shown(words: &str) -> String {
    super::super::shown(words.as_bytes(), 60)
}

fn names(records: &[Resolved<'_>]) -> String {
    let mut names: Vec<String> = Vec::new();
    for record in records {
        let name = shown(&format!("{}{}", record.base, record.name));
        if names.len() < LISTED && !names.contains(&name) {
            names.push(name);
        }
    }
    if names.is_empty() { "the pack is empty".to_owned() } else { format!("there are {}", names.join(", ")) }
}

#[cfg(test)]
mod tests;
