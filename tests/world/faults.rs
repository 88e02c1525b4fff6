//! The model can see: each fault made on purpose breaks some story, and the story shrinks to a few steps.

use super::planted::Fault;
use super::story::story;
use super::{lived, shortest};

/// Days of a story here.
const DAYS: u32 = 6;
/// Stories tried at most until one breaks.
const SEEDS: u64 = 60;
/// No shrunk story is longer.
const SHORT: usize = 6;

const ALL: [Fault; 15] = [
    Fault::AckBeforeCommit,
    Fault::CardForgets,
    Fault::MarkForgotten,
    Fault::Resent,
    Fault::DoubledApart,
    Fault::RainDoubled,
    Fault::LineThrownAway,
    Fault::TimeLies,
    Fault::StoreDrops,
    Fault::StoreBends,
    Fault::OutboxForgets,
    Fault::LineTwice,
    Fault::ClosedTooEarly,
    Fault::DayBent,
    Fault::UnknownAsNought,
];

#[test]
fn every_fault_made_on_purpose_is_seen_and_shrinks_to_a_short_story() {
    for fault in ALL {
        let seed = (1..=SEEDS).find(|seed| lived(*seed, &story(*seed, DAYS), Some(fault)).is_err());
        let seed = seed.unwrap_or_else(|| panic!("{fault:?} is never seen"));
        let whole = story(seed, DAYS);
        let (short, broken) = shortest(seed, &whole, Some(fault));
        println!("{fault:?}: seed {seed}, {} of {} steps {short:?}: {broken}", short.len(), whole.len());
        assert!(short.len() <= SHORT, "{fault:?} is seen, but only by {short:?}");
    }
}
