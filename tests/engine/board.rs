//! The board itself: too little space, a failing card, heat, told once as gear is.

use rindwatch::engine::Event;
use rindwatch::record::{Board, BoardFault, Content, Fault, MatterKey, Stand};

use super::sim::*;

const MB: u64 = 1_000_000;
const WELL: Board = Board {
    space: Some((9_000 * MB, 29_000 * MB)),
    card_errors: Some(0),
    hottest_c: Some(54.0),
    memory: Some((500 * MB, 925 * MB)),
};

fn running() -> Sim {
    let mut sim = Sim::new(garden(&[HEAD, BED, &full()]), "2027-07-01", "00:00");
    sim.run_to("2027-07-02", "09:00");
    sim
}

fn faults(sim: &Sim) -> Vec<BoardFault> {
    let told = sim.told(MatterKey::Box).into_iter();
    told.map(|(_, _, task)| match &task.content {
        Content::Gear { fault: Fault::Board { fault } } => fault.clone(),
        other => panic!("{other:?}"),
    })
    .collect()
}

/// Tells how the board is, every five minutes.
fn with(sim: &mut Sim, board: Board, hours: i64) {
    for _ in 0..hours * 12 {
        sim.handle(Event::Board(board));
        sim.run_until(sim.now_ms + 5 * MINUTE);
    }
}

#[test]
fn a_card_that_fills_is_told_once_and_is_over_with_room_to_spare() {
    let mut sim = running();
    with(&mut sim, WELL, 2);
    assert_eq!(faults(&sim), []);
    with(&mut sim, Board { space: Some((180 * MB, 29_000 * MB)), ..WELL }, 10);
    assert_eq!(faults(&sim), [BoardFault::SpaceLow { free_mb: 180, whole_mb: 29_000 }]);
    let change = sim.changes(MatterKey::Box).last().copied().unwrap();
    assert_eq!((change.subject.as_str(), change.why.as_str()), ("", "180 of 29000 MB are free for the data"));
    // A start in between tells nothing anew.
    let state = sim.engine.save();
    sim.engine = rindwatch::engine::Engine::load(sim.garden.clone(), &state).unwrap();
    // A little over the mark is not over yet.
    with(&mut sim, Board { space: Some((620 * MB, 29_000 * MB)), ..WELL }, 1);
    assert_eq!(sim.stand(MatterKey::Box), Some(Stand::Standing));
    with(&mut sim, WELL, 1);
    assert_eq!(sim.stand(MatterKey::Box), Some(Stand::Over));
    assert_eq!(faults(&sim).len(), 1);
}

#[test]
fn a_hot_hour_is_told_a_hot_minute_is_not_and_what_is_unknown_is_nothing() {
    let mut sim = running();
    let hot = Board { hottest_c: Some(83.0), ..WELL };
    sim.handle(Event::Board(hot));
    sim.run_until(sim.now_ms + 20 * MINUTE);
    with(&mut sim, WELL, 2);
    assert_eq!(faults(&sim), []);
    with(&mut sim, hot, 1);
    assert_eq!(faults(&sim), [BoardFault::Hot { board_c: 83.0 }]);
    let mut sim = running();
    with(&mut sim, Board::default(), 3);
    assert_eq!(sim.changes(MatterKey::Box).len(), 0);
    with(&mut sim, Board { card_errors: Some(2), ..Board::default() }, 1);
    assert_eq!(faults(&sim), [BoardFault::CardErrors { count: 2 }]);
}
