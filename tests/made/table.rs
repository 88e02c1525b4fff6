//! The table of the scores: one row for each set of sensors and each soil.

use std::fmt::Write as _;

use super::play::{Played, Sensors, Soil};
use super::score::{Tally, dry_days, letters_a_day, night_letters, occasions};

/// Beds of a season that lie in a soil; all with `None`.
fn beds(played: &Played, soil: Option<Soil>) -> impl Iterator<Item = usize> {
    let soils = played.setup.soils;
    (0..2).filter(move |bed| soil.is_none_or(|soil| soils[*bed] == soil))
}

/// All calls in a soil.
pub fn tally(all: &[Played], soil: Option<Soil>) -> Tally {
    let mut tally = Tally::default();
    for played in all {
        for occasion in beds(played, soil).flat_map(|bed| occasions(played, bed)) {
            tally.add(occasion.call);
        }
    }
    tally
}

fn dry(all: &[Played], soil: Soil) -> f64 {
    let days: Vec<u32> =
        all.iter().flat_map(|played| beds(played, Some(soil)).map(|bed| dry_days(played, bed))).collect();
    f64::from(days.iter().sum::<u32>()) / days.len().max(1) as f64
}

/// The value that a share of the sorted ones does not pass.
fn quantile(sorted: &[u32], share: f64) -> u32 {
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

/// Mean absolute difference of ET0 between two plays of the same weather, mm a day, and that of the mean over
/// all days of the second for each of them: what one would get by knowing the season alone.
fn et0_off_mm(guessed: &[Played], full: &[Played]) -> (f64, f64) {
    let et0 = |all: &[Played]| -> Vec<f64> {
        all.iter().flat_map(|played| played.days(0)).filter_map(|day| day.et0_mm).collect()
    };
    let (guessed, full) = (et0(guessed), et0(full));
    assert_eq!(guessed.len(), full.len());
    let n = full.len() as f64;
    let mean = full.iter().sum::<f64>() / n;
    let off = guessed.iter().zip(&full).map(|(a, b)| (a - b).abs()).sum::<f64>() / n;
    (off, full.iter().map(|mm| (mm - mean).abs()).sum::<f64>() / n)
}

/// Writes the table.
pub fn write(frozen: u64, played: &[(Sensors, Vec<Played>)]) -> String {
    let mut text = format!("season maker {frozen:016x}\n\n");
    text.push_str(
        "water letters   soil        in time  late  missed  false   in time  false   dry days a season\n",
    );
    for (sensors, all) in played {
        for (soil, word) in [(Soil::SiltLoam, "silt loam"), (Soil::SandyLoam, "sandy loam")] {
            let tally = tally(all, Some(soil));
            let name = name(*sensors);
            writeln!(
                text,
                "{name:<15} {word:<11} {:>7} {:>5} {:>7} {:>6} {:>7.1} % {:>4.1} % {:>19.1}",
                tally.in_time,
                tally.late,
                tally.missed,
                tally.false_calls,
                100.0 * tally.in_time_share(),
                100.0 * tally.false_share(),
                dry(all, soil)
            )
            .unwrap();
        }
    }
    text.push_str("\nletters a day   median  95 of 100  most   at night  of these for cover\n");
    for (sensors, all) in played {
        let mut days: Vec<u32> = all.iter().flat_map(letters_a_day).collect();
        days.sort_unstable();
        let (mut night, mut cover) = (0, 0);
        for (at_night, for_cover) in all.iter().map(night_letters) {
            night += at_night;
            cover += for_cover;
        }
        writeln!(
            text,
            "{:<15} {:>6} {:>10} {:>5} {night:>10} {cover:>19}",
            name(*sensors),
            quantile(&days, 0.5),
            quantile(&days, 0.95),
            quantile(&days, 1.0)
        )
        .unwrap();
    }
    if let [(_, three), (_, full)] = played {
        let (off, mean_off) = et0_off_mm(three, full);
        writeln!(
            text,
            "\nET0 of three sensors against that of all: {off:.2} mm a day (the mean alone: {mean_off:.2})"
        )
        .unwrap();
    }
    text
}

fn name(sensors: Sensors) -> &'static str {
    match sensors {
        Sensors::Three => "three sensors",
        Sensors::Full => "every sensor",
    }
}
