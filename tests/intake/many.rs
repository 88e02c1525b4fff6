//! Messages that hold many samples: SenML packs and arrays; times without a zone or without a clock.

use rindwatch::intake::{Intake, Taken, explain};
use rindwatch::quantities::Quantity;
use rindwatch::record::Doubt;
use rindwatch::settings::garden::*;

use crate::patch;

/// 2027-07-01T12:00:00Z.
const NOON_MS: i64 = 1_814_443_200_000;

fn take(probe: Probe, payload: &str) -> Taken {
    let topic = probe.topic.clone();
    let mut taken = Taken::default();
    Intake::new(patch::garden(vec![probe])).take(&topic, payload.as_bytes(), NOON_MS, false, &mut taken);
    taken
}

/// Seconds before noon, value, whether by its own time, doubt.
fn read(probe: Probe, payload: &str) -> Vec<(f64, f64, bool, Option<Doubt>)> {
    let taken = take(probe, payload);
    assert!(taken.refusals.is_empty(), "{:?}", taken.refusals);
    let one = |reading: &rindwatch::record::Reading| {
        ((NOON_MS - reading.at_ms) as f64 / 1000.0, reading.value, reading.own_time, reading.doubt)
    };
    taken.readings.iter().map(one).collect()
}

fn refused(probe: Probe, payload: &str) -> String {
    let taken = take(probe, payload);
    assert_eq!((taken.readings.len(), taken.refusals.len()), (0, 1), "{payload}");
    taken.refusals[0].1.reason.clone()
}

fn record(quantity: Quantity, unit: &str, name: &str) -> Probe {
    let set = rindwatch::settings::units::find(quantity, unit).unwrap();
    Probe {
        record: Some(name.to_owned()),
        unit: unit.to_owned(),
        scaling: Scaling { factor: set.factor, offset: set.offset },
        time: TimeForm::Record,
        ..patch::probe("node", quantity)
    }
}

const NODE: &str = "urn:dev:ow:10e2073a01080063";

/// The pack of RFC 8428 section 5.1.3, moved to an hour before noon: one name, humidity beside position and battery.
#[test]
fn a_senml_pack_gives_each_probe_its_own() {
    let pack = format!(
        r#"[{{"bn":"{NODE}","bt":{},"bu":"%RH","v":20}}, {{"u":"lon","v":24.30621}}, {{"u":"lat","v":60.07965}},
            {{"t":60,"v":20.3}}, {{"u":"lon","t":60,"v":24.30622}}, {{"u":"%EL","t":150,"v":98}},
            {{"t":180,"v":21.2}}, {{"t":120,"v":20.7}}]"#,
        NOON_MS / 1000 - 3600
    );
    let humidity = read(record(Quantity::AirHumidity, "%", NODE), &pack);
    let wanted = [(3600.0, 20.0), (3540.0, 20.3), (3480.0, 20.7), (3420.0, 21.2)];
    assert_eq!(humidity, wanted.map(|(back_s, value)| (back_s, value, true, None)));
    assert_eq!(read(record(Quantity::BatteryLevel, "%", NODE), &pack), [(3450.0, 98.0, true, None)]);
    let reason = refused(record(Quantity::SoilTemperature, "C", NODE), &pack);
    assert!(reason.contains("%RH cannot be brought to C"), "{reason}");
    let reason = refused(record(Quantity::AirHumidity, "%", "urn:dev:ow:0"), &pack);
    assert!(reason.contains(&format!("there are {NODE}")), "{reason}");
}

/// RFC 8428 section 4.5.3: below 2^28 a time counts from now; nothing and 0 are now.
#[test]
fn relative_times_count_back_from_the_arrival() {
    let probe = || record(Quantity::SoilTemperature, "C", "n");
    let back = |pack: &str| read(probe(), pack);
    assert_eq!(back(r#"[{"n":"n","u":"Cel","v":18.5}]"#), [(0.0, 18.5, false, None)]);
    let pack = r#"[{"bn":"n","bu":"Cel","v":18}, {"t":-60,"v":17}, {"t":-120,"v":16}]"#;
    assert_eq!(back(pack), [(120.0, 16.0, false, None), (60.0, 17.0, false, None), (0.0, 18.0, false, None)]);
    assert_eq!(back(r#"[{"n":"n","t":600,"v":18}]"#), [(-600.0, 18.0, false, Some(Doubt::Future))]);
    assert!(refused(probe(), r#"[{"n":"n","t":268435455,"v":18}]"#).contains("more than a day after"));
    // The first moment that counts from 1970 is one of 1978.
    assert!(refused(probe(), r#"[{"n":"n","t":268435456,"v":18}]"#).contains("1978-07-04"));
}

#[test]
fn senml_units_come_to_the_kept_one() {
    let value = |quantity, unit: &str, pack: &str| {
        let read = read(record(quantity, unit, "n"), pack);
        assert_eq!(read.len(), 1, "{pack}");
        read[0].1
    };
    let of = |unit: &str, value: f64| format!(r#"[{{"n":"n","u":"{unit}","v":{value}}}]"#);
    // Against the settings' own unit: a node in kelvin on a probe set in Fahrenheit.
    for set in ["C", "F", "K"] {
        assert_eq!(value(Quantity::AirTemperature, set, &of("K", 293.15)), 20.0, "{set}");
        assert_eq!(value(Quantity::AirTemperature, set, &of("Cel", 20.0)), 20.0, "{set}");
    }
    assert_eq!(value(Quantity::SoilMoisture, "%", &of("/", 0.273)), 0.273);
    assert_eq!(value(Quantity::SoilMoisture, "m3/m3", &of("/100", 27.3)), 0.273);
    assert_eq!(value(Quantity::WindSpeed, "m/s", &of("km/h", 36.0)), 10.0);
    assert_eq!(value(Quantity::Battery, "V", &of("mV", 3312.0)), 3.312);
    assert_eq!(value(Quantity::Signal, "dBm", &of("dBW", -100.0)), -70.0);
    // Without a unit the settings' counts; a base value is added.
    assert_eq!(value(Quantity::AirTemperature, "F", r#"[{"n":"n","v":68}]"#), 20.0);
    assert_eq!(value(Quantity::AirTemperature, "C", r#"[{"n":"n","bv":20,"bu":"Cel","v":1.5}]"#), 21.5);
    // "%" is a ratio there; who means hundredths is told.
    assert_eq!(value(Quantity::SoilMoisture, "%", &of("%", 0.273)), 0.273);
    assert!(refused(record(Quantity::SoilMoisture, "%", "n"), &of("%", 27.3)).contains("ratio of 1"));
    let tips = Probe {
        rain: Some(RainForm::Counter),
        scaling: Scaling { factor: 0.2, offset: 0.0 },
        ..record(Quantity::Rain, "tips", "n")
    };
    let tips_read =
        read(Probe { scaling: Scaling { factor: 0.2, offset: 0.0 }, ..tips.clone() }, &of("count", 15.0));
    assert_eq!(tips_read[0].1, 3.0);
    assert!(refused(tips, &of("mm/h", 3.0)).contains("cannot be brought to tips"));
}

#[test]
fn packs_that_cannot_be_used_say_why() {
    for (pack, words) in [
        (r#"[{"bn":"n","bver":11,"v":1}]"#, "later version"),
        (r#"[{"n":"n","v":1,"new_":2}]"#, "new_ must be understood"),
        (r#"[{"n":"n","vs":"warm"}]"#, "holds vs, no number"),
        (r#"[{"n":"n","v":"18"}]"#, "field v is no number"),
        (r#"{"n":"n","v":18}"#, "an array of records"),
        ("[18]", "a SenML record is an object"),
        ("[]", "the pack is empty"),
    ] {
        let reason = refused(record(Quantity::SoilTemperature, "C", "n"), pack);
        assert!(reason.contains(words), "{pack}: {reason}");
    }
    // Base fields alone say nothing yet, and that is no fault.
    assert_eq!(read(record(Quantity::SoilTemperature, "C", "n"), r#"[{"n":"n","bu":"Cel"}]"#), []);
}

fn samples(form: TimeForm) -> Probe {
    Probe {
        samples: Some("/buffer".to_owned()),
        pointer: Some("/v".to_owned()),
        time: form,
        time_pointer: Some("/t".to_owned()),
        ..patch::probe("node", Quantity::SoilTemperature)
    }
}

#[test]
fn an_array_of_samples_is_read_oldest_first() {
    let noon_s = NOON_MS / 1000;
    let payload = format!(
        r#"{{"buffer": [{{"t":{noon_s},"v":18}}, {{"t":{},"v":"16,5"}}, {{"t":{},"v":17}}]}}"#,
        noon_s - 1200,
        noon_s - 600
    );
    let all = [(1200.0, 16.5, true, None), (600.0, 17.0, true, None), (0.0, 18.0, true, None)];
    assert_eq!(read(samples(TimeForm::EpochSeconds), &payload), all);
    assert_eq!(read(samples(TimeForm::EpochSeconds), r#"{"buffer": []}"#), []);
    let rows = Probe {
        samples: Some(String::new()),
        pointer: Some("/1".to_owned()),
        time_pointer: Some("/0".to_owned()),
        ..samples(TimeForm::Rfc3339)
    };
    assert_eq!(read(rows, r#"[["2027-07-01T11:50:00Z", 17]]"#), [(600.0, 17.0, true, None)]);
    assert!(refused(samples(TimeForm::EpochSeconds), r#"{"buffer": 5}"#).contains("not an array of samples"));
    assert!(refused(samples(TimeForm::EpochSeconds), r#"{"t": 5}"#).contains("nothing stands at /buffer"));
}

/// A buffer with a torn sample in it: the others count, and one refusal says how many were not taken.
#[test]
fn one_bad_sample_spoils_no_other() {
    let noon_s = NOON_MS / 1000;
    let payload = format!(
        r#"{{"buffer": [{{"t":{},"v":16}}, {{"t":{noon_s},"v":null}}, {{"v":3}}, {{"t":{noon_s},"v":18}}]}}"#,
        noon_s - 600
    );
    let taken = take(samples(TimeForm::EpochSeconds), &payload);
    assert_eq!(taken.readings.iter().map(|reading| reading.value).collect::<Vec<_>>(), [16.0, 18.0]);
    assert_eq!(taken.refusals.len(), 1);
    assert!(taken.refusals[0].1.reason.contains("2 of 4 samples: null stands at /v"), "{:?}", taken.refusals);
    let (lines, good) = explain(
        &patch::garden(vec![samples(TimeForm::EpochSeconds)]),
        "patch/node",
        payload.as_bytes(),
        NOON_MS,
    );
    let words = lines.join("\n");
    assert!(!good && words.matches("kept: ").count() == 2 && words.contains("refused: 2 of 4"), "{words}");
}

/// A last will is no reading, also where the probe's own filter takes it in, and its kept word counts.
#[test]
fn a_last_will_tells_who_is_gone() {
    let will = LastWill {
        topic: "patch/node/state".to_owned(),
        online: "up".to_owned(),
        offline: "down".to_owned(),
    };
    let probe = Probe {
        topic: "patch/#".to_owned(),
        last_will: Some(will),
        ..patch::probe("node", Quantity::SoilTemperature)
    };
    let garden = patch::garden(vec![probe]);
    assert_eq!(rindwatch::broker::filters(&garden), [("patch/#".to_owned(), 1)]);
    let mut intake = Intake::new(garden);
    let mut taken = Taken::default();
    for (payload, presence) in [("up", Some(true)), ("down\n", Some(false)), ("", None), ("asleep", None)] {
        intake.take("patch/node/state", payload.as_bytes(), NOON_MS, true, &mut taken);
        assert_eq!(taken.presence.first().map(|(_, present)| *present), presence, "{payload}");
        assert_eq!((taken.readings.len(), taken.refusals.len()), (0, usize::from(payload == "asleep")));
        assert!(!taken.unknown);
    }
    intake.take("patch/node", b"18.5", NOON_MS, false, &mut taken);
    assert_eq!((taken.readings.len(), taken.presence.len()), (1, 0));
}

/// A node without a clock stamps its buffer with the seconds since it started.
#[test]
fn a_node_without_a_clock_counts_from_its_start() {
    let probe = || samples(TimeForm::EpochSeconds);
    let at = |times: [i64; 3]| {
        let [first, second, third] = times;
        let payload = format!(
            r#"{{"buffer": [{{"t":{first},"v":16}}, {{"t":{second},"v":17}}, {{"t":{third},"v":18}}]}}"#
        );
        read(probe(), &payload)
    };
    let believed = [(1200.0, 16.0, false, None), (600.0, 17.0, false, None), (0.0, 18.0, false, None)];
    assert_eq!(at([5000, 5600, 6200]), believed);
    let newest_first = [(1200.0, 18.0, false, None), (600.0, 17.0, false, None), (0.0, 16.0, false, None)];
    assert_eq!(at([6200, 5600, 5000]), newest_first);
    // It started anew between the second and the third: when the first two were measured nobody knows.
    let unsure = |value| (0.0, value, false, Some(Doubt::ClockUnsure));
    assert_eq!(at([5000, 5600, 12]), [unsure(16.0), unsure(17.0), unsure(18.0)]);
    // One of them knows the time: the others are no moments since 1970, and are refused as ever.
    let payload = format!(r#"{{"buffer": [{{"t":5000,"v":16}}, {{"t":{},"v":17}}]}}"#, NOON_MS / 1000);
    let taken = take(probe(), &payload);
    assert_eq!((taken.readings.len(), taken.refusals.len()), (1, 1));
    assert!(taken.refusals[0].1.reason.contains("the node's clock was not set"));
}
