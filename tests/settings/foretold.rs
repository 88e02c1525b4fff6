//! What `check` foretells.

use rindwatch::quantities::Quantity;
use rindwatch::record::Et0Method;
use rindwatch::settings::garden::Garden;
use rindwatch::settings::outlook;

use super::{MINIMAL, checked, garden, in_section, with};

#[test]
fn check_says_what_the_cards_three_sensors_can_do() {
    let (told, code) = checked(MINIMAL);
    assert_eq!(code, 0, "{told}");
    for words in [
        "long-moisture: soil-moisture in Long bed at 15 cm, topic garden/long/moisture",
        "QoS 1 without its own time: at least once",
        "water, Long bed: yes",
        "hold-water, Long bed: yes",
        "shade, Long bed: yes",
        "cover, Long bed: yes",
        "scout: no; mildew goes by air and humidity",
        "air is guessed from long-warmth",
        "hargreaves-soil",
        "one moisture probe",
    ] {
        assert!(told.contains(words), "{words} is missing in\n{told}");
    }
}

/// 75 ft2 of bed hold 80 mm between the marks: 147 US gallons (NIST SP 811: 1 gal = 3.785 412 L).
#[test]
fn check_speaks_the_growers_units() {
    let us = with(&with(MINIMAL, "\"7 m2\"", "\"75 ft2\""), "time-zone", "units = \"us\"\ntime-zone");
    let (told, _) = checked(&us);
    for words in ["75 ft2 rooted 16 in deep", "147 gal", "shade mark 90 °F, cover mark 37 °F", "±7 °F"] {
        assert!(told.contains(words), "{words} is missing in\n{told}");
    }
    assert!(!told.contains(" °C"), "{told}");
}

#[test]
fn check_says_what_each_way_of_delivery_may_lose() {
    let once = in_section("[probe.gauge]", "value = \"/r\"\ntime = \"rfc3339\"\ntime-at = \"/t\"");
    let claims = |text: &str| checked(text).0.contains("never lost, never doubled");
    assert!(claims(&once), "claimed for QoS 1 with its own time");
    assert!(!claims(MINIMAL), "and for nothing else");
    assert!(!claims(&with(&once, "time = \"rfc3339\"", "qos = 0\ntime = \"rfc3339\"")), "not for QoS 0");
    let lossy = in_section("[probe.gauge]", "qos = 0") + "\n[store]\ncommit-delay = \"20 s\"";
    assert!(checked(&lossy).0.contains("up to 20 s of messages are lost"));
    let increment = with(MINIMAL, "form = \"counter\"", "form = \"increment\"");
    assert!(checked(&increment).0.contains("flagged and not summed twice"));
}

#[test]
fn what_can_be_advised_follows_from_the_sensors() {
    let possible = |garden: &Garden, matter: &str| {
        outlook::advice(garden).iter().find(|line| line.matter == matter).unwrap().possible
    };
    let mut bare = garden(MINIMAL);
    bare.probes.retain(|probe| probe.quantity == Quantity::Rain);
    assert!(!possible(&bare, "shade") && !possible(&bare, "cover"), "no temperature at all");
    assert!(!possible(&bare, "scout"), "neither air nor humidity");
    assert!(possible(&bare, "water") && possible(&bare, "hold-water") && possible(&bare, "gear"));
    bare.probes.clear();
    assert!(!possible(&bare, "hold-water"));
}

/// The ladder of equations: FAO-56 chapters 3 and 4.
#[test]
fn the_equation_follows_from_the_sensors() {
    let probe = |measures: &str, unit: &str| {
        format!(
            "[probe.{measures}]\nmeasures = \"{measures}\"\ntopic = \"x/{measures}\"\nunit = \"{unit}\"\n"
        )
    };
    let air = format!("{MINIMAL}\n{}", probe("air-temperature", "C"));
    let humid = format!("{air}{}", probe("air-humidity", "%"));
    let full = format!("{humid}{}{}", probe("wind-speed", "m/s"), probe("solar-radiation", "W/m2"));
    let rows = [
        (MINIMAL.to_owned(), Et0Method::HargreavesSoil),
        (air, Et0Method::Hargreaves),
        (humid, Et0Method::PenmanMonteithPart),
        (full, Et0Method::PenmanMonteith),
    ];
    let mut last_mm = f64::INFINITY;
    for (text, wanted) in rows {
        let (method, sd_mm) = outlook::et0(&garden(&text));
        assert_eq!(method, wanted);
        assert!(sd_mm < last_mm, "each sensor makes it surer: {sd_mm} after {last_mm}");
        last_mm = sd_mm;
    }
}
