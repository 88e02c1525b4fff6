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
