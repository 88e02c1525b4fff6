//! What is taken where the settings say nothing. `config/example.toml` shows the same; a test holds them
//! together.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};

use chrono::NaiveTime;

use super::garden::Hours;

/// Height of the wind sensor, m: the height FAO-56 asks for.
pub const WIND_HEIGHT_M: f64 = 2.0;
/// Litres of a can (common practice).
pub const CAN_L: f64 = 10.0;
/// Cans one person carries in a day: 120 kg in lifts of 10 kg (judgement).
pub const CANS_A_DAY: u32 = 12;
/// Rooted depth, m: most cucurbit roots lie above it, whatever the deepest reaches (judgement).
pub const DEPTH_M: f64 = 0.4;
/// Refill mark as a share of the stress mark (judgement).
pub const REFILL_SHARE: f64 = 0.75;
/// Air at which an exposed fruit is shaded, °C (common practice; extension leaflets name 32 to 34).
pub const SHADE_C: f64 = 32.0;
/// Air in the shelter at which leaves are covered, °C: on still clear nights leaves run 2 to 3 below.
pub const COVER_C: f64 = 3.0;
/// Longest wait of a message for its commit, seconds.
pub const COMMIT_DELAY_S: u32 = 60;
/// MQTT port without TLS (IANA).
pub const BROKER_PORT: u16 = 1883;
/// MQTT over TLS, as registered with IANA.
pub const BROKER_TLS_PORT: u16 = 8883;
/// Keep-alive, seconds.
pub const KEEP_ALIVE_S: u16 = 60;
/// How long the broker keeps our session, seconds: a week without us.
pub const SESSION_EXPIRY_S: u32 = 7 * 86_400;
/// Quality of service: at least once.
pub const QOS: u8 = 1;
/// Between two signs of life, seconds.
pub const SIGN_EVERY_S: u32 = 300;
/// Where the page listens.
pub const PAGE: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8737);

/// No letter in these hours.
pub fn quiet() -> Hours {
    Hours { from: clock(21, 30), to: clock(6, 0) }
}

/// Before and after work.
pub fn windows() -> Vec<Hours> {
    vec![Hours { from: clock(6, 0), to: clock(8, 0) }, Hours { from: clock(17, 0), to: clock(20, 0) }]
}

/// When a sheet laid still spares the fruit the day's heat; whoever is not there then is told at dawn.
pub fn shade_hours() -> Hours {
    Hours { from: clock(9, 30), to: clock(11, 0) }
}

fn clock(hour: u32, minute: u32) -> NaiveTime {
    NaiveTime::from_hms_opt(hour, minute, 0).unwrap_or(NaiveTime::MIN)
}
