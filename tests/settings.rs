//! Settings: what a grower writes is read as meant, every mistake is named with its line, and `check` says
//! what will happen.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

use std::collections::BTreeSet;
use std::path::Path;

use chrono::NaiveTime;
use rindwatch::commands::check::check;
use rindwatch::quantities::Quantity;
use rindwatch::settings::garden::{Garden, RainForm, Role, TimeForm, Units};
use rindwatch::settings::{self, Complaints, secrets, units};

#[path = "settings/complaints.rs"]
mod complaints;
#[path = "settings/figures.rs"]
mod figures;
#[path = "settings/foretold.rs"]
mod foretold;

const MINIMAL: &str = include_str!("../config/minimal.toml");
const EXAMPLE: &str = include_str!("../config/example.toml");

fn read(text: &str) -> Result<Garden, Complaints> {
    settings::read_str("garden.toml", text)
}

fn garden(text: &str) -> Garden {
    read(text).unwrap_or_else(|complaints| panic!("{complaints}"))
}

/// `text` with one passage changed; the passage must stand there.
fn with(text: &str, old: &str, new: &str) -> String {
    assert!(text.contains(old), "no such passage: {old}");
    text.replacen(old, new, 1)
}

/// `minimal.toml` with lines put behind the head of a section.
fn in_section(section: &str, lines: &str) -> String {
    let head = MINIMAL.lines().find(|line| line.starts_with(section)).unwrap();
    with(MINIMAL, head, &format!("{head}\n{lines}"))
}

/// What `check` writes about `text`, with its exit code.
fn checked(text: &str) -> (String, u8) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("garden.toml");
    std::fs::write(&file, text).unwrap();
    let mut out = Vec::new();
    let code = check(&file, &mut out).unwrap();
    (String::from_utf8(out).unwrap(), code)
}

// The two files.

#[test]
fn the_card_garden_has_its_three_sensors_and_passes_check() {
    let measured: Vec<_> = garden(MINIMAL).probes.iter().map(|probe| probe.quantity).collect();
    assert_eq!(measured, [Quantity::SoilMoisture, Quantity::SoilTemperature, Quantity::Rain]);
    for file in ["config/minimal.toml", "config/example.toml"] {
        let mut out = Vec::new();
        let code = check(&Path::new(env!("CARGO_MANIFEST_DIR")).join(file), &mut out).unwrap();
        assert_eq!(code, 0, "{}", String::from_utf8_lossy(&out));
    }
}

fn is_key_line(line: &str) -> bool {
    line.split_once(" = ").is_some_and(|(key, _)| key.chars().all(|c| c.is_ascii_lowercase() || c == '-'))
}

#[test]
fn example_equals_the_defaults() {
    let whole = garden(EXAMPLE);
    let lines: Vec<&str> = EXAMPLE.lines().collect();
    let mut tried = 0;
    for (at, line) in lines.iter().enumerate().filter(|(_, line)| is_key_line(line)) {
        let comment = lines[..at].iter().rev().take_while(|above| above.starts_with("# "));
        let must = comment.into_iter().any(|above| above.contains("Must be set"));
        let without = [&lines[..at], &lines[at + 1..]].concat().join("\n");
        match read(&without) {
            Ok(left) => {
                assert!(!must, "`{line}` is said to be a must, but may be left out");
                assert_eq!(left, whole, "`{line}` is not the default");
            }
            Err(complaints) => {
                assert!(must, "`{line}` is not said to be a must: {complaints}");
                assert_eq!(complaints.0.len(), 1, "leaving out `{line}`: {complaints}");
            }
        }
        tried += 1;
    }
    assert!(tried > 30, "only {tried} keys were tried");
}

/// `EXAMPLE` with every `#key` line switched on.
fn all_switched_on() -> String {
    let on = |line: &str| match line.strip_prefix('#') {
        Some(rest) if !rest.starts_with(' ') && !rest.is_empty() => rest.to_owned(),
        _ => line.to_owned(),
    };
    EXAMPLE.lines().map(on).collect::<Vec<_>>().join("\n")
}

#[test]
fn what_is_switched_off_in_example_can_be_switched_on() {
    let all = garden(&all_switched_on());
    assert_eq!(
        all.people.iter().map(|person| person.role).collect::<Vec<_>>(),
        [Role::Grower, Role::StandIn, Role::Backup]
    );
    assert_eq!(all.probes.len(), 5);
    assert_eq!(all.probes[2].samples.as_deref(), Some("/samples"));
    assert_eq!(all.probes[3].time, TimeForm::Record);
    assert!(all.mirror.is_some() || !cfg!(feature = "mirror"));
}

/// Keys with their tables, `*` for a name of the grower's own.
fn generic(key: &str) -> String {
    let parts: Vec<&str> = key.split('.').collect();
    match parts.as_slice() {
        [table @ ("people" | "bed" | "probe"), _, rest @ ..] => [&[table, "*"], rest].concat().join("."),
        _ => key.to_owned(),
    }
}

#[test]
fn example_shows_every_key_the_reader_knows_and_no_other() {
    fn walk(path: &str, table: &toml::Table, all: &mut BTreeSet<String>) {
        for (key, value) in table {
            let key = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
            all.insert(generic(&key));
            if let toml::Value::Table(inner) = value {
                walk(&key, inner, all);
            }
        }
    }
    let mut shown = BTreeSet::new();
    walk("", &all_switched_on().parse().unwrap(), &mut shown);
    let refused = ["broker.password", "mail.password", "mirror.token", "sign-of-life.url"];
    let known: BTreeSet<_> = settings::keys(&all_switched_on()).iter().map(|key| generic(key)).collect();
    let known: BTreeSet<_> = known.into_iter().filter(|key| !refused.contains(&key.as_str())).collect();
    assert_eq!(known, shown);
}

// What is meant.

/// NIST SP 811 (2008) appendix B.8: foot 0.3048 m, inch 25.4 mm, US gallon 3.785 412 L, mile an hour
/// 0.447 04 m/s, °C = (°F - 32)/1.8.
#[test]
fn us_units_mean_what_the_law_says() {
    let mut text = MINIMAL.to_owned();
    for (old, new) in [
        ("\"7 m2\"", "\"75 ft2\""),
        ("\"290 m\"", "\"950 ft\""),
        ("\"15 cm\"", "\"6 in\""),
        ("unit = \"C\"", "unit = \"F\""),
        ("unit = \"mm\"", "tip = \"0.01 in\"\nunit = \"tips\""),
        (
            "planted = 2027-05-20",
            "depth = \"16 in\"\nshade = \"90 F\"\ncover = \"37.4 °F\"\nintake = \"1 in/h\"",
        ),
        ("time-zone", "units = \"us\"\ntime-zone"),
    ] {
        text = with(&text, old, new);
    }
    text.push_str("\n[vessels]\ncan = \"2.5 gal\"\nhose = \"5 gal/min\"\n[probe.wind]\nmeasures = \"wind-speed\"\ntopic = \"w\"\nunit = \"mph\"");
    let us = garden(&text);
    let close = |is: f64, wanted: f64| assert!((is - wanted).abs() < 1e-6, "{is} is not {wanted}");
    close(us.place.altitude_m, 289.56);
    close(us.beds[0].rooted_m2, 6.967_728);
    close(us.beds[0].depth_m, 0.4064);
    close(us.beds[0].shade_c, 32.222_222);
    close(us.beds[0].cover_c, 3.0);
    close(us.beds[0].intake_mm_h, 25.4);
    close(us.vessels.can_l, 9.463_529);
    close(us.vessels.hose_l_min.unwrap(), 18.927_059);
    close(us.probes[0].depth_m.unwrap(), 0.1524);
    let value = |probe: usize, number: f64| {
        let scaling = us.probes[probe].scaling;
        number * scaling.factor + scaling.offset
    };
    close(value(1, 32.0), 0.0);
    close(value(1, 212.0), 100.0);
    close(value(2, 3.0), 0.762);
    close(value(3, 10.0), 4.4704);
    assert_eq!(us.people[0].units, Units::Us);
}

/// BIPM SI brochure (9th ed.): 0 °C = 273.15 K. FAO-56 table 3 gives 1 MJ/m² a day as 11.6 W/m², so an
/// hour's MJ is 24 times that: 277.8. A knot is 1,852 m in an hour.
#[test]
fn sensor_units_come_out_in_ours() {
    let rows = [
        (Quantity::SoilMoisture, "%", 31.0, 0.31),
        (Quantity::AirTemperature, "K", 273.15, 0.0),
        (Quantity::AirTemperature, "°F", -40.0, -40.0),
        (Quantity::Rain, "in", 1.0, 25.4),
        (Quantity::WindSpeed, "km/h", 36.0, 10.0),
        (Quantity::WindSpeed, "knots", 1.0, 0.514_444),
        (Quantity::SolarRadiation, "MJ/m2/h", 1.0, 277.777_778),
        (Quantity::Battery, "mV", 3700.0, 3.7),
        (Quantity::BatteryLevel, "%", 81.0, 81.0),
        (Quantity::BatteryLevel, "fraction", 0.81, 81.0),
        (Quantity::SignalQuality, "%", 44.0, 44.0),
    ];
    for (quantity, word, number, wanted) in rows {
        let unit = units::find(quantity, word).unwrap();
        let kept = number * unit.factor + unit.offset;
        assert!((kept - wanted).abs() < 1e-6, "{number} {word} is {kept}, not {wanted}");
    }
    assert!(units::find(Quantity::SolarRadiation, "lux").unwrap_err().contains("not how much energy"));
    assert!(units::find(Quantity::Battery, "%").unwrap_err().contains("voltage"));
}

/// The civil times of garden after garden; the wide zones of China and the date line are no lost minus
/// sign.
#[test]
fn zones_of_all_kinds_are_taken_with_their_longitudes() {
    let rows = [
        ("Europe/London", "-0.1"),
        ("America/St_Johns", "-52.7"),
        ("Australia/Lord_Howe", "159.1"),
        ("Asia/Kathmandu", "85.3"),
        ("Asia/Shanghai", "76.0"),
        ("Pacific/Kiritimati", "-157.4"),
        ("America/Argentina/Mendoza", "-68.8"),
        ("UTC", "10.0"),
    ];
    for (zone, longitude) in rows {
        let text = with(MINIMAL, "America/Chicago", zone);
        let read = garden(&with(&text, "longitude = -93.2", &format!("longitude = {longitude}")));
        assert_eq!(read.zone.name(), zone);
    }
}

#[test]
fn hours_may_run_over_midnight_and_lie_in_the_hour_that_spring_leaves_out() {
    let text =
        format!("{MINIMAL}\n[times]\nquiet = \"23:30-01:30\"\nwindows = [\"20:00-24:00\", \"02:00-03:00\"]");
    let read = garden(&text);
    let clock = |hour, minute| NaiveTime::from_hms_opt(hour, minute, 0).unwrap();
    assert_eq!((read.quiet.from, read.quiet.to), (clock(23, 30), clock(1, 30)));
    let windows: Vec<_> = read.windows.iter().map(|hours| (hours.from, hours.to)).collect();
    assert_eq!(windows, [(clock(2, 0), clock(3, 0)), (clock(20, 0), clock(0, 0))], "in the order of the day");
}

#[test]
fn payload_times_rain_forms_counts_and_routines_are_taken() {
    let all = garden(&all_switched_on());
    assert_eq!(
        (all.probes[1].time.clone(), all.probes[1].time_pointer.as_deref()),
        (TimeForm::EpochSeconds, Some("/sent"))
    );
    assert_eq!(all.probes[4].rain, Some(RainForm::Counter));
    assert!((all.probes[4].scaling.factor - 0.2).abs() < 1e-12, "0.2 mm a tip");
    let line = all.probes[0].calibration.unwrap();
    assert_eq!((line.dry, line.wet), ((2800.0, 0.05), (1400.0, 0.35)));
    assert_eq!(all.probes[0].quantity, Quantity::SoilMoisture, "calibrated counts are water");
    assert_eq!(garden(EXAMPLE).probes[0].quantity, Quantity::SoilCounts, "raw ones are not");
    let routine = all.beds[0].routine.unwrap();
    assert_eq!((routine.litres, routine.every_days), (40.0, 2), "4 cans of 10 L");
    assert!(!all.beds[0].marks_guessed && garden(EXAMPLE).beds[0].marks_guessed);
}

// Secrets.

#[test]
fn a_credential_goes_before_the_file_and_neither_is_ever_shown() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("garden.toml");
    std::fs::write(&file, in_section("[mail]", "password-file = \"mail-word\"")).unwrap();
    let (mut garden, files) = settings::read_with_secrets(&file).unwrap();

    let told = secrets::fill(&mut garden, &files, None).unwrap_err().to_string();
    assert!(told.starts_with("mail-password: ") && told.contains("cannot be read"), "{told}");

    std::fs::write(folder.path().join("mail-word"), "from the file\n").unwrap();
    secrets::fill(&mut garden, &files, None).unwrap();
    let password = |garden: &Garden| garden.mail.as_ref().unwrap().password.clone().unwrap();
    assert_eq!(password(&garden).reveal(), "from the file");

    let credentials = tempfile::tempdir().unwrap();
    secrets::fill(&mut garden, &files, Some(credentials.path())).unwrap();
    assert_eq!(password(&garden).reveal(), "from the file", "a folder without it changes nothing");
    std::fs::write(credentials.path().join("mail-password"), "from the service manager\n").unwrap();
    secrets::fill(&mut garden, &files, Some(credentials.path())).unwrap();
    assert_eq!(password(&garden).reveal(), "from the service manager");
    assert!(!format!("{garden:?}").contains("from the"));

    std::fs::write(credentials.path().join("mail-password"), "\n").unwrap();
    let told = secrets::fill(&mut garden, &files, Some(credentials.path())).unwrap_err().to_string();
    assert!(told.contains("one line is wanted"), "{told}");
}

#[test]
fn a_user_without_password_is_told_where_to_put_it() {
    let mut garden = garden(MINIMAL);
    let told = secrets::fill(&mut garden, &secrets::SecretFiles::default(), None).unwrap_err().to_string();
    assert!(told.contains("password-file") && told.contains("credential mail-password"), "{told}");
}

/// The address holds a secret as a rule: no complaint shows a word of it.
#[test]
fn an_address_for_the_sign_of_life_is_checked_and_never_shown() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("address");
    let without_user: Vec<&str> = MINIMAL.lines().filter(|line| !line.starts_with("user")).collect();
    let text = format!("{}\n[sign-of-life]\nurl-file = \"address\"\n", without_user.join("\n"));
    let settings_file = folder.path().join("garden.toml");
    std::fs::write(&settings_file, &text).unwrap();
    let fill = |address: &str, lines: &str| {
        std::fs::write(&file, address).unwrap();
        std::fs::write(&settings_file, format!("{text}{lines}")).unwrap();
        let (mut garden, files) = settings::read_with_secrets(&settings_file).unwrap();
        secrets::fill(&mut garden, &files, None).map(|()| garden).map_err(|error| error.to_string())
    };
    let garden = fill("https://watch.example.org/my-secret\n", "").unwrap();
    let address = garden.sign.as_ref().and_then(|sign| sign.ping.address.as_ref()).unwrap();
    assert_eq!(
        (address.host.as_str(), address.port, address.target.reveal()),
        ("watch.example.org", 443, "/my-secret")
    );
    assert!(!format!("{garden:?}").contains("my-secret"));
    let refused = fill("http://watch.example.org/my-secret", "").unwrap_err();
    assert!(refused.contains("take https") && !refused.contains("my-secret"), "{refused}");
    assert!(fill("http://watch.example.org/", "http = \"anyone on the way may read the address\"").is_ok());
    let warned =
        || checked(&std::fs::read_to_string(&settings_file).unwrap()).0.contains("http may go out open");
    assert!(warned());
    assert!(fill("https://watch.example.org/", "").is_ok() && !warned());
    let (mut garden, _) = settings::read_with_secrets(&settings_file).unwrap();
    let nobody = secrets::fill(&mut garden, &secrets::SecretFiles::default(), None).unwrap_err().to_string();
    assert!(nobody.contains("tells nobody"), "{nobody}");
}
