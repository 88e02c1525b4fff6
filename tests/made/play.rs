//! A made season through intake and engine, hour by hour, with a made grower who reads the letters.

use std::fmt::Write as _;
use std::sync::{Arc, Mutex};

use rindwatch::daybook::Entry;
use rindwatch::engine::{Action, Engine, Event, Now};
use rindwatch::intake::{Intake, Taken};
use rindwatch::record::{Content, DayRecord, LetterDraft, MatterChange, MatterKey, Millis, Task};
use rindwatch::settings;
use rindwatch::settings::garden::Garden;

use super::ailments::{Ailing, Ailment};
use super::grower::{Grower, Kind};
use super::season_maker::{BEDS, Chance, DAYS, Make, Measures, Probe, Season, Texture, Truth};

pub const HOUR: Millis = 3_600_000;
/// 1 May 2027, midnight UTC, which is the garden's clock.
pub const START_MS: Millis = 1_809_129_600_000;
/// Readings arrive so long after they were made.
const ON_THE_WAY_MS: Millis = 5000;

/// What the garden is measured with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sensors {
    /// The card's three: in each bed one moisture probe at 20 cm and a soil thermometer at 5 cm, and a gauge.
    Three,
    /// Moisture at 10 and 30 cm, soil temperature at 10 cm, gauge, air, humidity, wind and sun.
    Full,
}

/// Where the marks in the settings come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Marks {
    /// The full mark was read off the bed's own probes a day after a soaking; the wilt mark is about right.
    Measured,
    /// The table of the soil's texture class.
    Table,
}

/// One season to be played.
#[derive(Debug, Clone)]
pub struct Setup {
    /// Of weather, probes and grower.
    pub seed: u64,
    pub sensors: Sensors,
    pub marks: Marks,
    /// Soil of the beds, `long` and `east`.
    pub soils: [Soil; 2],
    /// Grown leaves of the beds, as multiples of the rooted area.
    pub leafed: [f64; 2],
    /// The grower paces out the leaves each Sunday and says so.
    pub paces: bool,
    pub grower: Kind,
    /// When the grower can be at the beds.
    pub windows: Vec<[u32; 2]>,
    /// The whole season is warmer by, °C.
    pub warmer_c: f64,
    /// Showers come so many times as often.
    pub wetter: f64,
    /// Standard deviation of the constant error of each moisture probe, m³/m³.
    pub off: f64,
    /// What goes wrong besides.
    pub ailments: Vec<Ailment>,
}

/// The soils that are played.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Soil {
    SiltLoam,
    SandyLoam,
}

impl Setup {
    /// A diligent grower with measured marks, silt loam and sandy loam, leaves over once the rooted area.
    pub fn new(seed: u64, sensors: Sensors) -> Self {
        Self {
            seed,
            sensors,
            marks: Marks::Measured,
            soils: [Soil::SiltLoam, Soil::SandyLoam],
            leafed: [1.0, 1.0],
            paces: true,
            grower: Kind::Diligent,
            windows: vec![[6, 11], [17, 21]],
            warmer_c: 0.0,
            wetter: 1.0,
            off: 0.008,
            ailments: Vec::new(),
        }
    }

    /// What the season is made of.
    pub fn make(&self) -> Make {
        let mut make = Make::demo();
        for (plot, (soil, leafed)) in make.plots.iter_mut().zip(self.soils.into_iter().zip(self.leafed)) {
            plot.texture = match soil {
                Soil::SiltLoam => Texture::SILT_LOAM,
                Soil::SandyLoam => Texture::SANDY_LOAM,
            };
            plot.leafed_m2 = leafed * plot.rooted_m2;
        }
        make.warmer_c = self.warmer_c;
        make.wetter = self.wetter;
        make.probes = self.probes();
        make
    }

    /// The probes in the soil, each with its own constant error.
    pub fn probes(&self) -> Vec<Probe> {
        let mut chance = Chance::new(self.seed ^ 0x0FF);
        let mut probe = |name, bed, measures, depth_cm| Probe {
            name,
            bed,
            measures,
            depth_cm,
            off: if measures == Measures::Moisture { self.off * chance.bell() } else { 0.0 },
        };
        match self.sensors {
            Sensors::Three => vec![
                probe("long-wet", 0, Measures::Moisture, 20.0),
                probe("long-warm", 0, Measures::Warmth, 5.0),
                probe("east-wet", 1, Measures::Moisture, 20.0),
                probe("east-warm", 1, Measures::Warmth, 5.0),
            ],
            Sensors::Full => vec![
                probe("long-upper", 0, Measures::Moisture, 10.0),
                probe("long-lower", 0, Measures::Moisture, 30.0),
                probe("long-warm", 0, Measures::Warmth, 10.0),
                probe("east-upper", 1, Measures::Moisture, 10.0),
                probe("east-lower", 1, Measures::Moisture, 30.0),
                probe("east-warm", 1, Measures::Warmth, 10.0),
            ],
        }
    }

    /// The settings of the garden, as its grower would have written them.
    pub fn settings(&self, season: &Season) -> String {
        let windows: Vec<String> =
            self.windows.iter().map(|[from, to]| format!("\"{from:02}:00-{to:02}:00\"")).collect();
        let windows = windows.join(", ");
        let mut text = format!(
            "[garden]\nname = \"made-patch\"\nlatitude = 45.0\nlongitude = 0.0\naltitude = \"120 m\"\n\
             time-zone = \"Etc/UTC\"\n[people.grower]\naddress = \"grower@example.org\"\nmorning-note = false\nhours = [{windows}]\n\
             [times]\nquiet = \"21:30-05:30\"\nwindows = [{windows}]\n[vessels]\ncan = \"10 L\"\n\
             hose = \"15 L/min\"\n[mail]\nhost = \"127.0.0.1\"\nfrom = \"patch@example.org\"\n"
        );
        let probes = self.probes();
        let make = self.make();
        for (bed, name) in BEDS.iter().enumerate() {
            let plot = make.plots[bed];
            let class = match self.soils[bed] {
                Soil::SiltLoam => "silt loam",
                Soil::SandyLoam => "sandy loam",
            };
            write!(
                text,
                "[bed.{name}]\nrooted = \"{} m2\"\ndepth = \"{} cm\"\nsoil = \"{class}\"\n\
                 crop = \"giant-pumpkin\"\nplanted = 2027-05-10\npollinated = 2027-07-02\n",
                plot.rooted_m2, plot.depth_cm
            )
            .unwrap();
            if self.marks == Marks::Measured {
                let off: Vec<f64> = probes
                    .iter()
                    .filter(|probe| probe.bed == bed && probe.measures == Measures::Moisture)
                    .map(|probe| probe.off)
                    .collect();
                // Both are what the probes said then, so they carry the probes' constant error.
                let off = off.iter().sum::<f64>() / off.len() as f64;
                let full = season.full(bed).unwrap() + off;
                let wilt = full - season.usable_mm(bed).unwrap() / plot.depth_cm / 10.0;
                // To half a per cent, as one reads it off; leaves that hang at dawn are seen less sharply.
                let (full, wilt) = ((full * 200.0).round() / 2.0, (wilt * 100.0).round());
                writeln!(text, "full = \"{full:.1} %\"\nwilt = \"{wilt:.0} %\"").unwrap();
            }
            if let Kind::Routine { .. } = self.grower {
                writeln!(text, "routine = \"{:.0} L every evening\"", self.grower.routine_litres(&plot))
                    .unwrap();
            }
        }
        for probe in &probes {
            let (measures, unit) = match probe.measures {
                Measures::Moisture => ("soil-moisture", "m3/m3"),
                Measures::Warmth => ("soil-temperature", "C"),
            };
            write!(
                text,
                "[probe.{0}]\nmeasures = \"{measures}\"\nbed = \"{1}\"\ndepth = \"{2} cm\"\n\
                 topic = \"patch/{0}\"\nvalue = \"/value\"\nunit = \"{unit}\"\ntime = \"epoch-s\"\n\
                 time-at = \"/at\"\n",
                probe.name, BEDS[probe.bed], probe.depth_cm
            )
            .unwrap();
        }
        let mut mast = |name: &str, measures: &str, at: &str, unit: &str, more: &str| {
            write!(
                text,
                "[probe.{name}]\nmeasures = \"{measures}\"\ntopic = \"patch/mast\"\nvalue = \"/{at}\"\n\
                 unit = \"{unit}\"\ntime = \"epoch-s\"\ntime-at = \"/at\"\n{more}"
            )
            .unwrap();
        };
        mast("gauge", "rain", "rain_total", "mm", "form = \"counter\"\n");
        if self.sensors == Sensors::Full {
            mast("air", "air-temperature", "air", "C", "");
            mast("humidity", "air-humidity", "humidity", "%", "");
            mast("wind", "wind-speed", "wind", "m/s", "");
            mast("sun", "solar-radiation", "sun", "W/m2", "");
        }
        text
    }
}

/// Water poured on a bed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pour {
    pub at_ms: Millis,
    pub bed: usize,
    pub litres: f64,
    /// The grower wrote it down.
    pub logged: bool,
}

/// A season that was played.
pub struct Played {
    pub setup: Setup,
    pub garden: Arc<Garden>,
    pub engine: Engine,
    /// All that was done, with the time it was done at.
    pub log: Vec<(Millis, Action)>,
    /// What was truly poured.
    pub pours: Vec<Pour>,
    /// What was true of each bed at the end of each hour.
    pub truth: [Vec<Truth>; 2],
    /// Air temperature of each hour, with its end, °C.
    pub air_c: Vec<(Millis, f64)>,
    /// The board knows what time it is.
    clock_known: bool,
    /// For each telling of a water task: what would have come true had nobody watered since (two days).
    pub unwatered: Vec<Unwatered>,
    /// Full mark of each bed, m³/m³, and water between full and nothing, mm.
    pub full: [f64; 2],
    pub usable_mm: [f64; 2],
}

/// What would have come true of a bed without water from a telling on.
pub struct Unwatered {
    pub at_ms: Millis,
    pub bed: usize,
    pub hours: Vec<Truth>,
    /// It asks for the next part, the last one too, of a dose that is spread over days, of which a part was given in the
    /// last three days.
    pub next_part: bool,
}

/// How far a bed is followed without water, hours.
const FOLLOWED_H: u32 = 72;

impl Played {
    pub fn letters(&self) -> impl Iterator<Item = &LetterDraft> {
        self.log.iter().filter_map(|(_, action)| match action {
            Action::Letter(letter) => Some(&**letter),
            _ => None,
        })
    }

    pub fn changes(&self) -> impl Iterator<Item = &MatterChange> {
        self.log.iter().filter_map(|(_, action)| match action {
            Action::Matter(change) => Some(&**change),
            _ => None,
        })
    }

    /// Closed days as they stood last, in the order of their closing; of a corrected day the last word.
    pub fn days(&self, bed: usize) -> Vec<&DayRecord> {
        let mut days = std::collections::BTreeMap::new();
        for (_, action) in &self.log {
            if let Action::Day(day) = action
                && day.bed == BEDS[bed]
            {
                days.insert(day.date, &**day);
            }
        }
        days.into_values().collect()
    }

    /// Tasks of a matter in letters, with the time of the letter.
    pub fn told(&self, key: MatterKey) -> impl Iterator<Item = (Millis, &Task)> {
        self.letters()
            .flat_map(|letter| letter.tasks.iter().map(move |task| (letter.at_ms, task)))
            .filter(move |(_, task)| task.matter == key)
    }
}

/// Plays all on all cores; `keep` takes of each what is wanted. In the order given.
pub fn play_all<T: Send>(setups: Vec<Setup>, keep: impl Fn(usize, Played) -> T + Sync) -> Vec<T> {
    let left = Mutex::new(setups.into_iter().enumerate());
    let kept = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(2, Into::into) {
            scope.spawn(|| {
                loop {
                    let next = left.lock().unwrap().next();
                    let Some((at, setup)) = next else { return };
                    let one = keep(at, play(setup));
                    kept.lock().unwrap().push((at, one));
                }
            });
        }
    });
    let mut kept = kept.into_inner().unwrap();
    kept.sort_by_key(|(at, _)| *at);
    kept.into_iter().map(|(_, one)| one).collect()
}

/// Plays a whole season.
pub fn play(setup: Setup) -> Played {
    play_watched(setup, |_, _| {})
}

/// Plays a whole season; `watch` looks at engine and season at the end of each hour.
pub fn play_watched(setup: Setup, mut watch: impl FnMut(&Engine, &Season)) -> Played {
    let mut season = Season::made(setup.seed, START_MS, &setup.make());
    let text = setup.settings(&season);
    let garden =
        settings::read_str("made.toml", &text).unwrap_or_else(|complaints| panic!("{complaints}\n{text}"));
    let garden = Arc::new(garden);
    let mut intake = Intake::new(Arc::clone(&garden));
    let mut grower = Grower::new(&setup);
    let mut ailing = Ailing::new(&setup.ailments);
    let mut taken = Taken::default();
    let mut played = Played {
        engine: Engine::new(Arc::clone(&garden)),
        garden,
        log: Vec::new(),
        pours: Vec::new(),
        truth: [Vec::new(), Vec::new()],
        air_c: Vec::new(),
        clock_known: true,
        unwatered: Vec::new(),
        full: [0, 1].map(|bed| season.full(bed).unwrap()),
        usable_mm: [0, 1].map(|bed| season.usable_mm(bed).unwrap()),
        setup,
    };
    // When a part of a spread dose was last asked for, if the letter after it is not out yet.
    let mut part_told_ms = [Millis::MAX; 2];
    for _ in 0..DAYS * 24 {
        let heard = played.log.len();
        let (now_ms, messages) = season.step();
        let arrived_ms = now_ms + ON_THE_WAY_MS;
        for (bed, truth) in played.truth.iter_mut().enumerate() {
            truth.push(season.truth(bed).unwrap());
        }
        played.air_c.push((now_ms, season.air_c()));
        played.clock_known = ailing.clock_known(now_ms);
        intake.trust_clock(played.clock_known);
        for message in ailing.pass(now_ms, messages) {
            intake.take(&message.topic, message.payload.as_bytes(), arrived_ms, false, &mut taken);
            assert!(taken.refusals.is_empty(), "{:?}", taken.refusals);
            for reading in &taken.readings {
                played.tell(Event::Reading(*reading), arrived_ms);
            }
        }
        played.tell(Event::Turn, arrived_ms);
        watch(&played.engine, &season);
        // What was decided within the hour is read at its end.
        let letters: Vec<LetterDraft> = played.log[heard..]
            .iter()
            .filter_map(|(_, action)| match action {
                Action::Letter(letter) => Some((**letter).clone()),
                _ => None,
            })
            .collect();
        for letter in &letters {
            for task in letter.tasks.iter().filter(|task| task.matter == MatterKey::Water) {
                let bed = BEDS.iter().position(|name| *name == task.subject).unwrap();
                let hours = season.unwatered(bed, FOLLOWED_H);
                // The last part of a spread dose names no parts any more: the letter before it did.
                let spread = matches!(&task.content, Content::Water(dose) if dose.today_litres.is_some());
                let from_ms = if spread { letter.at_ms - 72 * HOUR } else { part_told_ms[bed] };
                let from_ms = from_ms.max(letter.at_ms - 72 * HOUR);
                let begun = |pour: &Pour| pour.bed == bed && pour.at_ms >= from_ms;
                let next_part = played.pours.iter().any(begun);
                part_told_ms[bed] = if spread { letter.at_ms } else { Millis::MAX };
                played.unwatered.push(Unwatered { at_ms: letter.at_ms, bed, hours, next_part });
            }
            grower.read(letter, now_ms);
            ailing.read(letter, now_ms);
        }
        for deed in grower.work(now_ms, &season) {
            if let Some((bed, litres)) = deed.pour {
                season.pour(bed, litres);
                played.pours.push(Pour { at_ms: now_ms, bed, litres, logged: deed.entry.is_some() });
            }
            if let Some(entry) = deed.entry {
                played.enter(entry, arrived_ms);
            }
        }
    }
    played
}

impl Played {
    fn tell(&mut self, event: Event, now_ms: Millis) {
        let actions = self.engine.handle(event, Now { ms: now_ms, trusted: self.clock_known });
        self.log.extend(actions.into_iter().map(|action| (now_ms, action)));
    }

    fn enter(&mut self, entry: Entry, now_ms: Millis) {
        self.tell(Event::Entry { entry, happened_ms: now_ms }, now_ms);
    }
}
