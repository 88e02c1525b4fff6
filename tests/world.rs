//! A simulated world around the real core: broker, network, mail server, card and clock that fail by seed.
//!
//! The model says what must hold after every round and in the end. A story that breaks it prints its seed and
//! the shortest story that still does; kept, it becomes a named test in `kept.rs`. `RINDWATCH_SEED` plays one
//! seed, `RINDWATCH_WORLD_DAYS` says how many garden-days are lived through (1,500 if not set).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[path = "world/broker.rs"]
mod broker;
#[path = "world/card.rs"]
mod card;
#[path = "world/chance.rs"]
mod chance;
#[path = "world/days.rs"]
mod days;
#[path = "world/faults.rs"]
mod faults;
#[path = "world/garden.rs"]
mod garden;
#[path = "world/kept.rs"]
mod kept;
#[path = "world/mail.rs"]
mod mail;
#[path = "world/model.rs"]
mod model;
#[path = "world/nodes.rs"]
mod nodes;
#[path = "world/planted.rs"]
mod planted;
#[path = "world/play.rs"]
mod play;
#[path = "world/power.rs"]
mod power;
#[path = "world/story.rs"]
mod story;
#[path = "world/told.rs"]
mod told;

use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

use planted::Fault;
use play::{Tally, World};
use story::{Step, shrink, story};

/// Days of one story.
const DAYS: u32 = 25;

/// Lives through a story; what broke.
fn lived(seed: u64, story: &[Step], fault: Option<Fault>) -> Result<Tally, String> {
    World::new(seed, fault).live(story).map(|(_, tally)| tally)
}

/// What broke, without its figures: a shorter story must break in the same way.
fn kind(broken: &str) -> String {
    let words = broken.rsplit_once("): ").map_or(broken, |(_, words)| words);
    words.chars().filter(|one| one.is_alphabetic()).take(24).collect()
}

/// The shortest story found that breaks, and how.
fn shortest(seed: u64, whole: &[Step], fault: Option<Fault>) -> (Vec<Step>, String) {
    let first = lived(seed, whole, fault).map(drop).map_err(|broken| kind(&broken));
    let short =
        shrink(whole, |steps| lived(seed, steps, fault).map(drop).map_err(|broken| kind(&broken)) == first);
    let broken = lived(seed, &short, fault).expect_err("it broke a moment ago");
    (short, broken)
}

fn env(name: &str) -> Option<u64> {
    std::env::var(name).ok().map(|words| words.parse().unwrap_or_else(|_| panic!("{name} is a number")))
}

#[test]
fn nothing_is_lost_doubled_or_untrue_whatever_fails() {
    let wanted = env("RINDWATCH_WORLD_DAYS").unwrap_or(1_500) as i64;
    let first = env("RINDWATCH_SEED").unwrap_or(1);
    let only =
        std::env::var_os("RINDWATCH_SEED").is_some() && std::env::var_os("RINDWATCH_WORLD_DAYS").is_none();
    let (next, days) = (AtomicU64::new(first), AtomicI64::new(0));
    let tallies: Vec<Tally> = std::thread::scope(|scope| {
        let live = || {
            let mut all = Tally::default();
            while days.load(Ordering::SeqCst) < wanted {
                let seed = next.fetch_add(1, Ordering::SeqCst);
                if only && seed != first {
                    break;
                }
                let story = story(seed, DAYS);
                match lived(seed, &story, None) {
                    Ok(tally) => {
                        days.fetch_add(tally.garden_days, Ordering::SeqCst);
                        all.add(tally);
                    }
                    Err(broken) => {
                        println!("seed {seed} broke: {broken}");
                        let (short, broken) = shortest(seed, &story, None);
                        panic!("seed {seed}: {broken}\nshortest story: {short:?}");
                    }
                }
            }
            all
        };
        let threads = [scope.spawn(live), scope.spawn(live)];
        threads.map(|thread| thread.join().unwrap_or_else(|broken| std::panic::resume_unwind(broken))).into()
    });
    let mut sum = Tally::default();
    tallies.into_iter().for_each(|tally| sum.add(tally));
    println!("seeds {first} to {}: {sum:?}", next.load(Ordering::SeqCst) - 1);
}
