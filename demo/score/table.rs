//! The table: a row a season, the sums, and the last line that a machine reads.

use std::fmt::Write as _;

use super::play::Sensors;
use super::score::Tally;
use super::seasons::Kept;

/// The value that a share of the sorted ones does not pass.
pub fn quantile(sorted: &[u32], share: f64) -> u32 {
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

/// Writes the table.
pub fn write(kept: &[Kept]) -> String {
    let mut text = String::from(
        "in time / late / missed / false                                                        letters a day\n\
         season                                        water        shade        cover          \
         mid 95 most  night  dry days  false gear\n",
    );
    for season in kept {
        row(&mut text, &season.name, std::slice::from_ref(season));
    }
    text.push('\n');
    for (sensors, words) in
        [(Sensors::Three, "all with three sensors"), (Sensors::Full, "all with every sensor")]
    {
        let of: Vec<&Kept> = kept.iter().filter(|season| season.sensors == sensors).collect();
        if !of.is_empty() {
            row(&mut text, words, &of);
        }
    }
    text.push_str("\nhours until a fault of a probe was named\n");
    for season in kept {
        for one in &season.named {
            let mut after = one.after_h.map_or("never".to_owned(), |after_h| format!("{after_h:.1}"));
            if let (Some(seen_after_h), false) = (one.seen_after_h, one.seen.is_empty()) {
                write!(after, "; {seen_after_h:.1} {}", one.seen).unwrap();
            }
            let within = one.within_h.map_or(String::new(), |within_h| format!(" (within {within_h:.1})"));
            writeln!(text, "{:45} {after}{within}", season.name).unwrap();
        }
    }
    let water = sum(kept.iter().map(|season| season.water));
    writeln!(
        text,
        "\nletters at night are told by rule: a fall of the air that nobody was told of\n\
         score water in-time={} late={} missed={} false={}",
        water.in_time, water.late, water.missed, water.false_calls
    )
    .unwrap();
    text
}

/// All of them together.
pub fn sum(tallies: impl Iterator<Item = Tally>) -> Tally {
    tallies.fold(Tally::default(), |a, b| Tally {
        in_time: a.in_time + b.in_time,
        late: a.late + b.late,
        missed: a.missed + b.missed,
        false_calls: a.false_calls + b.false_calls,
    })
}

fn row<K: std::borrow::Borrow<Kept>>(text: &mut String, name: &str, of: &[K]) {
    let of = || of.iter().map(std::borrow::Borrow::borrow);
    let calls =
        |tally: Tally| format!("{}/{}/{}/{}", tally.in_time, tally.late, tally.missed, tally.false_calls);
    let mut letters: Vec<u32> = of().flat_map(|season| season.letters.clone()).collect();
    letters.sort_unstable();
    let seasons = of().count() as f64;
    writeln!(
        text,
        "{name:45} {:12} {:12} {:14} {:3} {:2} {:4} {:6} {:9.1} {:11}",
        calls(sum(of().map(|season| season.water))),
        calls(sum(of().map(|season| season.shade))),
        calls(sum(of().map(|season| season.cover))),
        quantile(&letters, 0.5),
        quantile(&letters, 0.95),
        letters.last().unwrap(),
        of().map(|season| season.night.0).sum::<u32>(),
        of().map(|season| f64::from(season.dry_days.iter().sum::<u32>()) / 2.0).sum::<f64>() / seasons,
        of().map(|season| season.false_gear).sum::<u32>(),
    )
    .unwrap();
}
