//! A garden for tests of single rooms, made without a settings file.

use chrono_tz::Tz;
use rindwatch::quantities::Quantity;
use rindwatch::settings::garden::*;

/// A garden in `zone` with the probes named, each as (name, quantity).
pub fn garden(zone: Tz, probes: &[(&str, Quantity)]) -> Garden {
    let hours = |from, to| Hours { from: clock(from), to: clock(to) };
    Garden {
        name: "hill".into(),
        place: Place {
            latitude_deg: 50.0,
            longitude_deg: 8.0,
            altitude_m: 120.0,
            near_coast: false,
            wind_height_m: 2.0,
        },
        zone,
        people: Vec::new(),
        quiet: hours(22, 6),
        windows: vec![hours(6, 8)],
        vessels: Vessels { can_l: 10.0, hose_l_min: None, cans_a_day: 12 },
        beds: Vec::new(),
        probes: probes.iter().map(|(name, quantity)| probe(name, *quantity)).collect(),
        broker: Broker {
            host: "127.0.0.1".into(),
            port: 1883,
            version: MqttVersion::V5,
            client_id: "test".into(),
            security: BrokerSecurity::Plain,
            user: None,
            password: None,
            keep_alive_s: 60,
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
    }
}

fn clock(hour: u32) -> chrono::NaiveTime {
    chrono::NaiveTime::from_hms_opt(hour, 0, 0).unwrap()
}

fn probe(name: &str, quantity: Quantity) -> Probe {
    Probe {
        name: name.into(),
        bed: Some("long".into()),
        quantity,
        depth_m: Some(0.1),
        topic: format!("hill/{name}"),
        pointer: None,
        samples: None,
        record: None,
        unit: quantity.kind().unit.into(),
        scaling: Scaling { factor: 1.0, offset: 0.0 },
        calibration: None,
        rain: (quantity == Quantity::Rain).then_some(RainForm::Increment),
        tip_mm: None,
        time: TimeForm::EpochMillis,
        time_pointer: Some("/t".into()),
        every_s: None,
        qos: 1,
        last_will: None,
    }
}
