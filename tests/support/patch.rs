//! A small made garden for tests: one bed, and whatever probes the test asks for.

use std::sync::Arc;

use agronomy::stage::Course;
use chrono::NaiveTime;
use rindwatch::quantities::Quantity;
use rindwatch::settings::garden::*;

fn hours(from: u32, to: u32) -> Hours {
    let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap();
    Hours { from: at(from), to: at(to) }
}

/// A probe that sends bare numbers in the unit of its kind on `patch/NAME`.
pub fn probe(name: &str, quantity: Quantity) -> Probe {
    Probe {
        name: name.to_owned(),
        bed: None,
        quantity,
        depth_m: None,
        topic: format!("patch/{name}"),
        pointer: None,
        samples: None,
        record: None,
        unit: quantity.kind().unit.to_owned(),
        scaling: Scaling { factor: 1.0, offset: 0.0 },
        calibration: None,
        rain: None,
        tip_mm: None,
        time: TimeForm::Arrival,
        time_pointer: None,
        every_s: None,
        qos: 1,
        last_will: None,
    }
}

/// A garden in Central European time with the beds `long` and `round` and these probes.
pub fn garden(probes: Vec<Probe>) -> Arc<Garden> {
    Arc::new(Garden {
        name: "patch".to_owned(),
        place: Place {
            latitude_deg: 50.0,
            longitude_deg: 10.0,
            altitude_m: 200.0,
            near_coast: false,
            wind_height_m: 2.0,
        },
        zone: chrono_tz::Europe::Berlin,
        people: vec![Person {
            name: "grower".to_owned(),
            role: Role::Grower,
            address: "grower@patch.example".to_owned(),
            hours: vec![hours(18, 20)],
            units: Units::Metric,
            morning_note: false,
        }],
        quiet: hours(21, 6),
        windows: vec![hours(18, 20)],
        vessels: Vessels { can_l: 10.0, hose_l_min: Some(12.0), cans_a_day: 12 },
        beds: vec![bed("long"), bed("round")],
        probes,
        broker: Broker {
            host: "127.0.0.1".to_owned(),
            port: 1883,
            version: MqttVersion::V5,
            client_id: "patch".to_owned(),
            security: BrokerSecurity::Plain,
            user: None,
            password: None,
            keep_alive_s: 30,
            session_expiry_s: 604_800,
            overhear: None,
        },
        mail: None,
        mirror: None,
        page: None,
        commit_delay_s: 60,
        keeping: Keeping::default(),
        clock: rindwatch::record::ClockKeeping::default(),
        sign: None,
    })
}

fn bed(name: &str) -> Bed {
    Bed {
        name: name.to_owned(),
        title: format!("The {name} bed"),
        rooted_m2: 7.0,
        leafed_m2: None,
        depth_m: 0.4,
        full: 0.31,
        wilt: 0.14,
        saturation: 0.45,
        marks_guessed: true,
        intake_mm_h: 10.0,
        texture: None,
        refill_share: 0.75,
        crop: Crop {
            name: "giant-pumpkin".to_owned(),
            kcb: [0.15, 0.95, 0.7],
            height_m: 0.4,
            depletion_share: 0.35,
            base_c: 10.0,
            upper_c: 32.0,
            split_from_days: 15,
            course: Course {
                stage_days: [25.0, 35.0, 35.0, 25.0],
                warm_day: 11.0,
                seedling: 200.0,
                male_flower: None,
                female_flower: None,
                bud_to_open: None,
                harvest_days: None,
            },
            plant_soil_c: 18.0,
        },
        planted: None,
        pollinated: None,
        routine: None,
        shade_c: 32.0,
        cover_c: 3.0,
    }
}
