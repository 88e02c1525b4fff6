//! Complaints: each rule, its place and its words.

use proptest::prelude::*;
use rindwatch::settings;

use super::{MINIMAL, all_switched_on, checked, in_section, read, with};

#[test]
fn ten_faults_give_ten_complaints_with_their_lines() {
    let faults = [
        ("latitude = 44.5 ", "latitude = 144.5 ", "garden.latitude = 144.5"),
        (
            "time-zone = \"America/Chicago\"",
            "time-zone = \"America/Chigaco\"",
            "garden.time-zone = \"America/Chigaco\"",
        ),
        ("address = \"grower@example.org\"", "address = \"grower\"", "people.grower.address = \"grower\""),
        ("host = \"mail.example.org\"", "hots = \"mail.example.org\"", "mail.hots = \"mail.example.org\""),
        ("rooted = \"7 m2\" ", "rooted = 7 ", "bed.long.rooted = 7"),
        ("crop = \"giant-pumpkin\"", "crop = giant-pumpkin ", "bed.long.crop = giant-pumpkin"),
        ("depth = \"15 cm\"", "depth = \"15 feet\"", "probe.long-moisture.depth = \"15 feet\""),
        (
            "topic = \"garden/long/warmth\"",
            "topic = \"garden/#/warmth\"",
            "probe.long-warmth.topic = \"garden/#/warmth\"",
        ),
        ("unit = \"mm\" ", "unit = \"ml\" ", "probe.gauge.unit = \"ml\""),
        ("form = \"counter\"", "form = \"total\"", "probe.gauge.form = \"total\""),
    ];
    let mut text = MINIMAL.to_owned();
    for (good, bad, _) in faults {
        text = with(&text, good, bad);
    }
    let wanted: Vec<String> = faults
        .iter()
        .map(|(_, bad, place)| {
            let line = 1 + text.lines().position(|line| line.contains(bad.trim_end())).unwrap();
            format!("garden.toml:{line} {place}: ")
        })
        .collect();
    let told = read(&text).unwrap_err().to_string();
    let told: Vec<&str> = told.lines().collect();
    assert_eq!(told.len(), 10, "{told:#?}");
    for (told, wanted) in told.iter().zip(&wanted) {
        let (place, rule) = told.split_at(wanted.len().min(told.len()));
        assert_eq!(place, wanted);
        // A comment behind a torn value is shown with it; all others end where the rule begins.
        assert!(!rule.is_empty(), "{told}");
    }
    assert_eq!(checked(&text).1, 78);
}

/// One fault put into `minimal.toml`.
enum Fault {
    /// A passage and what stands there instead.
    Swap(&'static str, &'static str),
    /// The head of a section and lines put behind it.
    In(&'static str, &'static str),
    /// Lines put at the end of the file.
    End(&'static str),
}

use Fault::{End, In, Swap};

/// One fault each, the key of the only complaint, and a part of its rule.
#[rustfmt::skip]
const FAULTS: &[(Fault, &str, &str)] = &[
    // The garden.
    (Swap(r#""hill-patch""#, r#""hill patch""#), "garden.name", "letters"),
    (Swap("-93.2", "93.2"), "garden.longitude", "west of Greenwich is negative"),
    (Swap(r#""290 m""#, "290"), "garden.altitude", "say the unit"),
    (Swap("290 m", "290,5 m"), "garden.altitude", "decimal point"),
    (Swap("290 m", "9000 m"), "garden.altitude", "between -430 and 6000 m"),
    (Swap("America/Chicago", "CST"), "garden.time-zone", "by a place"),
    (Swap("America/Chicago", "EST"), "garden.time-zone", "summer time"),
    (Swap("[garden]", "[gardn]"), "gardn", "did you mean garden?"),
    (In("[garden]", r#"units = "imperial""#), "garden.units", r#""us""#),
    // People.
    (Swap("[people.grower]", "[people.backup]"), "people", "no grower"),
    (Swap("grower@example.org", "grower@-example.org"), "people.grower.address", "no mail address"),
    (In("[people.grower]", r#"hours = ["22:00-23:00"]"#), "people.grower.hours", "never be told"),
    (End("[people.boss]\nrole = \"grower\"\naddress = \"b@example.org\""), "people.boss", "second grower"),
    (End("[people.neighbour]\naddress = \"n@example.org\""), "people.neighbour.role", "stand-in"),
    // Times.
    (End("[times]\nwindows = []"), "times.windows", "nobody could be asked"),
    (End("[times]\nwindows = [\"22:00-23:30\"]"), "times.windows", "quiet hours"),
    (End("[times]\nquiet = \"16:00-09:00\""), "times.quiet", "quiet hours"),
    (End("[times]\nwindows = [\"06:00-09:00\", \"08:00-10:00\"]"), "times.windows", "overlap"),
    (End("[times]\nquiet = \"9pm-6am\""), "times.quiet", "24-hour clock"),
    (End("[times]\nquiet = \"06:00-06:00\""), "times.quiet", "begins when it ends"),
    // Vessels, store, page.
    (End("[vessels]\ncan = \"100 L\""), "vessels.can", "between 1 and 30 L"),
    (End("[store]\ncommit-delay = \"2 min\""), "store.commit-delay", "between 1 and 60 s"),
    (End("[store]\nreadings-kept = \"30 days\""), "store.readings-kept", "between 60 days and"),
    (End("[store]\nnightly-copy = \"copies\""), "store.nightly-copy", "full path"),
    (End("[page]\nlisten = \"0.0.0.0:8737\""), "page.listen", "this machine alone"),
    // Broker and mail.
    (End("[broker]\nversion = \"3\""), "broker.version", "3.1.1"),
    (End("[broker]\nport = 0"), "broker.port", "1 to 65535"),
    (End("[broker]\nhost = \"tcp://here:1883\""), "broker.host", "the port has its own key"),
    (End("[broker]\npassword = \"x\""), "broker.password", "password-file"),
    (End("[broker]\npassword-file = \"x\""), "broker.password-file", "needs a user"),
    (End("[broker]\npublish-root = \"own/#\""), "broker.publish-root", "without + and #"),
    (End("[broker]\nca-file = \"ca.pem\""), "broker.ca-file", "for TLS alone"),
    (End("[broker]\nsecurity = \"tls\"\ncertificate = \"off\""), "broker.certificate", "anyone may pose"),
    (End("[broker]\nsecurity = \"tls\"\nown-key = \"a.key\""), "broker.own-key", "go together"),
    // The clock.
    (End("[clock]\nkept-by = \"gps\""), "clock.kept-by", "battery"),
    (End("[clock]\nset-file = \"/tmp/clock\""), "clock.set-file", "under /run"),
    (End("[clock]\nset-file = \"/run/../tmp/clock\""), "clock.set-file", "under /run"),
    // Once taken, though the unit hides all homes, /run/user with them: it would never have been seen.
    (End("[clock]\nset-file = \"/run/user/1000/clock\""), "clock.set-file", "not in /run/user"),
    (In("[mail]", r#"security = "plain""#), "mail.security", "this machine alone"),
    // Mirror.
    (End("[mirror]\nurl = \"https://here\"\norg = \"a\"\nbucket = \"b\""), "mirror.url", "TLS proxy"),
    (End("[mirror]\nurl = \"http://u:p@here\"\norg = \"a\"\nbucket = \"b\""), "mirror.url", "token-file"),
    (End("[mirror]\nurl = \"http://a\"\norg = \"a\"\nbucket = \"b\"\ntoken = \"x\""), "mirror.token", "mirror-token"),
    // The sign of life.
    (End("[sign-of-life]\nurl = \"https://a.example/s\""), "sign-of-life.url", "url-file"),
    (End("[sign-of-life]\nevery = \"0.5 s\""), "sign-of-life.every", "between 1 and"),
    (End("[sign-of-life]\nhttp = \"open\""), "sign-of-life.http", "anyone on the way may read the address"),
    (End("[sign-of-life]\nat-broker = \"yes\""), "sign-of-life.at-broker", "on"),
    // Beds.
    (Swap("[bed.long] ", "[bed.Long] "), "bed.Long", "lower-case"),
    (Swap("[bed.long] ", "[bed.cans] "), "bed.cans", "a unit in the day book"),
    (End("[bed.long]\nrooted = \"3 m2\""), "[bed.long]", "stands twice"),
    (Swap("compost-rich loam", "compost-rich loan"), "bed.long.soil", "compost-rich loam"),
    (Swap("soil = ", "full = 0.3\n#"), "bed.long.soil", "missing"),
    (In("[bed.long]", r#"wilt = "36 %""#), "bed.long.wilt", "below full 0.35"),
    (In("[bed.long]", "full = 0.65"), "bed.long.full", "below saturation 0.6"),
    (In("[bed.long]", "pollinated = 2027-05-19"), "bed.long.pollinated", "before planted"),
    (In("[bed.long]", r#"pollinated = "July""#), "bed.long.pollinated", "year-month-day"),
    (In("[bed.long]", r#"routine = "40 L sometimes""#), "bed.long.routine", "every evening"),
    (In("[bed.long]", r#"refill-of-stress = "120 %""#), "bed.long.refill-of-stress", "between 0.2 and 1"),
    // Probes: where they stand.
    (Swap(r#"depth = "15 cm""#, "#"), "probe.long-moisture.depth", "missing"),
    (Swap("15 cm", "45 cm"), "probe.long-moisture.depth", "below the rooted 40 cm"),
    (In("[probe.gauge]", r#"depth = "5 cm""#), "probe.gauge.depth", "only for probes in the soil"),
    (In("[probe.gauge]", r#"bed = "long""#), "probe.gauge.bed", "whole patch"),
    (In("[probe.long-warmth]", r#"bed = "wide""#), "probe.long-warmth.bed", "known: long"),
    (Swap("[probe.gauge]", "[probe.long]"), "probe.long", "a bed has this name"),
    // Probes: where they are heard.
    (Swap("garden/long/warmth", "garden/long/moisture"), "probe.long-warmth.topic", "same value as probe.long-moisture"),
    (Swap("garden/long/warmth", "garden/+/moisture"), "probe.long-warmth.topic", "same value"),
    (Swap("garden/gauge", "garden/#/gauge"), "probe.gauge.topic", "last level"),
    (Swap("garden/gauge", "rindwatch/+/gauge"), "probe.gauge.topic", "our own words"),
    (Swap("garden/gauge", "$share/a/gauge"), "probe.gauge.topic", "shared"),
    (In("[probe.gauge]", "qos = 2"), "probe.gauge.qos", "0 or 1"),
    (In("[probe.gauge]", r#"value = "rain""#), "probe.gauge.value", "JSON Pointer"),
    (In("[probe.gauge]", "value = \"/r\"\ntime = \"epoch-s\""), "probe.gauge.time-at", "missing"),
    (In("[probe.gauge]", "value = \"/r\"\ntime-at = \"/t\""), "probe.gauge.time-at", "needs time"),
    (In("[probe.gauge]", "time = \"epoch-s\"\ntime-at = \"/t\""), "probe.gauge.time", "carries no time"),
    // Probes: what they say.
    (Swap(r#""rain""#, r#""snow""#), "probe.gauge.measures", "solar-radiation"),
    (Swap(r#""rain""#, r#""soil-counts""#), "probe.gauge.measures", r#"write "soil-moisture""#),
    (Swap(r#"unit = "C""#, r#"unit = "%""#), "probe.long-warmth.unit", "C, F, K"),
    (Swap(r#"unit = "mm""#, r#"unit = "tips""#), "probe.gauge.tip", "missing"),
    (In("[probe.long-warmth]", r#"tip = "0.2 mm""#), "probe.long-warmth.tip", "only for rain"),
    (Swap(r#"unit = "mm""#, r#"unit = "mm/h""#), "probe.gauge.form", "tell a rate"),
    (Swap(r#""counter""#, r#""rate""#), "probe.gauge.form", "mm/h or in/h"),
    (Swap(r#"form = "counter""#, "#"), "probe.gauge.form", "increment"),
    (In("[probe.long-warmth]", r#"form = "counter""#), "probe.long-warmth.form", "only for rain"),
    (In("[probe.gauge]", "scale = 0"), "probe.gauge.scale", "must not be 0"),
    (In("[probe.gauge]", "scale = nan"), "probe.gauge.scale", "finite"),
    (In("[probe.long-moisture]", r#"dry = "9 at 5 %""#), "probe.long-moisture.dry", "only for unit"),
    (Swap(r#"unit = "%""#, "unit = \"counts\"\ndry = \"9 at 5 %\""), "probe.long-moisture.dry", "belong together"),
    (Swap(r#"unit = "%""#, "unit = \"counts\"\ndry = \"9 at 5 %\"\nwet = \"9 at 35 %\""), "probe.long-moisture.wet", "must differ"),
    (Swap(r#"unit = "%""#, "unit = \"counts\"\ndry = \"9 at 5 %\"\nwet = \"8 at 4 %\""), "probe.long-moisture.wet", "more water"),
    // The shape of the file.
    (Swap("[probe.gauge]", "[[probe]]"), "[[probe]]", "one section each"),
    (Swap("latitude = 44.5 ", "latitude = \"44.5\" "), "garden.latitude", "without quotes"),
    (Swap("latitude = 44.5 ", "latitude = 44,5 "), "garden.latitude", "decimal point"),
    (In("[probe.gauge]", "colour = \"green\""), "probe.gauge.colour", "known here: bed, depth"),
    (In("[probe.gauge]", "nuit = \"mm\""), "probe.gauge.nuit", "did you mean unit?"),
];

#[test]
fn each_rule_has_its_complaint() {
    for (fault, key, rule) in FAULTS {
        let text = match fault {
            Swap(old, new) => with(MINIMAL, old, new),
            In(section, lines) => in_section(section, lines),
            End(lines) => format!("{MINIMAL}\n{lines}\n"),
        };
        let complaints = read(&text).expect_err(key).0;
        let told: Vec<String> = complaints.iter().map(ToString::to_string).collect();
        assert_eq!(complaints.len(), 1, "{key}, {rule}: {told:#?}");
        assert_eq!(complaints[0].key, *key, "{told:#?}");
        assert!(complaints[0].rule.contains(rule), "{rule}: {told:#?}");
    }
}

#[test]
fn two_beds_of_one_title_are_told_apart_by_their_owner() {
    let wide = "[bed.wide]\ntitle = \"Long bed\"\nrooted = \"3 m2\"\nsoil = \"loam\"\ncrop = \"squash\"\n";
    let text = format!("{MINIMAL}\n{wide}").replace("depth = ", "bed = \"long\"\ndepth = ");
    let complaints = read(&text).unwrap_err();
    assert_eq!(complaints.0.len(), 1, "{complaints}");
    assert!(complaints.0[0].rule.contains("could not tell them apart"));
}

/// A file that tells nothing at all is told what the least is, each once.
#[test]
fn an_empty_file_is_told_what_to_write() {
    let complaints = read("").unwrap_err();
    let keys: Vec<&str> = complaints.0.iter().map(|complaint| complaint.key.as_str()).collect();
    assert_eq!(keys, ["garden", "people", "bed", "probe"]);
}

/// A secret written into the file by mistake must not go on into a terminal, a log or a question to a
/// friend.
#[test]
fn a_secret_in_the_file_is_not_repeated() {
    for line in
        ["password = \"hunter2\"", "password = hunter2", "passwd = \"hunter2\"", "password = \"hunter2"]
    {
        let told = read(&in_section("[mail]", line)).unwrap_err().to_string();
        assert!(told.contains("(not shown)") && !told.contains("hunter2"), "{told}");
    }
}

#[test]
fn a_file_that_cannot_be_read_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let told = settings::read(&folder.path().join("none.toml")).unwrap_err().to_string();
    assert!(told.contains("none.toml: cannot be read"), "{told}");
    let latin = folder.path().join("latin.toml");
    std::fs::write(&latin, b"[garden]\nname = \"gr\xfcn\"").unwrap();
    let told = settings::read(&latin).unwrap_err().to_string();
    assert!(told.contains("not UTF-8 from byte 19 on"), "{told}");
}

proptest! {
    /// Whatever is done to a file, it is read or refused with at least one complaint, never worse.
    #[test]
    fn a_torn_file_is_read_or_refused(at in 0usize..2600, cut in 0usize..40, put in "[\\[\\]\"=#\\n\\.{},a-z0-9é-]{0,6}") {
        let mut letters: Vec<char> = all_switched_on().chars().collect();
        let at = at % letters.len();
        let end = (at + cut).min(letters.len());
        letters.splice(at..end, put.chars());
        let text: String = letters.into_iter().collect();
        if let Err(complaints) = read(&text) {
            prop_assert!(!complaints.0.is_empty());
            prop_assert!(!complaints.to_string().is_empty());
        }
    }
}
