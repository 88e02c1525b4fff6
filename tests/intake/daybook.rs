//! The day book: every line of the format's list, what people write beside it, and the way back.

use std::sync::Arc;

use chrono::{NaiveDate, NaiveTime};
use proptest::prelude::*;
use rindwatch::daybook::{Entry, Feel, FlowerState, FruitState, ProbeChange, VineWork, parse, read, write};
use rindwatch::quantities::Quantity;
use rindwatch::rfc3339;
use rindwatch::settings::garden::Garden;

use crate::patch;

fn garden() -> Arc<Garden> {
    patch::garden(vec![
        patch::probe("long-upper", Quantity::SoilMoisture),
        patch::probe("soil", Quantity::SoilTemperature),
    ])
}

fn entry(words: &str) -> Entry {
    parse(words, &garden()).unwrap_or_else(|error| panic!("{words:?}: {error}"))
}

fn refused(words: &str) -> String {
    parse(words, &garden()).unwrap_err().to_string()
}

/// Every example of the format, by its canonical line.
#[test]
fn lines_of_the_format_and_their_canonical_form() {
    for (words, canonical) in [
        ("watered long 6 cans", "watered long 60 L"),
        ("watered long 60 L", "watered long 60 L"),
        ("watered long 40 min", "watered long 480 L"),
        ("rain 12 mm", "rain 12 mm"),
        ("tape f1 around 182 cm stem 140 cm side 138 cm", "tape f1 around 182 cm stem 140 cm side 138 cm"),
        ("flower f2 bud", "flower f2 bud"),
        ("flower f2 open tomorrow", "flower f2 open tomorrow"),
        ("flower f2 open", "flower f2 open"),
        ("flower f2 pollinated by hand", "flower f2 pollinated by hand"),
        ("flower f2 pollinated", "flower f2 pollinated"),
        ("flower f2 set", "flower f2 set"),
        ("flower f2 lost", "flower f2 lost"),
        ("flower f2 bud on long", "flower f2 bud on long"),
        ("flower f2 on bed long pollinated by hand", "flower f2 pollinated by hand on long"),
        ("fruit f1 long cut", "fruit f1 cut on long"),
        ("fruit long cut", "fruit long cut"),
        ("fruit f1 keeper", "fruit f1 keeper"),
        ("fruit f1 spare", "fruit f1 spare"),
        ("fruit f1 culled", "fruit f1 culled"),
        ("fruit f1 cut", "fruit f1 cut"),
        ("weighed f1 412 kg", "weighed f1 412 kg"),
        ("buried long 14 nodes", "buried long 14 nodes"),
        ("leafed long 18 m2", "leafed long 18 m2"),
        ("rooted long 7 m2", "rooted long 7 m2"),
        ("fed long fish emulsion 2 L", "fed long fish emulsion 2 L"),
        ("scouted beetles 3 mildew 0", "scouted beetles 3 mildew 0"),
        ("covered f1", "covered f1"),
        ("uncovered f1", "uncovered f1"),
        ("shaded f1", "shaded f1"),
        ("unshaded f1", "unshaded f1"),
        ("covered long", "covered long"),
        ("uncovered long", "uncovered long"),
        ("probe long-upper moved", "probe long-upper moved"),
        ("probe long-upper battery", "probe long-upper battery"),
        ("probe long-upper full mark 0.36", "probe long-upper full mark 0.36"),
        ("probe long-upper dry mark 0.12", "probe long-upper dry mark 0.12"),
        ("felt long dry", "felt long dry"),
        ("felt long damp", "felt long damp"),
        ("felt long wet", "felt long wet"),
        ("marks long refill 40 %", "marks long refill 40 %"),
        ("accept 3", "accept 3"),
        (
            "away 2027-08-06 to 2027-08-15 stand-in neighbour",
            "away 2027-08-06 to 2027-08-15 stand-in neighbour",
        ),
        ("note anything at all", "note anything at all"),
        ("done 2", "done 2"),
        ("later 2 18:00", "later 2 18:00"),
        ("not needed 2", "not needed 2"),
        ("planted long", "planted long"),
        ("mound core hot", "mound core hot"),
        ("pruned long", "pruned long"),
        ("pinned long", "pinned long"),
        ("sprayed long 7", "sprayed long 7"),
    ] {
        assert_eq!(entry(words).to_string(), canonical, "{words}");
    }
}

#[test]
fn order_case_and_units_are_free() {
    for words in [
        "watered 6 cans long",
        "Watered LONG 6cans",
        "watered the long bed with 60 litres",
        "watered 60,0l long",
    ] {
        assert_eq!(entry(words), Entry::Watered { bed: "long".to_owned(), litres: 60.0 }, "{words}");
    }
    assert_eq!(entry("weighed 412,5kg F1").to_string(), "weighed f1 412.5 kg");
    assert_eq!(entry("flower open tomorrow f2").to_string(), "flower f2 open tomorrow");
    assert_eq!(entry("felt damp long").to_string(), "felt long damp");
    assert_eq!(entry("later 18:00 2").to_string(), "later 2 18:00");
    assert_eq!(entry("marks refill 40% long").to_string(), "marks long refill 40 %");
    assert_eq!(entry("probe full mark 36 % long-upper").to_string(), "probe long-upper full mark 0.36");
    assert_eq!(entry("mound core hot round").to_string(), "mound core hot round");
}

/// Exact by definition: US gallon 3.785411784 L, inch 2.54 cm, foot 0.3048 m, pound 0.45359237 kg
/// (NIST SP 811, appendix B); what is converted is kept to a thousandth.
#[test]
fn us_units_as_in_nist_sp_811() {
    assert_eq!(entry("watered long 100 gal").to_string(), "watered long 378.541 L");
    assert_eq!(entry("rain 0.5 in").to_string(), "rain 12.7 mm");
    assert_eq!(entry("tape f1 around 100 in stem 10 ft").to_string(), "tape f1 around 254 cm stem 304.8 cm");
    assert_eq!(entry("weighed f1 1000 lb").to_string(), "weighed f1 453.592 kg");
    assert_eq!(entry("leafed long 100 ft2").to_string(), "leafed long 9.29 m2");
}

#[test]
fn a_refusal_says_what_was_understood_and_what_was_not() {
    for (words, parts) in [
        ("", &["empty"] as &[_]),
        ("watred long 6 cans", &["\"watred\" is no verb", "watered"]),
        ("watered lnog 6 cans", &["the beds are long, round", "lnog"]),
        (
            "watered long",
            &["understood: watered, bed long", "amount of water is missing", "L, gal, cans, min"],
        ),
        ("watered long 6 buckets", &["\"6 buckets\" is no amount of water"]),
        ("watered long 6 cans slowly", &["6 cans", "\"slowly\" means nothing here"]),
        ("watered long 4000 L", &["4000 L?", "0.01 to 3000 L", "look again"]),
        ("watered long 0 L", &["0 L?"]),
        ("watered long -5 L", &["\"-5 L\" is not that"]),
        ("watered long 1,500 gal", &["1500 or 1.500"]),
        ("rain 9 m", &["\"9 m\" is no amount of rain"]),
        ("tape f1", &["fruit f1", "around, stem, side or length"]),
        ("tape around 182 cm", &["name of the fruit is missing"]),
        ("fruit f1 huge", &["state of the fruit is missing", "huge"]),
        ("buried long 1.5 nodes", &["number of nodes is missing"]),
        ("probe long-lower moved", &["the probes are long-upper, soil", "long-lower"]),
        ("probe soil full mark 0.3", &["only a soil moisture probe"]),
        ("probe long-upper full mark 3", &["outside 0 to 0.6"]),
        ("marks long refill 95 %", &["95 %?"]),
        ("away 2027-08-15 to 2027-08-06", &["before it begins"]),
        ("away 2027-08-32 to 2027-09-06", &["the last day"]),
        ("later 2 25:00", &["the time (like 18:00) is missing"]),
        ("done", &["number of the task"]),
        ("done 0", &["0 the task"]),
        ("scouted beetles", &["\"beetles\" needs a number"]),
        ("scouted long beetles 3", &["leave out long"]),
        ("note", &["no words"]),
    ] {
        let words_back = refused(words);
        for part in parts {
            assert!(words_back.contains(part), "{words:?} -> {words_back}: {part:?} is missing");
        }
    }
}

#[test]
fn minutes_need_a_hose_and_one_bed_needs_no_name() {
    let mut garden = Garden::clone(&garden());
    garden.vessels.hose_l_min = None;
    assert!(parse("watered long 40 min", &garden).unwrap_err().to_string().contains("no hose"));
    garden.beds.truncate(1);
    assert_eq!(parse("watered 6 cans", &garden).unwrap().to_string(), "watered long 60 L");
    assert!(
        parse("watered lnog 6 cans", &garden).unwrap_err().to_string().contains("\"lnog\" means nothing")
    );
}

#[test]
fn a_day_book_file_goes_out_and_in() {
    let text = "time,entry,entered\n\
        2027-07-01T18:30:00Z,watered long 60 L,2027-07-01T19:00:00Z\n\
        2027-07-02T04:00:00Z,\"note rain, at last\",\n";
    let rows = read(text.as_bytes(), &garden()).unwrap();
    assert_eq!(rows.len(), 2);
    assert_eq!(Some(rows[0].heard_ms()), rfc3339::parse("2027-07-01T19:00:00Z"));
    assert_eq!(Some(rows[1].heard_ms()), rfc3339::parse("2027-07-02T04:00:00Z"));
    assert_eq!(String::from_utf8(write(&rows).unwrap()).unwrap(), text);
}

#[test]
fn a_bad_day_book_file_is_refused_whole_with_every_line() {
    let text = "time,entry\n2027-07-01T18:30:00Z,done 2\nyesterday,done 2\n2027-07-01T18:30:00Z,did 2\n\
        2027-07-01T18:30:00Z,note a,b\n";
    let error = read(text.as_bytes(), &garden()).unwrap_err().to_string();
    let lines: Vec<_> = error.lines().collect();
    assert_eq!(lines.len(), 3, "{error}");
    assert!(lines[0].starts_with("day book line 3: \"yesterday\" is not an RFC 3339 time"), "{error}");
    assert!(lines[1].contains("line 4") && lines[1].contains("\"did\" is no verb"), "{error}");
    assert!(lines[2].contains("line 5") && lines[2].contains("3 columns"), "{error}");
    assert!(read("when,what\n".as_bytes(), &garden()).unwrap_err().to_string().contains("when,what"));
}

fn bed() -> impl Strategy<Value = String> {
    prop_oneof![Just("long".to_owned()), Just("round".to_owned())]
}

fn name() -> impl Strategy<Value = String> {
    "[a-z]{1,3}-?[0-9]{1,3}"
}

fn entries() -> impl Strategy<Value = Entry> {
    let length = || proptest::option::of(0.1..1000.0);
    let day = || {
        (2020..2100, 1u32..=366)
            .prop_filter_map("a day of that year", |(year, day)| NaiveDate::from_yo_opt(year, day))
    };
    let flower = prop_oneof![
        Just(FlowerState::Bud),
        Just(FlowerState::OpenTomorrow),
        Just(FlowerState::Open),
        any::<bool>().prop_map(|by_hand| FlowerState::Pollinated { by_hand }),
        Just(FlowerState::Set),
        Just(FlowerState::Lost),
    ];
    let fruit = prop_oneof![
        Just(FruitState::Keeper),
        Just(FruitState::Spare),
        Just(FruitState::Culled),
        Just(FruitState::Cut),
        Just(FruitState::Lost),
    ];
    let change = prop_oneof![
        Just(ProbeChange::Moved),
        Just(ProbeChange::Battery),
        (0.0..0.6).prop_map(ProbeChange::FullMark),
        (0.0..0.6).prop_map(ProbeChange::DryMark),
    ];
    let feel = prop_oneof![Just(Feel::Dry), Just(Feel::Damp), Just(Feel::Wet)];
    let vine = prop_oneof![Just(VineWork::Pruned), Just(VineWork::Pinned)];
    let seen = ("[a-z]{1,9}( [a-z]{4,9})?", any::<u32>())
        .prop_filter("no bed", |(what, _)| !what.split(' ').any(|word| word == "long" || word == "round"));
    prop_oneof![
        (bed(), 0.01..3000.0).prop_map(|(bed, litres)| Entry::Watered { bed, litres }),
        (0.0..500.0).prop_map(|depth_mm| Entry::Rain { depth_mm }),
        (name(), 0.1..1000.0, length(), length(), length()).prop_map(
            |(fruit, around, stem_cm, side_cm, length_cm)| {
                Entry::Tape { fruit, around_cm: Some(around), stem_cm, side_cm, length_cm }
            }
        ),
        (name(), flower, proptest::option::of(bed())).prop_map(|(flower, state, bed)| Entry::Flower {
            flower,
            state,
            bed
        }),
        (name(), fruit, proptest::option::of(bed())).prop_map(|(fruit, state, bed)| Entry::Fruit {
            fruit,
            state,
            bed
        }),
        (name(), 0.001..2000.0).prop_map(|(fruit, mass_kg)| Entry::Weighed { fruit, mass_kg }),
        (bed(), 1u32..=500).prop_map(|(bed, nodes)| Entry::Buried { bed, nodes }),
        (bed(), 0.001..1000.0).prop_map(|(bed, area_m2)| Entry::Leafed { bed, area_m2 }),
        (bed(), 0.001..1000.0).prop_map(|(bed, area_m2)| Entry::Rooted { bed, area_m2 }),
        (bed(), "[!-~]{1,12}( [!-~]{1,12}){0,3}").prop_map(|(bed, what)| Entry::Fed { bed, what }),
        proptest::collection::vec(seen, 1..4).prop_map(|counts| Entry::Scouted { counts }),
        (name(), any::<bool>()).prop_map(|(what, on)| Entry::Shaded { what, on }),
        (bed(), any::<bool>()).prop_map(|(what, on)| Entry::Covered { what, on }),
        change.prop_map(|change| Entry::Probe { probe: "long-upper".to_owned(), change }),
        (bed(), feel).prop_map(|(bed, feel)| Entry::Felt { bed, feel }),
        (bed(), 500u32..=8000).prop_map(|(bed, share)| Entry::Marks {
            bed,
            refill_share_used: f64::from(share) / 100.0 / 100.0
        }),
        (1u32..).prop_map(|number| Entry::Accept { number }),
        (day(), day(), proptest::option::of("[!-~]{1,9}( [!-~]{1,9})?")).prop_map(
            |(one, other, stand_in)| { Entry::Away { from: one.min(other), to: one.max(other), stand_in } }
        ),
        (1u32..).prop_map(|task| Entry::Done { task }),
        (1u32.., 0u32..24, 0u32..60).prop_map(|(task, hour, minute)| Entry::Later {
            task,
            until: NaiveTime::from_hms_opt(hour, minute, 0).unwrap(),
        }),
        (1u32..).prop_map(|task| Entry::NotNeeded { task }),
        bed().prop_map(|bed| Entry::Planted { bed }),
        proptest::option::of(bed()).prop_map(|bed| Entry::CoreHot { bed }),
        (bed(), vine).prop_map(|(bed, what)| Entry::VineWork { bed, what }),
        (bed(), 0u32..=365).prop_map(|(bed, wait_days)| Entry::Sprayed { bed, wait_days }),
        "[!-~]{1,9}([ \t]{1,3}[!-~]{1,9}){0,4}".prop_map(|words| Entry::Note { words }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_printed_entry_reads_back_as_itself(entry in entries()) {
        let line = entry.to_string();
        prop_assert_eq!(parse(&line, &garden()).map_err(|error| format!("{line}: {error}")), Ok(entry));
    }

    #[test]
    fn no_words_break_the_parser(words in prop_oneof![
        "\\PC{0,60}",
        "(watered|tape|rain|away|later|probe|scouted|not|mound) ?[a-z0-9.,%:² -]{0,40}",
    ]) {
        if let Ok(entry) = parse(&words, &garden()) {
            prop_assert_eq!(parse(&entry.to_string(), &garden()), Ok(entry));
        }
    }
}
