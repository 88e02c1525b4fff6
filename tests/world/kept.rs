//! Stories that once broke, each with what was wrong.

use super::lived;
use super::story::Step;

fn holds(seed: u64, story: &[Step]) {
    lived(seed, story, None).unwrap_or_else(|broken| panic!("{broken}"));
}

/// The clock was set back by hand, and the time service's word from before was believed since it was the last one.
#[test]
fn a_jump_back_that_nothing_explains_is_not_believed() {
    holds(102, &[Step::ClockJump(-4), Step::Rounds(1), Step::ClockSet]);
}

/// Twenty-three hours after it was set back the clock came to the hour of that old word, which then looked like one
/// given since the jump: the wrong clock was believed.
#[test]
fn an_old_word_says_nothing_when_a_clock_set_back_comes_to_its_hour_again() {
    holds(7, &[Step::ClockJump(-23), Step::Hours(23)]);
}

/// The program was killed after a jump that nothing explained. The next one in the same boot knew nothing of it, found
/// a word for the clock and believed.
#[test]
fn a_jump_that_nothing_explained_is_known_after_a_restart() {
    for byte in [0, 5_000, 60_000] {
        holds(102, &[Step::ClockJump(-4), Step::Torn(byte), Step::Rounds(1)]);
    }
    holds(102, &[Step::ClockJump(4), Step::Kill, Step::Hours(5), Step::End, Step::Hours(2)]);
}

/// The clock was set while no program ran, and the next one could not tell.
#[test]
fn a_jump_while_nobody_ran_is_seen_at_the_start() {
    for hours in [-30, -4, -1, 1, 5] {
        holds(3, &[Step::Hours(3), Step::KillJump(hours), Step::Hours(30)]);
    }
}

/// A letter was accepted while another program held the store: its fate was tried once, forgotten, and the letter went
/// out again at the next start. Now the fate goes down as soon as it can, and nothing else leaves before.
#[test]
fn a_fate_that_could_not_be_stored_is_stored_later_and_the_letter_goes_out_once() {
    let mut met = 0;
    for rounds in 4 * 24..4 * 24 + 48 {
        let story = [
            Step::MailSlow,
            Step::Rounds(rounds),
            Step::CardLocked,
            Step::Rounds(2),
            Step::CardWell,
            Step::Rounds(2),
            Step::Kill,
            Step::Hours(2),
        ];
        let (world, _) = super::World::new(1, None).live(&story).unwrap_or_else(|broken| panic!("{broken}"));
        met += world.mail.heard_in_vain;
    }
    assert!(met > 0, "no letter met a locked card");
}
