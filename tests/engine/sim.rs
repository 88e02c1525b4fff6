//! A made garden: air as a daily wave, soil that lags it, one bucket of water a bed, probes that report.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeZone, Timelike};
use rindwatch::daybook::Entry;
use rindwatch::engine::{Action, Engine, Event, Now};
use rindwatch::quantities::Quantity;
use rindwatch::record::{
    DayRecord, LetterDraft, MatterChange, MatterKey, Millis, ProbeIx, Reading, Stand, Task, Telling,
};
use rindwatch::settings;
use rindwatch::settings::garden::{Garden, RainForm};

pub const MINUTE: Millis = 60_000;
pub const HOUR: Millis = 60 * MINUTE;
pub const DAY: Millis = 24 * HOUR;

/// Head of a garden near 44.5° N, 93.2° W with one grower.
pub const HEAD: &str = r#"
[garden]
name = "made"
latitude = 44.5
longitude = -93.2
altitude = "290 m"
time-zone = "America/Chicago"

[people.grower]
address = "grower@example.org"
morning-note = false

[mail]
host = "mail.example.org"
from = "garden@example.org"
"#;

/// One bed: 7 m² rooted 0.4 m deep, full at 0.31, wilt mark at 0.14: TAW 68 mm.
pub const BED: &str = r#"
[bed.long]
rooted = "7 m2"
leafed = "7 m2"
depth = "40 cm"
full = "31 %"
wilt = "14 %"
saturation = "50 %"
intake = "20 mm/h"
crop = "giant-pumpkin"
planted = 2027-05-20
"#;

/// The settings of one probe; `more` are further lines.
pub fn probe(name: &str, measures: &str, unit: &str, more: &str) -> String {
    format!(
        "\n[probe.{name}]\nmeasures = \"{measures}\"\ntopic = \"made/{name}\"\nunit = \"{unit}\"\n{more}\n"
    )
}

/// The card's three sensors.
pub fn three() -> String {
    probe("wet", "soil-moisture", "m3/m3", "depth = \"15 cm\"")
        + &probe("warm", "soil-temperature", "C", "depth = \"5 cm\"")
        + &probe("gauge", "rain", "mm", "form = \"increment\"")
}

/// Air, humidity, wind and sun beside them.
pub fn full() -> String {
    three()
        + &probe("air", "air-temperature", "C", "")
        + &probe("damp", "air-humidity", "%", "")
        + &probe("wind", "wind-speed", "m/s", "")
        + &probe("sun", "solar-radiation", "W/m2", "")
}

pub fn garden(parts: &[&str]) -> Arc<Garden> {
    let text = parts.concat();
    Arc::new(settings::read_str("made.toml", &text).unwrap_or_else(|complaints| panic!("{complaints}")))
}

pub fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// The made weather of a day.
#[derive(Debug, Clone, Copy)]
pub struct Sky {
    pub low_c: f64,
    pub high_c: f64,
    /// What the bed really uses, mm a day.
    pub use_mm: f64,
}

pub const MILD: Sky = Sky { low_c: 14.0, high_c: 26.0, use_mm: 5.0 };
pub const HOT: Sky = Sky { low_c: 19.0, high_c: 36.0, use_mm: 7.5 };

/// A garden that runs.
pub struct Sim {
    pub garden: Arc<Garden>,
    pub engine: Engine,
    pub now_ms: Millis,
    /// How often each probe reports.
    pub step_ms: Millis,
    pub sky: Sky,
    /// True depletion of each bed, mm; below 0 while it drains.
    pub depletion_mm: Vec<f64>,
    /// Rain to come: (from, to, mm).
    pub rain: Vec<(Millis, Millis, f64)>,
    /// Probes that do not report now.
    pub silent: Vec<String>,
    /// What each degree of warmth puts on a moisture probe's reading, m³/m³.
    pub swing_per_c: f64,
    /// Values that stand in for the true ones.
    pub lies: BTreeMap<String, f64>,
    /// By how much probes read off.
    pub shifts: BTreeMap<String, f64>,
    /// All that was done, with the time it was done at.
    pub log: Vec<(Millis, Action)>,
    counter_mm: f64,
    trusted: bool,
}

impl Sim {
    /// Starts at `time` of the garden's clock on `day`, every bed at its full mark.
    pub fn new(garden: Arc<Garden>, day: &str, time: &str) -> Self {
        let engine = Engine::new(Arc::clone(&garden));
        let beds = garden.beds.len();
        let mut sim = Self {
            now_ms: 0,
            engine,
            garden,
            step_ms: 10 * MINUTE,
            sky: MILD,
            depletion_mm: vec![0.0; beds],
            rain: Vec::new(),
            silent: Vec::new(),
            swing_per_c: 0.0,
            lies: BTreeMap::new(),
            shifts: BTreeMap::new(),
            log: Vec::new(),
            counter_mm: 0.0,
            trusted: true,
        };
        sim.now_ms = sim.at(day, time);
        sim
    }

    /// The instant of a civil time.
    pub fn at(&self, day: &str, time: &str) -> Millis {
        let time: NaiveTime = time.parse().unwrap();
        self.garden.zone.from_local_datetime(&date(day).and_time(time)).earliest().unwrap().timestamp_millis()
    }

    pub fn local(&self, ms: Millis) -> DateTime<chrono_tz::Tz> {
        self.garden.zone.timestamp_millis_opt(ms).unwrap()
    }

    /// `MM-DD HH:MM` of the garden's clock.
    pub fn shown(&self, ms: Millis) -> String {
        self.local(ms).format("%m-%d %H:%M").to_string()
    }

    pub fn handle(&mut self, event: Event) -> Vec<Action> {
        self.handle_at(event, self.now_ms)
    }

    pub fn handle_at(&mut self, event: Event, now_ms: Millis) -> Vec<Action> {
        self.now_ms = self.now_ms.max(now_ms);
        let actions = self.engine.handle(event, Now { ms: now_ms, trusted: self.trusted });
        self.log.extend(actions.iter().map(|action| (now_ms, action.clone())));
        actions
    }

    pub fn trust(&mut self, trusted: bool) {
        self.trusted = trusted;
    }

    pub fn enter(&mut self, line: Entry) -> Vec<Action> {
        self.handle(Event::Entry { entry: line, happened_ms: self.now_ms })
    }

    /// Logs water and lets it reach the soil.
    pub fn water(&mut self, bed: &str, litres: f64) -> Vec<Action> {
        self.pour(bed, litres);
        self.enter(Entry::Watered { bed: bed.into(), litres })
    }

    /// Lets water reach the soil that nobody logs.
    pub fn pour(&mut self, bed: &str, litres: f64) {
        let at = self.garden.beds.iter().position(|one| one.name == bed).unwrap();
        self.depletion_mm[at] -= litres / self.garden.beds[at].rooted_m2;
    }

    /// Runs to a civil time.
    pub fn run_to(&mut self, day: &str, time: &str) {
        let to_ms = self.at(day, time);
        self.run_until(to_ms);
    }

    pub fn run_days(&mut self, days: i64) {
        self.run_until(self.now_ms + days * DAY);
    }

    /// Runs until `to_ms`: the soil every ten minutes, every probe at each step.
    pub fn run_until(&mut self, to_ms: Millis) {
        let mut at_ms = self.now_ms - self.now_ms.rem_euclid(10 * MINUTE) + 10 * MINUTE;
        while at_ms <= to_ms {
            self.soil(at_ms);
            if at_ms.rem_euclid(self.step_ms) == 0 {
                self.report(at_ms);
            } else {
                self.handle_at(Event::Turn, at_ms);
            }
            at_ms += 10 * MINUTE;
        }
        if self.now_ms < to_ms {
            self.handle_at(Event::Turn, to_ms);
        }
    }

    /// Ten minutes of soil.
    fn soil(&mut self, at_ms: Millis) {
        let rain_mm = self.rain_in(at_ms - 10 * MINUTE, at_ms);
        self.counter_mm += rain_mm;
        let daylight = (self.hour(at_ms) - 6.0) / 14.0;
        let use_mm = if (0.0..1.0).contains(&daylight) {
            self.sky.use_mm * (PI * daylight).sin() * PI / 2.0 / (14.0 * 6.0)
        } else {
            0.0
        };
        for (bed, depletion_mm) in self.garden.beds.iter().zip(&mut self.depletion_mm) {
            let taw_mm = 1000.0 * (bed.full - bed.wilt) * bed.depth_m;
            let most_mm = 1000.0 * (bed.saturation - bed.full) * bed.depth_m;
            let mut now_mm = *depletion_mm + use_mm - rain_mm;
            if now_mm < 0.0 {
                now_mm *= 0.994; // half of the surplus is gone in 19 hours
            }
            *depletion_mm = now_mm.clamp(-most_mm, taw_mm);
        }
    }

    fn rain_in(&self, from_ms: Millis, to_ms: Millis) -> f64 {
        let share = |(from, to, mm): &(Millis, Millis, f64)| {
            let both = to_ms.min(*to) - from_ms.max(*from);
            if both > 0 { mm * both as f64 / (to - from) as f64 } else { 0.0 }
        };
        self.rain.iter().map(share).sum()
    }

    fn hour(&self, ms: Millis) -> f64 {
        let local = self.local(ms);
        f64::from(local.hour()) + f64::from(local.minute()) / 60.0
    }

    /// What a probe reads at an instant.
    pub fn value(&self, ix: usize, at_ms: Millis) -> f64 {
        let probe = &self.garden.probes[ix];
        if let Some(lie) = self.lies.get(&probe.name) {
            return *lie;
        }
        let hour = self.hour(at_ms);
        let (mean_c, half_c) =
            (f64::midpoint(self.sky.low_c, self.sky.high_c), (self.sky.high_c - self.sky.low_c) / 2.0);
        let wave = |late_h: f64| ((hour - 15.0 - late_h) / 12.0 * PI).cos();
        let bed =
            probe.bed.as_deref().and_then(|bed| self.garden.beds.iter().position(|one| one.name == bed));
        let soil_c = |depth_m: f64| {
            // Grass or leaves: the surface swings less than the air.
            mean_c + 1.0 + half_c * 0.7 * (-depth_m / 0.15).exp() * wave(depth_m * 30.0)
        };
        let value = match probe.quantity {
            Quantity::SoilMoisture => {
                let bed = bed.unwrap();
                let swing = self.swing_per_c * (soil_c(probe.depth_m.unwrap_or(0.1)) - 20.0);
                let missing = self.depletion_mm[bed] / (1000.0 * self.garden.beds[bed].depth_m);
                self.garden.beds[bed].full - missing + swing
            }
            Quantity::SoilCounts => {
                let bed = bed.unwrap();
                1400.0 + 20.0 * self.depletion_mm[bed]
            }
            Quantity::SoilTemperature => soil_c(probe.depth_m.unwrap_or(0.1)),
            Quantity::Rain => match probe.rain {
                Some(RainForm::Counter) => self.counter_mm,
                _ => self.rain_in(at_ms - self.step_ms, at_ms),
            },
            Quantity::AirTemperature => mean_c + half_c * wave(0.0),
            Quantity::AirHumidity => 65.0 - 25.0 * wave(0.0),
            Quantity::WindSpeed => 1.5 + wave(0.0),
            Quantity::SolarRadiation => (850.0 * ((hour - 6.0) / 14.0 * PI).sin()).max(0.0),
            Quantity::Battery => 3.9,
            Quantity::BatteryLevel => 80.0,
            Quantity::SignalQuality => 60.0,
            Quantity::Signal => -60.0,
        };
        probe.quantity.quantise(value + self.shifts.get(&probe.name).copied().unwrap_or(0.0))
    }

    /// A reading of a probe, arriving five seconds after it was made.
    pub fn reading(&self, ix: usize, at_ms: Millis) -> Reading {
        let arrived_ms = at_ms + 5000;
        let value = self.value(ix, at_ms);
        let probe = ProbeIx(u16::try_from(ix).unwrap());
        Reading { probe, at_ms, arrived_ms, value, own_time: true, doubt: None }
    }

    fn report(&mut self, at_ms: Millis) {
        for ix in 0..self.garden.probes.len() {
            if self.silent.contains(&self.garden.probes[ix].name) {
                continue;
            }
            let reading = self.reading(ix, at_ms);
            self.handle_at(Event::Reading(reading), reading.arrived_ms);
        }
        self.handle_at(Event::Turn, at_ms + 5000);
    }

    pub fn ix(&self, name: &str) -> usize {
        self.garden.probes.iter().position(|probe| probe.name == name).unwrap()
    }

    // What came of it.

    pub fn letters(&self) -> Vec<&LetterDraft> {
        letters(&self.log)
    }

    /// Tasks of a matter in letters: when, how told, the task.
    pub fn told(&self, key: MatterKey) -> Vec<(Millis, Telling, &Task)> {
        self.letters()
            .into_iter()
            .flat_map(|letter| letter.tasks.iter().map(move |task| (letter.at_ms, task.telling, task)))
            .filter(|(_, _, task)| task.matter == key)
            .collect()
    }

    /// The same, as `MM-DD HH:MM Telling`.
    pub fn told_at(&self, key: MatterKey) -> Vec<String> {
        self.told(key).iter().map(|(at, telling, _)| format!("{} {telling:?}", self.shown(*at))).collect()
    }

    pub fn changes(&self, key: MatterKey) -> Vec<&MatterChange> {
        self.log
            .iter()
            .filter_map(|(_, action)| match action {
                Action::Matter(change) if change.matter == key => Some(&**change),
                _ => None,
            })
            .collect()
    }

    pub fn stand(&self, key: MatterKey) -> Option<Stand> {
        self.changes(key).last().map(|change| change.to)
    }

    pub fn days(&self) -> Vec<&DayRecord> {
        self.log
            .iter()
            .filter_map(|(_, action)| match action {
                Action::Day(day) => Some(&**day),
                _ => None,
            })
            .collect()
    }
}

pub fn letters(log: &[(Millis, Action)]) -> Vec<&LetterDraft> {
    log.iter()
        .filter_map(|(_, action)| match action {
            Action::Letter(letter) => Some(&**letter),
            _ => None,
        })
        .collect()
}
