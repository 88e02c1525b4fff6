//! A story: what happens to the garden, step by step. Each step makes sense wherever it stands, so that a
//! story with any of its steps left out is a story too.

use super::chance::Chance;

/// Rounds of the core in an hour.
pub const ROUNDS: u32 = 4;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// A quarter of an hour goes by.
    Rounds(u32),
    /// Hours go by.
    Hours(u32),
    /// Killed before anything else happens.
    Kill,
    /// Killed after a commit, before anybody hears of it.
    KillUnheard,
    /// The mail server takes what is handed to it, and the program is killed before it hears that.
    KillSent,
    /// The power fails while a commit is on its way down; so many bytes of it are.
    Torn(u32),
    /// Told to end, and started again.
    End,
    /// No power for hours; then a clock that is wrong by a kind of its own, with nobody to set it.
    Boot {
        off_h: u32,
        clock: Wrong,
    },
    /// The time service sets the clock.
    ClockSet,
    /// The clock jumps by hours, and nobody says why.
    ClockJump(i32),
    /// Killed; the clock jumps before it is started again.
    KillJump(i32),
    BrokerAway,
    /// Back, with or without what it held for us.
    BrokerBack {
        kept: bool,
    },
    /// The connection breaks and is made again.
    Cut,
    /// A node is out of reach and keeps what it measures.
    Held(usize),
    /// It sends what it kept: 0 in order, 1 backward, 2 and more in some order.
    Freed(usize, u32),
    /// What a probe says next comes twice.
    Doubled(usize),
    /// Another value for the time a probe spoke of last.
    Second(usize),
    /// Something that is no reading.
    Garbage(usize),
    CardFull,
    CardLocked,
    CardReadOnly,
    CardWell,
    MailLater,
    /// For stories told by hand.
    MailSlow,
    MailNever,
    MailBreaks,
    MailTakes,
    /// No power, and the card lost or garbled some of what it held.
    Damage(u32),
    /// The grower writes a line into the day book: 0 a note, else so many litres were given.
    Jot(u32),
}

/// How a clock may be wrong after a boot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wrong {
    /// It is right, and somebody says so.
    Right,
    /// It stands where the power went.
    Past,
    /// It was never set.
    Never,
    /// It runs ahead by a day.
    Ahead,
}

/// The kinds of trouble a story may hold.
const KINDS: u64 = 11;

/// A story of so many days from one seed. Each has some kinds of trouble and not others.
pub fn story(seed: u64, days: u32) -> Vec<Step> {
    let mut chance = Chance::new(seed);
    let kinds: Vec<u64> = (0..KINDS).filter(|_| chance.one_in(3)).collect();
    let mut steps = Vec::new();
    let mut rounds = u64::from(days * 24 * ROUNDS);
    while rounds > 0 {
        let calm = match chance.below(4) {
            0 => 1 + chance.below(4),
            1 => 4 * (1 + chance.below(6)),
            _ => 4 * (6 + chance.below(30)),
        };
        let calm = calm.min(rounds);
        rounds -= calm;
        let (hours, rest) = (calm as u32 / ROUNDS, calm as u32 % ROUNDS);
        steps.extend((hours > 0).then_some(Step::Hours(hours)));
        steps.extend((rest > 0).then_some(Step::Rounds(rest)));
        if let Some(kind) = kinds.get(chance.below(kinds.len() as u64 + 1) as usize) {
            steps.push(trouble(*kind, &mut chance));
        }
    }
    steps
}

/// By how much a clock jumps: ahead or back, hardly ever alike.
fn hours(chance: &mut Chance) -> i32 {
    let far = 1 + chance.below(30) as i32;
    if chance.one_in(2) { far } else { -far }
}

fn trouble(kind: u64, chance: &mut Chance) -> Step {
    let probe = chance.below(7) as usize;
    match (kind, chance.below(4)) {
        (0, 0) => Step::Torn(chance.below(1 << 16) as u32),
        (0, 1) => Step::KillUnheard,
        (0, _) => Step::Kill,
        (1, 0) => Step::KillSent,
        (1, _) => Step::End,
        (2, turn) => Step::Boot {
            off_h: chance.below(30) as u32,
            clock: [Wrong::Right, Wrong::Past, Wrong::Never, Wrong::Ahead][turn as usize],
        },
        (3, 0) => Step::ClockJump(hours(chance)),
        (3, 1) => Step::KillJump(hours(chance)),
        (3, _) => Step::ClockSet,
        (4, 0) => Step::BrokerAway,
        (4, 1) => Step::Cut,
        (4, _) => Step::BrokerBack { kept: !chance.one_in(4) },
        (5, 0 | 1) => Step::Held(probe),
        (5, _) => Step::Freed(probe, chance.below(5) as u32),
        (6, 0) => Step::Second(probe),
        (6, 1) => Step::Garbage(probe),
        (6, _) => Step::Doubled(probe),
        (7, 0) => Step::CardFull,
        (7, 1) if chance.one_in(2) => Step::CardReadOnly,
        (7, 1) => Step::CardLocked,
        (7, _) => Step::CardWell,
        (8, 0) => Step::MailLater,
        (8, 1) if chance.one_in(3) => Step::MailNever,
        (8, 1) => Step::MailBreaks,
        (8, _) => Step::MailTakes,
        (9, 0) => Step::Damage(chance.below(1 << 30) as u32),
        (9, _) => Step::Kill,
        (_, 0) => Step::Jot(0),
        (_, _) => Step::Jot(20 + chance.below(80) as u32),
    }
}

/// A shorter story that still fails: chunks are left out, the half first, then less and less.
pub fn shrink(story: &[Step], mut fails: impl FnMut(&[Step]) -> bool) -> Vec<Step> {
    let mut story = story.to_vec();
    let mut chunk = story.len().div_ceil(2);
    let mut tries = 0;
    while chunk > 0 && tries < 400 {
        let mut at = 0;
        let mut shorter = false;
        while at < story.len() && tries < 400 {
            let end = (at + chunk).min(story.len());
            let without: Vec<Step> = [&story[..at], &story[end..]].concat();
            tries += 1;
            if fails(&without) {
                story = without;
                shorter = true;
            } else {
                at = end;
            }
        }
        chunk = if shorter && chunk == 1 { 1 } else { chunk / 2 };
    }
    fewer_hours(story, fails)
}

/// Long waits made short where that changes nothing.
fn fewer_hours(mut story: Vec<Step>, mut fails: impl FnMut(&[Step]) -> bool) -> Vec<Step> {
    for at in 0..story.len() {
        while let Step::Hours(hours) = story[at] {
            let before = story.clone();
            story[at] = Step::Hours(hours / 2);
            if hours < 2 || !fails(&story) {
                story = before;
                break;
            }
        }
    }
    story
}
