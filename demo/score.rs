//! How good the advice is, measured: made seasons of many kinds through the real engine, and what its letters
//! were worth, matter by matter.
//!
//! `cargo run --release --example advice-score` prints the table; `-- --keep` writes it to `demo/advice-score.txt`,
//! `-- --check` ends with 1 if that file says something else or the budget is broken.
//!
//! The seasons come from `demo/season_maker`, which shares no file and no formula with the engine; what goes wrong
//! besides is in `tests/made/ailments.rs`. Nothing was tuned on these seeds.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a measurement may stop where it stands

#[path = "../tests/made/ailments.rs"]
mod ailments;
#[path = "score/around.rs"]
mod around;
#[path = "score/budget.rs"]
mod budget;
#[path = "score/faults.rs"]
mod faults;
#[path = "../tests/made/grower.rs"]
mod grower;
#[path = "../tests/made/numbered.rs"]
mod numbered;
#[allow(dead_code)] // the tests use more of it
#[path = "../tests/made/play.rs"]
mod play;
#[allow(dead_code)] // the tests use more of it
#[path = "../tests/made/score.rs"]
mod score;
#[allow(dead_code, unused_imports)] // the demo uses more of it
#[path = "season_maker/mod.rs"]
mod season_maker;
#[path = "score/seasons.rs"]
mod seasons;
#[path = "score/table.rs"]
mod table;
#[path = "score/weather.rs"]
mod weather;

use std::path::Path;
use std::process::ExitCode;

use clap::Parser;

use play::Sensors;
use score::Tally;
use seasons::{Kept, Made};

/// How good the advice is, over made seasons
#[derive(Debug, Parser)]
#[command(name = "advice-score")]
struct Args {
    /// Write the table to demo/advice-score.txt
    #[arg(long)]
    keep: bool,
    /// End with 1 if the kept table differs or the budget is broken
    #[arg(long)]
    check: bool,
    /// Play only seasons whose name holds these words, and show each letter that came late, never or for nothing
    #[arg(long, value_name = "WORDS")]
    only: Option<String>,
    /// Play sixty numbered seasons instead, from this seed on, and say what their water letters were worth
    #[arg(long, value_name = "SEED")]
    numbered: Option<u64>,
}

/// Sets of twelve that are played of numbered seasons.
const SETS: u64 = 5;

/// What water letters of sixty numbered seasons were worth, a line for each set of sensors.
fn numbered_seasons(first_seed: u64) -> String {
    let tally = |sensors| {
        let setups = (0..SETS).flat_map(|set| numbered::setups(first_seed + 12 * set, sensors)).collect();
        let each = play::play_all(setups, |_, played| {
            let mut tally = Tally::default();
            (0..2).flat_map(|bed| score::occasions(&played, bed)).for_each(|one| tally.add(one.call));
            tally
        });
        table::sum(each.into_iter())
    };
    [(Sensors::Three, "three sensors"), (Sensors::Full, "every sensor")]
        .map(|(sensors, words)| {
            let tally = tally(sensors);
            format!(
                "{words}: in time {:.1} % of {}, late {}, missed {}; false {} of {} letters, {:.1} %\n",
                100.0 * tally.in_time_share(),
                tally.in_time + tally.late + tally.missed,
                tally.late,
                tally.missed,
                tally.false_calls,
                tally.told(),
                100.0 * tally.false_share()
            )
        })
        .concat()
}

/// Plays a season and shows what was amiss in it.
fn shown(season: &Made) -> Kept {
    let (played, believed) = around::play(season.setup.clone());
    let kept = Kept::of(season, &played);
    print!("{}{}", kept.told(), around::misses(&played, &believed));
    kept
}

fn main() -> ExitCode {
    let args = Args::parse();
    if let Some(first_seed) = args.numbered {
        print!("{}", numbered_seasons(first_seed));
        return ExitCode::SUCCESS;
    }
    let seasons: Vec<_> = seasons::all()
        .into_iter()
        .filter(|season| args.only.as_ref().is_none_or(|words| season.name.contains(words.as_str())))
        .collect();
    let kept: Vec<Kept> = if args.only.is_some() {
        seasons.iter().map(shown).collect()
    } else {
        let setups = seasons.iter().map(|season| season.setup.clone()).collect();
        play::play_all(setups, |at, played| Kept::of(&seasons[at], &played))
    };
    let table = table::write(&kept);
    print!("{table}");
    let broken = budget::broken(&kept);
    for words in &broken {
        eprintln!("advice-score: budget: {words}");
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/advice-score.txt");
    if args.keep {
        std::fs::write(&path, &table).unwrap();
    }
    if args.check {
        let before = std::fs::read_to_string(&path).unwrap_or_default();
        if before != table {
            eprintln!("advice-score: the table differs from {}; --keep writes it anew", path.display());
            return ExitCode::FAILURE;
        }
        if !broken.is_empty() {
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}
