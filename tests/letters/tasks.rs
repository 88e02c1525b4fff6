//! A garden, its people, and one task of each kind, as the engine would hand them over.

use rindwatch::quantities::Quantity;
use rindwatch::record::{
    ColdSign, Content, Decision, Dose, Evidence, EvidenceRow, Fault, LetterDraft, MatterKey, Morning,
    MorningBed, MorningTask, MorningWeather, Rule, Task, Telling, Unseen, Urgency,
};
use rindwatch::settings::garden::{Garden, MailSecurity, MailServer, Person, Probe, Role, Units, Vessels};

use super::{HOUR, NOON, patch};

pub fn person(name: &str, role: Role, units: Units) -> Person {
    let address = format!("{}@example.org", name.replace(' ', "."));
    Person { name: name.to_owned(), role, address, hours: Vec::new(), units, morning_note: false }
}

/// The small garden of all tests, with three people and a mail server.
pub fn garden() -> Garden {
    let in_bed = |name, quantity| Probe { bed: Some("long".to_owned()), ..patch::probe(name, quantity) };
    let probes =
        vec![in_bed("long-upper", Quantity::SoilMoisture), in_bed("long-soil", Quantity::SoilTemperature)];
    Garden {
        name: "ridge".to_owned(),
        people: vec![
            person("grower", Role::Grower, Units::Metric),
            person("stand-in", Role::StandIn, Units::Metric),
            person("aunt overseas", Role::Backup, Units::Us),
        ],
        vessels: Vessels { can_l: 10.0, hose_l_min: None, cans_a_day: 12 },
        mail: Some(MailServer {
            host: "mail.example.org".to_owned(),
            port: 587,
            security: MailSecurity::StartTls,
            user: None,
            password: None,
            from: "garden@example.org".to_owned(),
            ca_file: None,
        }),
        ..Garden::clone(&patch::garden(probes))
    }
}

pub fn evidence() -> Evidence {
    let row =
        |what: &str, unit: &str, values: [Option<f64>; 7], mark: Option<(&str, f64)>, guessed| EvidenceRow {
            what: what.to_owned(),
            unit: unit.to_owned(),
            values: values.to_vec(),
            mark: mark.map(|(word, value)| (word.to_owned(), value)),
            guessed,
        };
    let moisture = [26.2, 25.8, 25.7, 25.6, 25.1, 24.4, 23.6].map(Some);
    let soil = [Some(24.1), Some(22.0), None, Some(18.9), Some(18.2), Some(20.4), Some(23.8)];
    let air = [31.0, 24.5, 18.0, 15.2, 16.0, 24.9, 30.5].map(Some);
    let used = [0.28, 0.30, 0.31, 0.31, 0.34, 0.40, 0.46].map(Some);
    Evidence {
        at_ms: (0..7).map(|at| NOON - 24 * HOUR + at * 4 * HOUR).collect(),
        rows: vec![
            row("long-upper", "%", moisture, Some(("full mark", 31.0)), false),
            row("long-soil", "°C", soil, None, false),
            row("air", "°C", air, None, true),
            row("share used", "share", used, Some(("refill", 0.24)), true),
        ],
        guesses: vec![
            "water used 31 ± 3 mm".to_owned(),
            "maximum from soil temperature, ± 2.4 °C".to_owned(),
        ],
    }
}

pub fn water() -> Content {
    Content::Water(Dose {
        litres: 64.0,
        depth_mm: 9.14,
        passes: 2,
        spread_days: 1,
        today_litres: None,
        share_used: 0.46,
        depletion_mm: 31.3,
        depletion_sd_mm: 3.1,
        refill_mm: 16.4,
        stress_mm: 36.7,
        hours_to_stress: Some(31.0),
        routine_litres: None,
        drier_probe: None,
        book_alone: false,
    })
}

pub fn hold_water() -> Content {
    Content::HoldWater {
        rain_mm: Some(32.0),
        dry_days: Some(4),
        over_full_hours: None,
        routine_and_lack_litres: None,
        split_time: true,
        until_ms: Some(NOON + 42 * HOUR),
    }
}

pub fn skip() -> Content {
    Content::HoldWater {
        rain_mm: None,
        dry_days: None,
        over_full_hours: None,
        routine_and_lack_litres: Some((40.0, 8.0)),
        split_time: false,
        until_ms: Some(NOON + 42 * HOUR),
    }
}

pub fn shade() -> Content {
    Content::Shade {
        foreseen_max_c: 34.0,
        sd_c: 2.14,
        mark_c: 32.0,
        from_dawn: false,
        soil_hot_c: Some(30.5),
    }
}

pub fn cover() -> Content {
    Content::Cover {
        foreseen_min_c: 2.1,
        sd_c: 1.8,
        mark_c: 3.0,
        sign: ColdSign::Afternoon,
        crosses_ms: None,
    }
}

pub fn silent() -> Content {
    Content::Gear { fault: Fault::Silent { last_ms: Some(NOON - 5 * HOUR), usual_s: 600, gone: false } }
}

/// A node is dead since eight in the morning: no moisture, no rain, no thermometer.
pub fn blind(dry: bool) -> Content {
    let since_ms = NOON - 4 * HOUR;
    let one = |decision, no_rain, guess| Unseen { decision, since_ms, no_rain, guess: Some(guess) };
    let mut unseen = vec![one(Decision::Water, !dry, (if dry { 39.1 } else { 22.4 }, 7.6))];
    if !dry {
        unseen.push(one(Decision::Shade, false, (26.4, 6.2)));
        unseen.push(one(Decision::Cover, false, (13.1, 6.2)));
    }
    let litres = if dry { (274.0, 53.0) } else { (157.0, 53.0) };
    Content::Blind { unseen, litres: Some(litres), dry }
}

pub fn distrusted(rule: Rule, hours: i64, before: f64, now: f64) -> Content {
    Content::Gear { fault: Fault::Distrusted { rule, since_ms: NOON - hours * HOUR, before, now } }
}

pub fn task(number: u32, content: Content) -> Task {
    let (matter, subject, title) = match &content {
        Content::Water(_) => (MatterKey::Water, "long", "Long bed"),
        Content::HoldWater { .. } => (MatterKey::HoldWater, "long", "Long bed"),
        Content::Shade { .. } => (MatterKey::Shade, "long", "Long bed"),
        Content::Cover { .. } => (MatterKey::Cover, "long", "Long bed"),
        Content::Gear { .. } => (MatterKey::Gear, "long-upper", ""),
        Content::Blind { .. } => (MatterKey::Blind, "long", "Long bed"),
    };
    Task {
        number,
        subject: subject.to_owned(),
        title: title.to_owned(),
        matter,
        urgency: Urgency::Today,
        telling: Telling::First,
        by_ms: Some(NOON + 8 * HOUR),
        content,
        evidence: evidence(),
    }
}

pub fn draft(number: u32, person: &str, tasks: Vec<Task>) -> LetterDraft {
    LetterDraft { number, person: person.to_owned(), at_ms: NOON, tasks, ..LetterDraft::default() }
}

/// A morning in which one task is open, one ended, and a probe is not believed.
pub fn morning() -> Morning {
    let task = |number, matter, by_ms, answered| MorningTask {
        number,
        title: "Long bed".to_owned(),
        matter,
        by_ms: Some(by_ms),
        answered,
    };
    Morning {
        beds: vec![MorningBed {
            title: "Long bed".to_owned(),
            share_used: Some((0.21, 0.04)),
            cover_days: Some((2.9, 1.8)),
            given_litres: 40.0,
            stage: Some("fruit growing".to_owned()),
        }],
        open: vec![task(7, MatterKey::Shade, NOON - HOUR, false)],
        handled: vec![task(6, MatterKey::Water, NOON - 16 * HOUR, false)],
        yesterday: Some(MorningWeather { air_c: Some((16.2, 31.4)), rain_mm: Some(0.0), guessed: true }),
        foreseen_max_c: Some((33.4, 2.1)),
        probes_good: (6, 7),
        probes_amiss: vec![(
            "long-deep".to_owned(),
            "silent since 03:10, usually every 10 minutes".to_owned(),
        )],
        notes: vec!["Night: 24 °C and more, young fruit may drop.".to_owned()],
        next_ms: Some(NOON + 18 * HOUR),
        overdue_ms: Some(NOON + 20 * HOUR),
    }
}
