//! A measured season without a faulty probe (hourly, a grassland station in Kansas, 2022, named by
//! `RINDWATCH_RECORD`): how long each probe is doubted or condemned, and by which rule.

use std::collections::BTreeMap;

use chrono::DateTime;
use rindwatch::engine::{Event, Trust};
use rindwatch::record::{MatterKey, ProbeIx, Reading, Rule};

use super::sim::*;

/// Column of the record, probe, what it measures.
const COLUMNS: [(&str, &str, &str, &str, &str); 6] = [
    ("vwc_5cm", "upper", "soil-moisture", "m3/m3", "depth = \"5 cm\""),
    ("vwc_20cm", "middle", "soil-moisture", "m3/m3", "depth = \"20 cm\""),
    ("vwc_40cm", "lower", "soil-moisture", "m3/m3", "depth = \"40 cm\""),
    ("soil_5cm_c", "warm", "soil-temperature", "C", "depth = \"5 cm\""),
    ("rain_mm", "gauge", "rain", "mm", "form = \"increment\""),
    ("air_c", "air", "air-temperature", "C", ""),
];

/// Probe, from, to, by how much it reads off, m³/m³, and the rule that is to name it; all in dry days.
const PUT_IN: [(&str, &str, &str, f64, Rule); 2] = [
    ("middle", "2022-08-02", "2022-08-05", 0.12, Rule::RiseWithoutWater),
    ("lower", "2022-08-25", "2022-08-28", -0.07, Rule::SuddenFall),
];

#[test]
fn faults_put_into_a_measured_season_are_named() {
    let Some(season) = Season::open(&PUT_IN) else { return };
    for (name, from, to, by, rule) in PUT_IN {
        let of = season
            .spells
            .iter()
            .find(|spell| spell.1 == name)
            .unwrap_or_else(|| panic!("{name}: {:?}", season.spells));
        println!("{name} {by} from {from} to {to}: {of:?}");
        assert_eq!(of.2, rule);
        assert!((from..to).contains(&of.0.as_str()), "{of:?}");
    }
    let others: Vec<_> =
        season.spells.iter().filter(|spell| !PUT_IN.iter().any(|put| put.0 == spell.1)).collect();
    assert!(others.is_empty(), "{others:?}");
}

#[test]
fn a_measured_season_accuses_no_sound_probe() {
    let Some(season) = Season::open(&[]) else { return };
    for (_, name, ..) in COLUMNS {
        let of: Vec<_> = season.hours.iter().filter(|((probe, ..), _)| probe == name).collect();
        println!("{name}: {of:?} of {} hours", season.rows);
    }
    println!("letters about gear: {}", season.letters);
    let condemned: u32 =
        season.hours.iter().filter(|((_, trust, _), _)| *trust == "condemned").map(|(_, n)| n).sum();
    let doubted: u32 = season.hours.values().sum();
    assert_eq!((condemned, season.letters), (0, 0), "a sound probe was condemned: {:?}", season.spells);
    assert!(doubted <= 3 * 24, "{doubted} probe hours doubted");
    assert!(season.rows > 6000);
}

/// The season lived through.
struct Season {
    rows: u32,
    /// Probe, how believed, rule: hours.
    hours: BTreeMap<(String, &'static str, &'static str), u32>,
    /// Begin of each spell of doubt: date, probe, rule.
    spells: Vec<(String, String, Rule)>,
    letters: usize,
}

impl Season {
    /// `None` where no record is named.
    fn open(put_in: &[(&str, &str, &str, f64, Rule)]) -> Option<Self> {
        let Some(path) = std::env::var_os("RINDWATCH_RECORD") else {
            eprintln!("LEFT OUT: RINDWATCH_RECORD names no record, the trust in its probes is not counted");
            return None;
        };
        let probes: String =
            COLUMNS.iter().map(|(_, name, what, unit, more)| probe(name, what, unit, more)).collect();
        let bed = BED.replace("2027-05-20", "2022-04-01").replace("31 %", "36 %").replace("14 %", "16 %");
        let mut csv = csv::Reader::from_path(&path).unwrap();
        let header = csv.headers().unwrap().clone();
        let at = COLUMNS.map(|(column, ..)| header.iter().position(|name| name == column).unwrap());
        let mut sim = Sim::new(garden(&[HEAD, &bed, &probes]), "2022-03-01", "00:00");
        let mut season = Self { rows: 0, hours: BTreeMap::new(), spells: Vec::new(), letters: 0 };
        let mut standing: BTreeMap<String, Option<Rule>> = BTreeMap::new();
        for row in csv.records() {
            let row = row.unwrap();
            season.rows += 1;
            let at_ms = DateTime::parse_from_rfc3339(&row[0]).unwrap().timestamp_millis();
            for (ix, at) in at.iter().enumerate() {
                let Ok(value) = row[*at].parse::<f64>() else { continue };
                let off = |put: &&(&str, &str, &str, f64, Rule)| {
                    put.0 == COLUMNS[ix].1 && (put.1..put.2).contains(&&row[0][..10])
                };
                let value = value + put_in.iter().find(off).map_or(0.0, |put| put.3);
                let (probe, arrived_ms) = (ProbeIx(u16::try_from(ix).unwrap()), at_ms + 5000);
                let reading = Reading { probe, at_ms, arrived_ms, value, own_time: true, doubt: None };
                sim.handle_at(Event::Reading(reading), arrived_ms);
            }
            season.look(&sim, &row[0][..10], &mut standing);
        }
        season.letters = sim.told(MatterKey::Gear).len();
        Some(season)
    }

    fn look(&mut self, sim: &Sim, date: &str, standing: &mut BTreeMap<String, Option<Rule>>) {
        for probe in sim.engine.survey(sim.now_ms).probes {
            let trust = match probe.trust {
                Trust::Doubtful => "doubted",
                Trust::Condemned => "condemned",
                Trust::Good | Trust::Missing => {
                    standing.insert(probe.name, None);
                    continue;
                }
            };
            let before = standing.insert(probe.name.clone(), probe.rule).flatten();
            let rule = probe.rule.unwrap();
            if before != probe.rule {
                self.spells.push((date.to_owned(), probe.name.clone(), rule));
            }
            *self.hours.entry((probe.name, trust, rule.key())).or_default() += 1;
        }
    }
}
