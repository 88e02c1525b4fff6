//! A measured winter goes message by message through a real mosquitto into the built program under a
//! scripted clock; a real mail server takes the letters over TLS. What comes of it is held against the
//! record itself, and against a replay of the same messages.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[allow(dead_code)] // each binary uses its part
#[path = "support/child.rs"]
mod child;
#[allow(dead_code)] // each binary uses its part
#[path = "support/daemon.rs"]
mod daemon;
#[allow(dead_code)] // each binary uses its part
#[path = "support/mosquitto.rs"]
mod mosquitto;
#[allow(dead_code)] // each binary uses its part
#[path = "support/publisher.rs"]
mod publisher;
#[allow(dead_code)] // each binary uses its part
#[path = "support/smtp/mod.rs"]
mod smtp;

#[path = "live/against_record.rs"]
mod against_record;
#[path = "live/against_replay.rs"]
mod against_replay;
#[path = "live/letter_kills.rs"]
mod letter_kills;
#[path = "live/mail.rs"]
mod mail;
#[path = "live/record.rs"]
mod record;
#[path = "live/two_people.rs"]
mod two_people;
#[path = "live/winter.rs"]
mod winter;

/// Head of a garden with one grower.
const HEAD: &str = r#"
[garden]
name = "lee-patch"
latitude = 52.5
longitude = 24.0
altitude = "160 m"
time-zone = "UTC"
[people.grower]
address = "grower@example.org"
morning-note = false
"#;

/// Settings of so many soil thermometers, each with its own time.
fn thermometers(count: usize) -> String {
    let one = |n| {
        format!(
            "[probe.p{n}]\nmeasures = \"soil-temperature\"\ndepth = \"10 cm\"\ntopic = \"bed/{n}\"\nunit = \"C\"\n\
             value = \"/v\"\ntime = \"epoch-ms\"\ntime-at = \"/t\"\n"
        )
    };
    (0..count).map(one).collect()
}

#[test]
fn a_measured_winter_is_stored_judged_and_told_and_a_replay_decides_the_same() {
    let Some(record) = record::Record::open() else { return };
    let Some(winter) = winter::Winter::live_through(&record) else { return };
    against_record::every_good_row_is_stored_once(&winter, &record);
    against_record::the_days_are_those_of_the_record(&winter, &record);
    against_record::cover_letters_match_the_nights(&winter, &record);
    against_record::nobody_waters_frozen_ground(&winter, &record);
    against_replay::every_letter_arrived_once(&winter);
    against_replay::it_decides_the_same(&winter);
}
