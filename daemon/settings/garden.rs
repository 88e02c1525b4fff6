//! The garden as the settings describe it, after every check has passed: plain values in our units.
//!
//! `settings::read` makes it from a TOML file; nothing else may. Everything below the shell reads it and
//! nothing changes it.

use std::net::SocketAddr;
use std::path::PathBuf;

use agronomy::stage::Course;
use chrono::{NaiveDate, NaiveTime};
use chrono_tz::Tz;

pub use super::security::{BrokerSecurity, BrokerTls};
pub use super::signs::SignOfLife;
use crate::quantities::Quantity;
use crate::record::{ClockKeeping, ProbeIx};

/// One garden.
#[derive(Debug, Clone, PartialEq)]
pub struct Garden {
    /// Its name, used in subjects, message ids and topics. ASCII letters, digits, `-`.
    pub name: String,
    /// Where it lies.
    pub place: Place,
    /// Its civil time; days are civil days of this zone.
    pub zone: Tz,
    /// The people, grower first.
    pub people: Vec<Person>,
    /// No letter goes out in these hours (local), save the few that may.
    pub quiet: Hours,
    /// When somebody can work at the beds (local), in the order of the day; never empty.
    pub windows: Vec<Hours>,
    /// What water is carried in.
    pub vessels: Vessels,
    /// The beds; never empty.
    pub beds: Vec<Bed>,
    /// The probes; [`ProbeIx`] counts in this order.
    pub probes: Vec<Probe>,
    /// The MQTT broker.
    pub broker: Broker,
    /// The mail server; `None` = letters are written to the outbox and shown on the page only.
    pub mail: Option<MailServer>,
    /// The mirror; `None` = off.
    pub mirror: Option<Mirror>,
    /// Where the page listens; `None` = no page.
    pub page: Option<SocketAddr>,
    /// Longest time a taken message waits for its commit, seconds, 1 to 60.
    pub commit_delay_s: u32,
    /// What is copied at night, and how long single readings are kept.
    pub keeping: Keeping,
    /// Who keeps the clock of this machine.
    pub clock: ClockKeeping,
    /// Who is told all the time that the daemon is well; `None` = nobody.
    pub sign: Option<SignOfLife>,
}

/// How the store is kept.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Keeping {
    /// Folder that each night's new things are copied to; `None` = nothing is copied at night.
    pub nightly_copy: Option<PathBuf>,
    /// Single readings are thinned out at this age, days, 60 or more; `None` = all are kept.
    pub readings_days: Option<u32>,
}

/// Where the garden lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Degrees north, -90 to 90.
    pub latitude_deg: f64,
    /// Degrees east, -180 to 180.
    pub longitude_deg: f64,
    /// Metres above the sea, -430 to 6000.
    pub altitude_m: f64,
    /// Within about 20 km of a large water body: the coefficient of FAO-56 eq 50 differs.
    pub near_coast: bool,
    /// Height of the wind sensor, m; FAO-56 eq 47 brings it to 2 m.
    pub wind_height_m: f64,
}

/// Hours of a day, local. `from` after `to` means over midnight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hours {
    /// Start, inside.
    pub from: NaiveTime,
    /// End, outside.
    pub to: NaiveTime,
}

/// What a person is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Keeps the garden; gets everything.
    Grower,
    /// Holds the can while the grower is away.
    StandIn,
    /// Is asked when neither answers.
    Backup,
}

/// Units a person reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Units {
    /// Litres, mm, °C.
    Metric,
    /// US gallons, inches, °F (litres beside them, cans as they are).
    Us,
}

/// A person who gets letters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// How letters call them: a role or a nickname.
    pub name: String,
    /// What they are asked for.
    pub role: Role,
    /// Mail address.
    pub address: String,
    /// When they can be at the beds (local); the garden's windows where the settings say nothing.
    pub hours: Vec<Hours>,
    /// Units they read.
    pub units: Units,
    /// They get the morning note, each day of the season. For whoever gets none, silence says nothing.
    pub morning_note: bool,
}

/// What water is carried in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vessels {
    /// Litres of one can, 1 to 30.
    pub can_l: f64,
    /// Litres a minute of the hose; `None` = no hose.
    pub hose_l_min: Option<f64>,
    /// Cans one person is asked to carry in a day, at most.
    pub cans_a_day: u32,
}

/// A bed or mound: the rooted body.
#[derive(Debug, Clone, PartialEq)]
pub struct Bed {
    /// Key used in topics, day book and files. Lower-case ASCII letters, digits, `-`.
    pub name: String,
    /// How letters call it ("Long bed").
    pub title: String,
    /// Rooted soil seen from above, m².
    pub rooted_m2: f64,
    /// Leaves seen from above, m², if measured; else it follows from the crop's curve.
    pub leafed_m2: Option<f64>,
    /// Rooted depth, m.
    pub depth_m: f64,
    /// Water the soil holds after draining (field capacity), m³/m³.
    pub full: f64,
    /// Water the plant can't draw (wilting point), m³/m³, below `full`.
    pub wilt: f64,
    /// Water of the pores full to the brim, m³/m³, above `full`.
    pub saturation: f64,
    /// The marks come from the soil table, not from this bed.
    pub marks_guessed: bool,
    /// Millimetres an hour the soil takes in.
    pub intake_mm_h: f64,
    /// Its texture, where the settings name one.
    pub texture: Option<agronomy::soil::Texture>,
    /// Refill mark as a share of the stress mark, 0.2 to 1.
    pub refill_share: f64,
    /// The crop's figures.
    pub crop: Crop,
    /// Set out on.
    pub planted: Option<NaiveDate>,
    /// The keeper was pollinated on.
    pub pollinated: Option<NaiveDate>,
    /// What the grower gives anyway.
    pub routine: Option<Routine>,
    /// Shade mark, °C of the air.
    pub shade_c: f64,
    /// Cover mark, °C of the air.
    pub cover_c: f64,
}

/// Water the grower gives without being told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Routine {
    /// Litres each time.
    pub litres: f64,
    /// Every so many days.
    pub every_days: u32,
}

/// A crop's figures; `config/crops` names the source of each.
#[derive(Debug, Clone, PartialEq)]
pub struct Crop {
    /// Key of the profile.
    pub name: String,
    /// Basal crop coefficient at the start, mid-season and end (FAO-56 table 17).
    pub kcb: [f64; 3],
    /// Greatest plant height, m.
    pub height_m: f64,
    /// Share of held water the crop draws without stress at 5 mm/day (FAO-56 table 22).
    pub depletion_share: f64,
    /// Degree-days: lower threshold, °C.
    pub base_c: f64,
    /// Degree-days: upper threshold, °C (horizontal cut-off).
    pub upper_c: f64,
    /// Days after pollination when uneven water splits the fruit: from; until cutting.
    pub split_from_days: u32,
    /// How it goes through its season: stage days, degree-day requirements.
    pub course: Course,
    /// Soil from which it may be set out, °C at about 10 cm at dawn.
    pub plant_soil_c: f64,
}

/// Rain forms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RainForm {
    /// Total since the node started; falls back to 0 when it restarts.
    Counter,
    /// Amount since the last message.
    Increment,
    /// Rate of the moment, mm/h.
    Rate,
    /// Total since local midnight.
    DailyTotal,
}

/// Where a reading's time comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeForm {
    /// The arrival of the message.
    Arrival,
    /// Seconds since 1970, in the payload.
    EpochSeconds,
    /// Milliseconds since 1970, in the payload.
    EpochMillis,
    /// RFC 3339, in the payload.
    Rfc3339,
    /// Date and time without zone, in the payload; the garden's zone is used.
    Local,
    /// As the SenML record says (RFC 8428 section 4.5.3).
    Record,
}

/// Two points of a straight calibration line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoPoint {
    /// Raw value in dry soil and the soil water there, m³/m³.
    pub dry: (f64, f64),
    /// Raw value in wet soil and the soil water there, m³/m³. Counts often fall when wet.
    pub wet: (f64, f64),
}

/// How a payload's number becomes the unit of its kind: `value = number × factor + offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scaling {
    /// Multiplied first: the unit's factor times the probe's own scale.
    pub factor: f64,
    /// Added then: the unit's offset.
    pub offset: f64,
}

/// Where the broker says whether a node that is always on is there: the node's own word, and its last will.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastWill {
    /// The topic, without wildcards.
    pub topic: String,
    /// What stands there while the node is connected.
    pub online: String,
    /// What the broker writes when it no longer is.
    pub offline: String,
}

/// One probe: one quantity from one topic.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// Key, unique in the garden. Lower-case ASCII letters, digits, `-`.
    pub name: String,
    /// The bed it stands in; `None` for the patch (gauge, air).
    pub bed: Option<String>,
    /// What it measures. [`Quantity::SoilCounts`] for a raw moisture probe without calibration.
    pub quantity: Quantity,
    /// Depth below the surface, m; `None` above ground.
    pub depth_m: Option<f64>,
    /// MQTT topic filter (`+` and `#` allowed).
    pub topic: String,
    /// JSON Pointer (RFC 6901) to the value; `None` = the payload is a bare number.
    pub pointer: Option<String>,
    /// JSON Pointer to an array of samples; the other two pointers then begin at each of its elements.
    pub samples: Option<String>,
    /// Full name of its records where the payload is SenML (RFC 8428).
    pub record: Option<String>,
    /// The unit word of the settings, for people.
    pub unit: String,
    /// From the payload's number to our unit.
    pub scaling: Scaling,
    /// From raw counts to soil water.
    pub calibration: Option<TwoPoint>,
    /// Form of rain; `None` for all else.
    pub rain: Option<RainForm>,
    /// Rain of one tip of its bucket, mm; known, what the bucket loses in a downpour is put back.
    pub tip_mm: Option<f64>,
    /// Where the time comes from.
    pub time: TimeForm,
    /// JSON Pointer to the time; `None` with [`TimeForm::Arrival`].
    pub time_pointer: Option<String>,
    /// How often it reports, seconds, if the settings say; else learned.
    pub every_s: Option<u32>,
    /// Quality of service we subscribe with, 0 or 1.
    pub qos: u8,
    /// Where its node's presence is told; for nodes that never sleep.
    pub last_will: Option<LastWill>,
}

/// MQTT version spoken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MqttVersion {
    /// MQTT 5.
    V5,
    /// MQTT 3.1.1.
    V311,
}

/// The MQTT broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Broker {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Version.
    pub version: MqttVersion,
    /// Client id; must be the only one of that name at the broker.
    pub client_id: String,
    /// How the connection is secured.
    pub security: BrokerSecurity,
    /// User name.
    pub user: Option<String>,
    /// Password, from a credential file.
    pub password: Option<Secret>,
    /// Keep-alive, seconds.
    pub keep_alive_s: u16,
    /// How long the broker keeps our session while we are away, seconds.
    pub session_expiry_s: u32,
    /// Topic filter to look through for topics that no probe asks for; `None` = off.
    pub overhear: Option<String>,
}

/// How the mail connection is secured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailSecurity {
    /// STARTTLS, required.
    StartTls,
    /// TLS from the first byte.
    ImplicitTls,
    /// None; only to a loopback address.
    PlainLoopback,
}

/// The mail server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MailServer {
    /// Host name.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Security.
    pub security: MailSecurity,
    /// User name.
    pub user: Option<String>,
    /// Password, from a credential file.
    pub password: Option<Secret>,
    /// Sender address.
    pub from: String,
    /// Extra certificate authority to trust, PEM.
    pub ca_file: Option<PathBuf>,
}

/// The mirror: a server with the InfluxDB 2 write interface.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mirror {
    /// Base URL, http only in this build.
    pub url: String,
    /// Organisation.
    pub org: String,
    /// Bucket.
    pub bucket: String,
    /// Token, from a credential file.
    pub token: Option<Secret>,
}

/// A secret: never shown, never logged.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Wraps the words of a credential file.
    pub fn new(words: String) -> Self {
        Self(words)
    }

    /// The words, for the one place that hands them to a server.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("(secret)")
    }
}

impl Garden {
    /// The probe of an index.
    pub fn probe(&self, ix: ProbeIx) -> Option<&Probe> {
        self.probes.get(usize::from(ix.0))
    }

    /// The index of a probe's name.
    pub fn probe_ix(&self, name: &str) -> Option<ProbeIx> {
        self.probes
            .iter()
            .position(|probe| probe.name == name)
            .and_then(|at| u16::try_from(at).ok())
            .map(ProbeIx)
    }

    /// All probes with their indices.
    pub fn probes_ix(&self) -> impl Iterator<Item = (ProbeIx, &Probe)> {
        (0u16..).map(ProbeIx).zip(&self.probes)
    }

    /// The bed of a name.
    pub fn bed(&self, name: &str) -> Option<&Bed> {
        self.beds.iter().find(|bed| bed.name == name)
    }

    /// The person of a role, the first if several.
    pub fn person(&self, role: Role) -> Option<&Person> {
        self.people.iter().find(|person| person.role == role)
    }
}
