//! The seasons that are played, and what is kept of each.

use std::fmt::Write as _;

use rindwatch::record::Millis;

use super::ailments::{Ailment, What};
use super::faults::{self, Named};
use super::grower::Kind;
use super::play::{HOUR, Played, START_MS, Sensors, Setup, Soil};
use super::score::{self, Call, Tally};
use super::season_maker::BEDS;
use super::weather;

/// First seed; tests use none from here on.
const FIRST_SEED: u64 = 401;

/// A season to be played.
#[derive(Debug, Clone)]
pub struct Made {
    pub name: String,
    pub setup: Setup,
}

type Change = fn(&mut Setup);

/// What each season is like; all are played with the three sensors and with every sensor.
pub const NAMED: [(&str, Change); 18] = [
    ("usual", |_| {}),
    ("dry and hot", |setup| (setup.warmer_c, setup.wetter) = (2.0, 0.5)),
    ("wet and cool", |setup| (setup.warmer_c, setup.wetter) = (-1.5, 1.8)),
    ("late frost", |setup| setup.warmer_c = -3.0),
    ("great leaves", |setup| setup.leafed = [2.5, 2.0]),
    ("stand-in forgets", |setup| setup.grower = Kind::Forgets),
    ("half of it given", |setup| setup.grower = Kind::Partly(0.5)),
    ("nothing written down", |setup| setup.grower = Kind::Silent),
    ("watered by routine", |setup| setup.grower = Kind::Routine { share: 0.5 }),
    ("moisture probe dies", |setup| ails(setup, What::Dies, "wet", 78)),
    ("moisture probe sticks", |setup| ails(setup, What::Sticks, "wet", 80)),
    ("moisture probe creeps wet", |setup| ails(setup, What::Creeps(0.004), "wet", 60)),
    ("moisture probe hangs loose", |setup| ails(setup, What::Loose(0.45), "wet", 84)),
    ("gauge clogs", |setup| ails(setup, What::Clogs, "gauge", 55)),
    ("thermometer says 85", |setup| ails(setup, What::Sentinels, "warm", 66)),
    ("node buffers two days", |setup| ails(setup, What::Buffers, "wet", 70)),
    ("all twice, counter restarts", |setup| {
        ails(setup, What::Doubles, "", 20);
        ails(setup, What::Restarts, "gauge", 50);
    }),
    ("clock lost for 30 h", |setup| ails(setup, What::ClockLost, "", 90)),
];

/// Puts an ailment on a probe of the long bed, from a day of the season on.
fn ails(setup: &mut Setup, what: What, which: &str, day: u32) {
    let probe = match (which, setup.sensors) {
        ("", _) => "",
        ("gauge", _) => "gauge",
        ("warm", _) => "long-warm",
        (_, Sensors::Three) => "long-wet",
        (_, Sensors::Full) => "long-upper",
    };
    let hours = match what {
        What::Buffers => 48,
        What::ClockLost => 30,
        What::Restarts => 24,
        _ => 60 * 24,
    };
    setup.ailments.push(Ailment { what, probe, from_h: day * 24 + 14, hours });
}

/// All seasons.
pub fn all() -> Vec<Made> {
    let mut all = Vec::new();
    for (sensors, words) in [(Sensors::Three, "three sensors"), (Sensors::Full, "every sensor")] {
        for (at, (name, change)) in NAMED.iter().enumerate() {
            let mut setup = Setup::new(FIRST_SEED + at as u64, sensors);
            setup.leafed = [[1.0, 1.5], [0.7, 2.0], [1.8, 1.2]][at % 3];
            if at % 2 == 1 {
                setup.soils = [Soil::SandyLoam, Soil::SiltLoam];
            }
            change(&mut setup);
            all.push(Made { name: format!("{words}, {name}"), setup });
        }
    }
    all
}

/// What is kept of a season that was played.
pub struct Kept {
    pub name: String,
    pub sensors: Sensors,
    pub water: Tally,
    /// Missed although no probe of moisture in the bed was ill.
    pub missed_with_good_probe: u32,
    pub shade: Tally,
    pub cover: Tally,
    pub named: Vec<Named>,
    /// Gear matters of probes that nothing ailed.
    pub false_gear: u32,
    /// Letters that ask for work, by day.
    pub letters: Vec<u32>,
    /// At night, and how many of them by rule.
    pub night: (u32, u32),
    pub dry_days: [u32; 2],
    bad: Vec<(Millis, &'static str, String)>,
}

impl Kept {
    pub fn of(made: &Made, played: &Played) -> Self {
        let mut water = Tally::default();
        let mut missed_with_good_probe = 0;
        let mut bad = Vec::new();
        for occasion in (0..2).flat_map(|bed| score::occasions(played, bed)) {
            water.add(occasion.call);
            let bed = BEDS[occasion.bed];
            let ill = made.setup.ailments.iter().any(|one| {
                one.what == What::ClockLost
                    || (one.probe.starts_with(bed) && one.began_ms() <= occasion.at_ms)
            });
            if occasion.call == Call::Missed && !ill {
                missed_with_good_probe += 1;
            }
            if occasion.call != Call::InTime {
                bad.push((occasion.at_ms, "water", format!("{bed} {:?}", occasion.call)));
            }
        }
        let mut tally = |matter, calls: Vec<(Millis, Call)>| {
            let mut tally = Tally::default();
            for (at_ms, call) in calls {
                tally.add(call);
                if call != Call::InTime {
                    bad.push((at_ms, matter, format!("{call:?}")));
                }
            }
            tally
        };
        let shade = tally("shade", weather::shade(played));
        let cover = tally("cover", weather::cover(played));
        let named = faults::named(played);
        for one in named.iter().filter(|one| one.after_h.is_none()) {
            bad.push((one.from_ms, "gear", format!("{} {:?} never named", one.probe, one.what)));
        }
        let false_gear = faults::false_ones(played);
        bad.extend(false_gear.iter().map(|(at_ms, words)| (*at_ms, "gear", words.clone())));
        bad.sort_by_key(|(at_ms, ..)| *at_ms);
        Self {
            name: made.name.clone(),
            sensors: made.setup.sensors,
            water,
            missed_with_good_probe,
            shade,
            cover,
            named,
            false_gear: u32::try_from(false_gear.len()).unwrap(),
            letters: score::letters_a_day(played),
            night: score::night_letters(played),
            dry_days: [0, 1].map(|bed| score::dry_days(played, bed)),
            bad,
        }
    }

    /// What came late, never or for nothing, a line each.
    pub fn told(&self) -> String {
        let mut text = format!("{}\n", self.name);
        for (at_ms, matter, words) in &self.bad {
            let hour = (at_ms - START_MS) / HOUR;
            writeln!(text, "  day {:3} {:02} h  {matter:6} {words}", hour / 24, hour % 24).unwrap();
        }
        text
    }
}
