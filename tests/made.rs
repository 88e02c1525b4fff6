//! The engine scored against a season that shares nothing with it: layered soil with its own flow, its own
//! weather and vine, probes that err, growers of several kinds (`demo/season_maker`).
//!
//! The maker is frozen: a change of it shows in `FROZEN`. A change of the engine shows in
//! `tests/golden/made.txt` (`RINDWATCH_GOLDEN=write` writes it anew).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[allow(dead_code)] // the scores use all of it
#[path = "made/ailments.rs"]
mod ailments;
#[path = "made/full_mark.rs"]
mod full_mark;
#[path = "made/grower.rs"]
mod grower;
#[path = "made/numbered.rs"]
mod numbered;
#[allow(dead_code)] // a part that is scored takes what it needs
#[path = "made/play.rs"]
mod play;
#[path = "made/score.rs"]
mod score;
#[allow(dead_code)] // the demo uses more of it
#[path = "../demo/season_maker/mod.rs"]
mod season_maker;
#[path = "made/table.rs"]
mod table;
#[path = "made/unlogged.rs"]
mod unlogged;

use std::path::Path;

use grower::Kind;
use numbered::setups;
use play::{Played, Sensors, Setup, play, play_all};
use score::{Call, occasions};
use season_maker::{Make, Season};

/// The print of the maker, taken before the engine was held against it.
const FROZEN: u64 = 0x0234_6675_988a_1b98;

/// FNV-1a over all that the nodes of a season say.
fn print(season: &mut Season) -> u64 {
    let mut print = 0xcbf2_9ce4_8422_2325_u64;
    for _ in 0..season_maker::DAYS * 24 {
        for byte in season.step().1.iter().flat_map(|message| message.payload.bytes()) {
            print = (print ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }
    print
}

#[test]
fn the_season_maker_is_the_one_that_was_frozen() {
    // What the demo prints for its first seed.
    assert_eq!(print(&mut Season::made(1, play::START_MS, &Make::demo())), 0xd0b5_3ce8_0616_0d92);
    let seasons = [Sensors::Three, Sensors::Full].map(|sensors| setups(101, sensors));
    let all = seasons.iter().flatten().fold(0, |all: u64, setup| {
        all.rotate_left(1) ^ print(&mut Season::made(setup.seed, play::START_MS, &setup.make()))
    });
    assert_eq!(all, FROZEN, "{all:016x}");
}

/// First seed of the seasons that are scored. The engine's margins were chosen on seeds 101 to 160; these were looked at
/// while it grew. The 60 seasons from 301 on were scored once and not looked at: three sensors 94.7 % in time and 9.8 %
/// false, every sensor 97.0 % and 7.0 % (`advice-score -- --numbered 301`).
const SCORED: u64 = 201;

/// Every row of the table, and what must hold of it.
#[test]
fn letters_of_made_seasons_come_in_time_and_are_worth_reading() {
    let played: Vec<(Sensors, Vec<Played>)> = [Sensors::Three, Sensors::Full]
        .map(|sensors| (sensors, play_all(setups(SCORED, sensors), |_, played| played)))
        .into_iter()
        .collect();
    let table = table::write(FROZEN, &played);
    println!("{table}");
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/made.txt");
    if std::env::var_os("RINDWATCH_GOLDEN").is_some_and(|what| what == "write") {
        std::fs::write(&path, &table).unwrap();
    }
    for (sensors, all) in &played {
        let tally = table::tally(all, None);
        // 19 of 20.
        assert!(tally.in_time_share() >= 0.95, "{sensors:?}: {tally:?}");
        // 1 in 10.
        assert!(tally.false_share() <= 0.10, "{sensors:?}: {tally:?}");
        assert!(tally.told() >= 100, "{sensors:?}: {tally:?}, too few to say anything");
        for one in all {
            let (night, by_rule) = score::night_letters(one);
            assert_eq!(night, by_rule, "seed {}: a letter at night that nothing calls for", one.setup.seed);
        }
    }
    let before = std::fs::read_to_string(&path).unwrap();
    assert!(table == before, "the scores have changed; RINDWATCH_GOLDEN=write keeps the new ones\n{table}");
}

/// The scores themselves can tell a good season from a bad one.
#[test]
fn who_never_waters_is_told_and_a_garden_that_tells_nothing_misses() {
    let mut setup = Setup::new(7, Sensors::Full);
    setup.grower = Kind::Partly(0.0);
    let mut played = play(setup);
    let told = occasions(&played, 0);
    assert!(told.iter().any(|one| one.call == Call::InTime), "{told:?}");
    played.log.clear();
    let untold = occasions(&played, 0);
    assert!(untold.iter().all(|one| one.call == Call::Missed) && !untold.is_empty(), "{untold:?}");
    assert!(score::dry_days(&played, 0) > 30);
}
