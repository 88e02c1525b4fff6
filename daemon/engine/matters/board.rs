//! The board itself: space for the data, errors of the card, heat, memory.
//!
//! The marks stand beside the faults in `record`, for the letter names them too. Those for on and off differ, and heat
//! and memory must have held for half an hour: a busy minute is nothing.

use crate::record::board_marks::{HOT_C, MEMORY, SPACE};
use crate::record::{Board, BoardFault, Content, Fault, MatterKey, Millis, Urgency};

use super::super::calendar::{HOUR_MS, MINUTE_MS};
use super::super::life::{Claim, Matter, Verdict};
use super::super::people;
use super::super::scene::Scene;

/// The matter this file judges.
pub const KEY: MatterKey = MatterKey::Box;

/// What is looked at; each is a matter of its own.
pub const SUBJECTS: [&str; 4] = ["space", "card", "heat", "memory"];

const MB: u64 = 1_000_000;
const HOLD_MS: Millis = 30 * MINUTE_MS;
const DAY_MS: Millis = 24 * HOUR_MS;

/// The verdict on one subject.
pub fn judge(scene: &Scene<'_>, board: &Board, subject: &str, matter: &Matter) -> Verdict {
    let was = usize::from(matter.is_told());
    let Some(fault) = look(board, subject, was) else { return Verdict::Unknown };
    let Some(fault) = fault else {
        return Verdict::Quiet { why: "it is in order again".to_owned(), withdraw: false };
    };
    let Some(person) = scene.grower() else { return Verdict::Unknown };
    let earliest_ms =
        matter.last_told_ms().map_or(scene.now_ms, |told_ms| scene.now_ms.max(told_ms + DAY_MS));
    let hold_ms = if matches!(subject, "heat" | "memory") { HOLD_MS } else { 0 };
    Verdict::Claim(Box::new(Claim {
        why: fault.words(),
        urgency: Urgency::Gear,
        by_ms: None,
        litres: None,
        content: Some(Content::Gear { fault: Fault::Board { fault } }),
        step: 0,
        hold_ms,
        tell_ms: people::out_of_quiet(scene.garden, scene.calendar, earliest_ms),
        repeat_after_ms: 3 * DAY_MS,
        person: person.name.clone(),
    }))
}

/// What is wrong, if that is known; `was`: 1 if it was wrong before.
fn look(board: &Board, subject: &str, was: usize) -> Option<Option<BoardFault>> {
    let low = |(free, whole): (u64, u64), marks: [(u64, f64); 2]| {
        let (mb, share) = marks[was];
        free < mb * MB || (free as f64) < share * whole as f64
    };
    let mb = |(free, whole): (u64, u64)| (free / MB, whole / MB);
    Some(match subject {
        "space" => {
            let (free_mb, whole_mb) = mb(board.space?);
            low(board.space?, SPACE).then_some(BoardFault::SpaceLow { free_mb, whole_mb })
        }
        "card" => {
            let count = board.card_errors?;
            (count > 0).then_some(BoardFault::CardErrors { count })
        }
        "heat" => {
            let board_c = board.hottest_c?;
            (board_c >= HOT_C[was]).then_some(BoardFault::Hot { board_c })
        }
        _ => {
            let (free_mb, whole_mb) = mb(board.memory?);
            low(board.memory?, MEMORY).then_some(BoardFault::MemoryLow { free_mb, whole_mb })
        }
    })
}
