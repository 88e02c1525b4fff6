//! Intake and day book: from bytes and words to readings and entries, against the standards they speak.

#![allow(clippy::unwrap_used, clippy::panic)]

#[path = "intake/daybook.rs"]
mod daybook;
#[path = "intake/many.rs"]
mod many;
#[path = "support/patch.rs"]
mod patch;

use std::sync::Arc;

use proptest::prelude::*;
use rindwatch::intake::{Intake, Known, Met, Taken, explain, matches};
use rindwatch::quantities::Quantity;
use rindwatch::record::{Doubt, ProbeIx, Reading};
use rindwatch::rfc3339;
use rindwatch::settings::garden::*;

/// 2027-07-01T12:00:00Z.
const NOON_MS: i64 = 1_814_443_200_000;

fn take(probe: Probe, payload: &[u8], retained: bool) -> Result<Reading, String> {
    let topic = probe.topic.clone();
    let mut intake = Intake::new(patch::garden(vec![probe]));
    let mut taken = Taken::default();
    intake.take(&topic, payload, NOON_MS, retained, &mut taken);
    assert!(!taken.unknown);
    match (taken.readings.first(), taken.refusals.first()) {
        (Some(reading), None) => Ok(*reading),
        (None, Some((Some(ProbeIx(0)), refusal))) => Err(refusal.reason.clone()),
        other => panic!("neither one reading nor one refusal: {other:?}"),
    }
}

fn value(probe: Probe, payload: &str) -> f64 {
    take(probe, payload.as_bytes(), false).unwrap().value
}

fn soil_c() -> Probe {
    patch::probe("soil", Quantity::SoilTemperature)
}

fn json(pointer: &str) -> Probe {
    Probe { pointer: Some(pointer.to_owned()), ..soil_c() }
}

fn timed(form: TimeForm) -> Probe {
    Probe { time: form, time_pointer: Some("/at".to_owned()), ..json("/v") }
}

/// MQTT 5.0 §4.7.1.2, §4.7.1.3, §4.7.2 and §4.7.3: each example of the text.
#[test]
fn filters_match_as_in_mqtt_5_section_4_7() {
    let yes = [
        ("sport/tennis/player1/#", "sport/tennis/player1"),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking"),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon"),
        ("sport/#", "sport"),
        ("#", "sport/tennis/player1"),
        ("#", "/finance"),
        ("sport/tennis/+", "sport/tennis/player1"),
        ("sport/tennis/+", "sport/tennis/player2"),
        ("sport/+", "sport/"),
        ("+", "sport"),
        ("+/tennis/#", "sport/tennis/player1"),
        ("sport/+/player1", "sport/tennis/player1"),
        ("+/+", "/finance"),
        ("/+", "/finance"),
        ("$SYS/#", "$SYS/monitor/Clients"),
        ("$SYS/monitor/+", "$SYS/monitor/Clients"),
        ("Accounts payable", "Accounts payable"),
    ];
    let no = [
        ("sport/tennis/+", "sport/tennis/player1/ranking"),
        ("sport/+", "sport"),
        ("+", "/finance"),
        ("#", "$SYS/monitor/Clients"),
        ("+/monitor/Clients", "$SYS/monitor/Clients"),
        ("ACCOUNTS", "Accounts"),
        ("/A", "A"),
        ("sport/tennis/#/ranking", "sport/tennis/player1/ranking"),
        ("sport+", "sport"),
        ("sport/tennis#", "sport/tennis"),
        ("sport", ""),
    ];
    for (filter, topic) in yes {
        assert!(matches(filter, topic), "{filter} should match {topic}");
    }
    for (filter, topic) in no {
        assert!(!matches(filter, topic), "{filter} should not match {topic}");
    }
}

#[test]
fn bare_numbers_as_nodes_send_them() {
    for payload in [
        "21.5",
        "21,5",
        "21.5\n",
        "21.5\r\n",
        " 21.5 ",
        "\"21.5\"",
        "'21,5'",
        "+21.5",
        "2.15e1",
        "21.5\0",
        "21.5 °C",
        "21.5C",
        "21,5 degC",
        "\u{feff}21.5",
    ] {
        assert_eq!(value(soil_c(), payload), 21.5, "{payload:?}");
    }
    assert_eq!(value(soil_c(), "\u{2212}3,25"), -3.25);
    assert!(value(soil_c(), "-0.001").is_sign_positive());
}

#[test]
fn what_is_no_number_is_refused_with_its_words() {
    for (payload, word) in [
        ("", "empty"),
        ("\r\n", "empty"),
        ("nan", "\"nan\" is not a number"),
        ("NaN", "is not a number"),
        ("null", "is not a number"),
        ("unavailable", "\"unavailable\" is not a number"),
        ("inf", "is not a number"),
        ("-inf", "is not a number"),
        ("1e999", "beyond all numbers"),
        ("1e300", "too large to be kept"),
        ("1,234.5", "is not a number"),
        ("1.2.3", "is not a number"),
        ("--5", "is not a number"),
        ("0x1F", "ends in no unit we know"),
        ("71 F", "but the probe is set in °C"),
        ("{\"v\": 1}", "a JSON document; set value"),
    ] {
        let reason = take(soil_c(), payload.as_bytes(), false).unwrap_err();
        assert!(reason.contains(word), "{payload:?}: {reason}");
    }
    let reason = take(soil_c(), b"71 F", false).unwrap_err();
    assert!(reason.contains("71 F") && reason.contains("set unit = \"F\""), "{reason}");
    assert!(take(soil_c(), b"21.\xff5", false).unwrap_err().contains("byte at 3 is not UTF-8"));
    let long = "1".repeat(65_537);
    assert!(take(soil_c(), long.as_bytes(), false).unwrap_err().contains("at most 65536"));
    assert!(take(soil_c(), &long.as_bytes()[..65_536], false).unwrap_err().contains("is not a number"));
}

/// RFC 6901 §5: the document and each pointer of it that leads to a number.
#[test]
fn pointers_find_what_rfc_6901_section_5_says() {
    let document = r#"{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4,
        "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}"#;
    for (pointer, number) in [
        ("/", 0.0),
        ("/a~1b", 1.0),
        ("/c%d", 2.0),
        ("/e^f", 3.0),
        ("/g|h", 4.0),
        ("/i\\j", 5.0),
        ("/k\"l", 6.0),
        ("/ ", 7.0),
        ("/m~0n", 8.0),
    ] {
        assert_eq!(value(json(pointer), document), number, "{pointer}");
    }
    let reason = take(json("/foo/0"), document.as_bytes(), false).unwrap_err();
    assert!(reason.contains("\"bar\" is not a number") && reason.contains("/foo/0"), "{reason}");
    let reason = take(json("/foo"), document.as_bytes(), false).unwrap_err();
    assert!(reason.contains("an array stands at /foo"), "{reason}");
}

#[test]
fn json_values_may_be_written_as_text() {
    assert_eq!(value(json("/v"), r#"{"v": "21,5 °C"}"#), 21.5);
    assert_eq!(value(json(""), "21.5"), 21.5);
    let reason = take(json("/temp"), br#"{"air": {"temp": 20.5}, "hum": 60}"#, false).unwrap_err();
    assert!(reason.contains("nothing stands at /temp; there are /air/temp, /hum"), "{reason}");
    assert!(take(json("/v"), br#"{"v": null}"#, false).unwrap_err().contains("null stands at /v"));
    assert!(take(json("/v"), br#"{"v": NaN}"#, false).unwrap_err().contains("not JSON"));
    assert!(take(json("/v"), b"", false).unwrap_err().contains("empty"));
}

#[test]
fn a_thousand_levels_are_a_refusal_and_no_crash() {
    let deep = format!("{}1{}", "[".repeat(1000), "]".repeat(1000));
    assert!(take(json("/0"), deep.as_bytes(), false).unwrap_err().contains("recursion limit"));
}

#[test]
fn one_document_serves_all_its_probes() {
    let air = Probe { topic: "patch/#".to_owned(), pointer: Some("/t".to_owned()), ..soil_c() };
    let battery = Probe {
        topic: "patch/+".to_owned(),
        pointer: Some("/mv".to_owned()),
        unit: "mV".to_owned(),
        scaling: Scaling { factor: 0.001, offset: 0.0 },
        ..patch::probe("battery", Quantity::Battery)
    };
    let missing = Probe { topic: "patch/node".to_owned(), ..json("/gone") };
    let mut intake = Intake::new(patch::garden(vec![air, battery, missing]));
    let mut taken = Taken::default();
    for _ in 0..2 {
        intake.take("patch/node", br#"{"t": 19.25, "mv": 3312}"#, NOON_MS, false, &mut taken);
        let values: Vec<_> = taken.readings.iter().map(|reading| (reading.probe.0, reading.value)).collect();
        assert_eq!(values, [(0, 19.25), (1, 3.312)]);
        assert_eq!(taken.refusals.len(), 0);
    }
    // Where the message says nothing that is asked for, each probe hears why.
    intake.take("patch/node", br#"{"rssi": -71}"#, NOON_MS, false, &mut taken);
    assert_eq!((taken.readings.len(), taken.refusals.len()), (0, 3));
    assert_eq!(intake.refused().of_probe(ProbeIx(2)), 1);
}

/// A node sent its battery with every tenth message only; nine in ten were counted as unreadable, and the
/// grower was told that the battery probe is broken.
#[test]
fn a_member_left_out_now_and_then_is_no_fault() {
    let warm = Probe { topic: "patch/node".to_owned(), ..json("/t") };
    let battery = Probe {
        topic: "patch/node".to_owned(),
        pointer: Some("/bat".to_owned()),
        ..patch::probe("battery", Quantity::Battery)
    };
    let mut intake = Intake::new(patch::garden(vec![warm, battery]));
    let mut taken = Taken::default();
    intake.take("patch/node", br#"{"t": 19.25}"#, NOON_MS, false, &mut taken);
    assert_eq!((taken.readings.len(), taken.refusals.len()), (1, 0));
    // A member that is there and no number is one.
    intake.take("patch/node", br#"{"t": 19.25, "bat": null}"#, NOON_MS, false, &mut taken);
    assert_eq!((taken.readings.len(), taken.refusals.len()), (1, 1));
}

/// RFC 3339 §5.8: the examples of the text, by their UTC equivalents given there.
#[test]
fn times_as_in_rfc_3339_section_5_8() {
    assert_eq!(rfc3339::parse("1985-04-12T23:20:50.52Z"), Some(482_196_050_520));
    assert_eq!(rfc3339::parse("1996-12-19T16:39:57-08:00"), rfc3339::parse("1996-12-20T00:39:57Z"));
    assert_eq!(rfc3339::parse("1990-12-31T15:59:60-08:00"), rfc3339::parse("1990-12-31T23:59:60Z"));
    assert!(rfc3339::parse("1990-12-31T23:59:60Z").is_some());
    assert_eq!(rfc3339::parse("1937-01-01T12:00:27.87+00:20"), rfc3339::parse("1937-01-01T11:40:27.87Z"));
    for wrong in ["", "2027-02-29T00:00:00Z", "2027-07-01T24:00:00Z", "2027-07-01", "2027-07-01T06:00:00"] {
        assert_eq!(rfc3339::parse(wrong), None, "{wrong}");
    }
}

#[test]
fn own_times_in_each_form() {
    let at = |form, time: &str| {
        let reading = take(timed(form), format!(r#"{{"v": 20, "at": {time}}}"#).as_bytes(), true)?;
        assert!(reading.own_time);
        // A kept value that carries its own time is as good as any other.
        assert_eq!(reading.doubt, None);
        Ok::<_, String>(reading.at_ms - NOON_MS)
    };
    assert_eq!(at(TimeForm::EpochSeconds, "1814443140"), Ok(-60_000));
    assert_eq!(at(TimeForm::EpochSeconds, "1814443140.25"), Ok(-59_750));
    assert_eq!(at(TimeForm::EpochSeconds, "\"1814443140\""), Ok(-60_000));
    assert_eq!(at(TimeForm::EpochMillis, "1814443140001"), Ok(-59_999));
    assert_eq!(at(TimeForm::Rfc3339, "\"2027-07-01T13:59:00+02:00\""), Ok(-60_000));
    assert_eq!(at(TimeForm::Local, "\"2027-07-01T13:59:00\""), Ok(-60_000));
    assert_eq!(at(TimeForm::Local, "\"2027-07-01 13:59\""), Ok(-60_000));
    // A few minutes ahead is a clock that runs a little fast.
    assert_eq!(at(TimeForm::EpochMillis, "1814443440000"), Ok(240_000));
    assert!(at(TimeForm::Rfc3339, "1814443140").unwrap_err().contains("the time is a number"));
    assert!(at(TimeForm::Rfc3339, "\"yesterday\"").unwrap_err().contains("not RFC 3339"));
    assert!(at(TimeForm::EpochSeconds, "null").unwrap_err().contains("null stands at /at"));
}

#[test]
fn years_1970_and_2106_are_refused() {
    let take = |time: i64| {
        take(timed(TimeForm::EpochSeconds), format!(r#"{{"v": 20, "at": {time}}}"#).as_bytes(), false)
    };
    assert!(take(12).unwrap_err().contains("1970-01-01T00:00:12Z, before 2020"));
    assert!(take(i64::from(u32::MAX)).unwrap_err().contains("2106-02-07"));
    assert!(take(i64::MAX).unwrap_err().contains("more than a day"));
    assert!(take(i64::MIN).unwrap_err().contains("before 2020"));
    assert_eq!(take(NOON_MS / 1000 + 3600).unwrap().doubt, Some(Doubt::Future));
    assert!(take(NOON_MS / 1000 + 86_401).is_err());
}

/// Story: a board without a battery clock boots at its last saved hour. Nodes that keep the right time
/// then seem to speak from the future; their readings must not be refused for that.
#[test]
fn own_times_stand_while_our_clock_is_not_trusted() {
    let mut intake = Intake::new(patch::garden(vec![
        timed(TimeForm::EpochSeconds),
        Probe { topic: "patch/soil".to_owned(), ..json("/v") },
    ]));
    intake.trust_clock(false);
    let mut taken = Taken::default();
    let week_ahead = NOON_MS / 1000 + 7 * 86_400;
    let payload = format!(r#"{{"v": 20, "at": {week_ahead}}}"#);
    intake.take("patch/soil", payload.as_bytes(), NOON_MS, false, &mut taken);
    let doubts: Vec<_> = taken.readings.iter().map(|reading| (reading.at_ms, reading.doubt)).collect();
    assert_eq!(doubts, [(week_ahead * 1000, None), (NOON_MS, Some(Doubt::ClockUnsure))]);
}

/// The European Union changes its clocks at 01:00 UTC on the last Sundays of March and October
/// (Directive 2000/84/EC): 28 March and 31 October in 2027.
#[test]
fn local_times_that_happen_twice_or_never() {
    let at = |time: &str, arrived: &str| {
        let garden = patch::garden(vec![timed(TimeForm::Local)]);
        let payload = format!(r#"{{"v": 20, "at": "{time}"}}"#);
        let arrived_ms = rfc3339::parse(arrived).unwrap();
        let mut taken = Taken::default();
        Intake::new(Arc::clone(&garden)).take(
            "patch/soil",
            payload.as_bytes(),
            arrived_ms,
            false,
            &mut taken,
        );
        let (lines, _) = explain(&garden, "patch/soil", payload.as_bytes(), arrived_ms);
        let read = taken.readings.first().map(|reading| (reading.at_ms, reading.doubt));
        (read, lines.join("\n"))
    };
    // The earlier of the two whenever it comes, so that a repeat is known as one; and doubted.
    let earlier_ms = rfc3339::parse("2027-10-31T00:30:00Z").unwrap();
    for arrived in ["2027-10-31T00:31:00Z", "2027-10-31T01:31:00Z", "2027-11-02T06:00:00Z"] {
        let (read, words) = at("2027-10-31T02:30:00", arrived);
        assert_eq!(read, Some((earlier_ms, Some(Doubt::ClockUnsure))));
        assert!(words.contains("happens twice"), "{words}");
    }
    let (read, _) = at("2027-10-31T03:30:00", "2027-10-31T06:00:00Z");
    assert_eq!(read, Some((rfc3339::parse("2027-10-31T02:30:00Z").unwrap(), None)));
    let (read, words) = at("2027-03-28T02:30:00", "2027-03-28T06:00:00Z");
    assert_eq!(read, None);
    assert!(words.contains("refused: 2027-03-28 02:30:00 never happens in Europe/Berlin"), "{words}");
}

#[test]
fn implausible_values_are_kept_with_their_doubt() {
    let doubt = |probe: Probe, payload: &str| take(probe, payload.as_bytes(), false).unwrap().doubt;
    for sent in ["85", "85.00", "-127", "127"] {
        assert_eq!(doubt(soil_c(), sent), Some(Doubt::Sentinel), "{sent}");
    }
    assert_eq!(doubt(soil_c(), "60"), None);
    assert_eq!(doubt(soil_c(), "60.01"), Some(Doubt::OutOfRange));
    assert_eq!(doubt(patch::probe("rh", Quantity::AirHumidity), "85"), None);
    assert_eq!(doubt(patch::probe("rh", Quantity::AirHumidity), "-3"), Some(Doubt::OutOfRange));
    let fahrenheit = Probe {
        unit: "°F".to_owned(),
        scaling: Scaling { factor: 5.0 / 9.0, offset: -32.0 * 5.0 / 9.0 },
        ..soil_c()
    };
    assert_eq!(doubt(fahrenheit.clone(), "185"), Some(Doubt::Sentinel));
    assert_eq!(value(fahrenheit, "68 F"), 20.0);
}

#[test]
fn counts_that_fall_when_wet_become_soil_water() {
    let probe = Probe {
        unit: "counts".to_owned(),
        calibration: Some(TwoPoint { dry: (3000.0, 0.10), wet: (1000.0, 0.30) }),
        ..patch::probe("m", Quantity::SoilMoisture)
    };
    assert_eq!(value(probe.clone(), "3000"), 0.1);
    assert_eq!(value(probe.clone(), "1000"), 0.3);
    assert_eq!(value(probe.clone(), "1500"), 0.25);
    let flat = Probe { calibration: Some(TwoPoint { dry: (5.0, 0.1), wet: (5.0, 0.3) }), ..probe };
    assert!(take(flat, b"7", false).is_err());
}

#[test]
fn the_brokers_kept_value_is_of_unknown_age() {
    assert_eq!(take(soil_c(), b"20", true).unwrap().doubt, Some(Doubt::Retained));
    assert_eq!(take(soil_c(), b"20", false).unwrap().doubt, None);
}

#[test]
fn strangers_are_listed_and_their_number_is_bounded() {
    let mut intake = Intake::new(patch::garden(vec![soil_c()]));
    let mut taken = Taken::default();
    for at in 0..5000 {
        intake.take(&format!("shed/{at}"), b"\x00door", NOON_MS + at, false, &mut taken);
        assert!(taken.unknown && taken.readings.is_empty());
    }
    intake.take("shed/4999", "o\u{85}pen\u{fc}".as_bytes(), NOON_MS + 9999, false, &mut taken);
    let list = intake.strangers().list();
    assert_eq!(list.len(), 200);
    let (_, last) = list.iter().find(|(topic, _)| *topic == "shed/4999").unwrap();
    assert_eq!((last.payload.as_str(), last.count, last.last_ms), ("o\\xC2\\x85penü", 2, NOON_MS + 9999));
    assert!(list.iter().any(|(_, one)| one.payload == "\\x00door"));
}

#[test]
fn known_readings_by_moment() {
    let mut known = Known::new();
    let probe = ProbeIx(1);
    let day_ms = 86_400_000;
    assert_eq!(known.check(probe, 100 * day_ms, 5), Met::New);
    assert_eq!(known.check(probe, 100 * day_ms, 5), Met::Same);
    assert_eq!(known.check(probe, 100 * day_ms, 6), Met::Differs(5));
    assert_eq!(known.check(ProbeIx(0), 100 * day_ms, 6), Met::New);
    assert_eq!(known.check(probe, 99 * day_ms, 7), Met::New);
    assert_eq!(known.check(probe, 99 * day_ms, 7), Met::Same);
    assert_eq!(known.check(probe, 114 * day_ms + 1, 8), Met::New);
    assert_eq!(known.check(probe, 99 * day_ms, 7), Met::New);
    assert_eq!(known.check(probe, 100 * day_ms, 5), Met::Same);
}

#[test]
fn explain_goes_the_way_of_intake_and_hints_at_the_nearest_topic() {
    let garden = patch::garden(vec![soil_c(), timed(TimeForm::Rfc3339)]);
    let (lines, good) = explain(&garden, "patch/soil", b"71 F", NOON_MS);
    assert!(!good);
    assert!(lines.iter().any(|line| line.contains("refused") && line.contains("71 F")), "{lines:#?}");
    let (lines, good) = explain(&garden, "Patch/soil", b"21", NOON_MS);
    assert!(!good);
    let words = lines.join("\n");
    assert!(words.contains("only upper and lower case differ"), "{words}");
    assert!(words.contains("write topic = \"Patch/soil\""), "{words}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_bytes_break_it_and_what_is_taken_is_finite(
        payload in prop_oneof![
            proptest::collection::vec(any::<u8>(), 0..80),
            "[-+]?[0-9]{0,20}[.,]?[0-9]{0,20}(e[-+]?[0-9]{1,4})?[ ]?[a-zA-Z%°/²]{0,4}".prop_map(String::into_bytes),
            r#"\{"v": ?[-0-9.eE+"a-z]{0,12}, ?"at": ?[-0-9T:.Z"]{0,26}\}"#.prop_map(String::into_bytes),
            r#"\[(\{"v": ?-?[0-9]{1,9}, ?"at": ?[0-9]{1,11}, ?"n": ?"n", ?"t": ?-?[0-9]{1,11}\},){0,3}\{"n": "n"\}\]"#
                .prop_map(String::into_bytes),
        ],
        topic in "[a-z/$+#]{0,12}",
        arrived_ms in any::<i64>(),
        retained: bool,
    ) {
        let everything = |probe: Probe| Probe { topic: "#".to_owned(), ..probe };
        let garden = patch::garden(vec![
            everything(soil_c()),
            everything(json("/v")),
            everything(timed(TimeForm::EpochSeconds)),
            everything(timed(TimeForm::EpochMillis)),
            everything(timed(TimeForm::Rfc3339)),
            everything(timed(TimeForm::Local)),
            everything(Probe { record: Some("n".to_owned()), time: TimeForm::Record, ..soil_c() }),
            everything(Probe { samples: Some(String::new()), ..timed(TimeForm::EpochSeconds) }),
        ]);
        let mut intake = Intake::new(Arc::clone(&garden));
        let mut taken = Taken::default();
        intake.take(&topic, &payload, arrived_ms, retained, &mut taken);
        let (lines, good) = explain(&garden, &topic, &payload, arrived_ms);
        if !taken.unknown {
            let single = |ix: &ProbeIx| ix.0 < 6;
            let read = taken.readings.iter().filter(|reading| single(&reading.probe)).count();
            let refused = taken.refusals.iter().filter(|(ix, _)| ix.as_ref().is_some_and(single)).count();
            // What one message leaves out beside what it says is no refusal.
            prop_assert!(read + refused <= 6 && (!taken.readings.is_empty() || refused == 6));
            prop_assert_eq!(good, taken.refusals.is_empty());
        }
        prop_assert!(lines.iter().all(|line| !line.contains('\n')));
        for reading in &taken.readings {
            prop_assert!(reading.value.is_finite());
            let quantity = Quantity::SoilTemperature;
            prop_assert_eq!(quantity.from_steps(quantity.to_steps(reading.value)).to_bits(), reading.value.to_bits());
        }
    }

    #[test]
    fn usual_times_read_as_the_calendar_library_reads_them(
        ms in -2_000_000_000_000_i64..=4_102_444_800_000,
        offset_min in -840_i32..=840,
    ) {
        let zone = chrono::FixedOffset::east_opt(offset_min * 60).unwrap();
        let at = chrono::DateTime::from_timestamp_millis(ms).unwrap().with_timezone(&zone);
        prop_assert_eq!(rfc3339::parse(&at.to_rfc3339()), Some(ms));
    }
}
