//! What the letters of a played season were worth, held against what was true of the beds.
//!
//! An occasion is a time without water on a bed that ends in a telling or in the true crossing of the stress
//! mark. In time: told, and a whole working window lay between the letter and the crossing that would have come
//! had nobody watered. Late: told before it, but no window lay between. Missed: not told before it. False: the
//! bed would have stayed under its refill mark for 24 h after the letter. The true stress mark is FAO-56's
//! (table 22 with its note: 0.35 + 0.04 (5 - ETc) of the water held), with the ETc that the leaves truly wanted
//! on the mean of the last five days; refill is three quarters of it, the engine's default.

use std::collections::BTreeMap;

use rindwatch::record::{MatterKey, Millis, Stand, Telling};

use super::play::{HOUR, Played, START_MS, Unwatered};
use super::season_maker::{BEDS, PLANTED_DAY};

/// What became of an occasion.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Call {
    InTime,
    Late,
    Missed,
    False,
}

/// A time without water on a bed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Occasion {
    /// Told; of a missed one, the crossing.
    pub at_ms: Millis,
    pub bed: usize,
    pub call: Call,
    /// Hours from the letter to the crossing, if it would have come within the hours followed.
    pub lead_h: Option<f64>,
}

/// The true stress mark of a bed at the end of each hour, mm.
pub fn stress_mm(played: &Played, bed: usize) -> Vec<f64> {
    let leaf: Vec<f64> = played.truth[bed].iter().map(|truth| truth.leaf_mm).collect();
    (0..leaf.len())
        .map(|at| {
            let last = &leaf[at.saturating_sub(119)..=at];
            let etc_mm = 24.0 * last.iter().sum::<f64>() / last.len() as f64;
            (0.35 + 0.04 * (5.0 - etc_mm)).clamp(0.1, 0.8) * played.usable_mm[bed]
        })
        .collect()
}

/// The engine's default: refill as a share of stress.
pub const REFILL: f64 = 0.75;

fn index(at_ms: Millis) -> usize {
    usize::try_from((at_ms - START_MS) / HOUR - 1).unwrap_or(0)
}

/// A whole window of the grower lies between two instants.
fn window_between(windows: &[[u32; 2]], from_ms: Millis, to_ms: Millis) -> bool {
    let first = (from_ms - START_MS).div_euclid(24 * HOUR);
    (first..first + 5).any(|day| {
        windows.iter().any(|[from, to]| {
            let at = |hour: u32| START_MS + day * 24 * HOUR + i64::from(hour) * HOUR;
            from_ms <= at(*from) && at(*to) <= to_ms
        })
    })
}

enum Happening<'a> {
    Poured,
    Over,
    Told(&'a Unwatered),
    Crossed,
}

/// All occasions of a bed, in the order of time.
pub fn occasions(played: &Played, bed: usize) -> Vec<Occasion> {
    let stress_mm = stress_mm(played, bed);
    let truth = &played.truth[bed];
    let mut happenings: Vec<(Millis, u8, Happening<'_>)> = Vec::new();
    for pour in played.pours.iter().filter(|pour| pour.bed == bed && pour.litres > 0.0) {
        happenings.push((pour.at_ms, 3, Happening::Poured));
    }
    for change in played.changes() {
        let over = matches!(change.to, Stand::Over | Stand::Settled);
        if over && change.matter == MatterKey::Water && change.subject == BEDS[bed] {
            happenings.push((change.at_ms, 0, Happening::Over));
        }
    }
    let told: Vec<(Millis, Telling)> = played
        .told(MatterKey::Water)
        .filter(|(_, task)| task.subject == BEDS[bed])
        .map(|(at_ms, task)| (at_ms, task.telling))
        .collect();
    let followed = played.unwatered.iter().filter(|one| one.bed == bed);
    for ((at_ms, telling), unwatered) in told.iter().zip(followed) {
        assert_eq!(*at_ms, unwatered.at_ms);
        if *telling != Telling::Withdrawn {
            happenings.push((*at_ms, 1, Happening::Told(unwatered)));
        }
    }
    let planted = usize::try_from(PLANTED_DAY).unwrap() * 24;
    for at in planted.max(1)..truth.len() {
        let past = |at: usize| truth[at].depletion_mm >= stress_mm[at];
        if past(at) && !past(at - 1) {
            happenings.push((truth[at].at_ms, 2, Happening::Crossed));
        }
    }
    happenings.sort_by_key(|(at_ms, order, _)| (*at_ms, *order));
    let mut open = false;
    let mut occasions = Vec::new();
    for (at_ms, _, happening) in &happenings {
        match happening {
            Happening::Poured | Happening::Over => open = false,
            Happening::Crossed if !open => {
                open = true;
                occasions.push(Occasion { at_ms: *at_ms, bed, call: Call::Missed, lead_h: None });
            }
            Happening::Crossed => {}
            Happening::Told(unwatered) => {
                let before = index(*at_ms).min(truth.len() - 1);
                let dry_already = truth[before].depletion_mm >= stress_mm[before];
                // Told of a bed that is past stress still since an occasion that was counted, or the next part
                // of a dose that is spread over days: that belongs to the occasion it began with.
                if !open && !dry_already && !unwatered.next_part {
                    occasions.push(told_occasion(played, *at_ms, unwatered, &stress_mm));
                }
                open = true;
            }
        }
    }
    occasions
}

fn told_occasion(played: &Played, at_ms: Millis, unwatered: &Unwatered, stress_mm: &[f64]) -> Occasion {
    let mark = |at: Millis| stress_mm.get(index(at)).or(stress_mm.last()).copied().unwrap();
    let crossing = unwatered.hours.iter().find(|hour| hour.depletion_mm >= mark(hour.at_ms));
    let within_day = unwatered.hours.iter().filter(|hour| hour.at_ms <= at_ms + 24 * HOUR);
    let windows = &played.setup.windows;
    let call = if within_day.clone().all(|hour| hour.depletion_mm < REFILL * mark(hour.at_ms)) {
        Call::False
    } else if crossing.is_none_or(|hour| window_between(windows, at_ms, hour.at_ms)) {
        Call::InTime
    } else {
        Call::Late
    };
    let lead_h = crossing.map(|hour| (hour.at_ms - at_ms) as f64 / HOUR as f64);
    Occasion { at_ms, bed: unwatered.bed, call, lead_h }
}

/// Counts of calls.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    pub in_time: u32,
    pub late: u32,
    pub missed: u32,
    pub false_calls: u32,
}

impl Tally {
    pub fn add(&mut self, call: Call) {
        match call {
            Call::InTime => self.in_time += 1,
            Call::Late => self.late += 1,
            Call::Missed => self.missed += 1,
            Call::False => self.false_calls += 1,
        }
    }

    /// Share of the occasions told in time: false ones were none.
    pub fn in_time_share(self) -> f64 {
        f64::from(self.in_time) / f64::from(self.in_time + self.late + self.missed).max(1.0)
    }

    /// Occasions that were told.
    pub fn told(self) -> u32 {
        self.in_time + self.late + self.false_calls
    }

    /// Share of the letters that were false.
    pub fn false_share(self) -> f64 {
        f64::from(self.false_calls) / f64::from(self.told()).max(1.0)
    }
}

/// Midnights at which a bed with a plant in it was truly past its refill mark.
pub fn dry_days(played: &Played, bed: usize) -> u32 {
    let stress_mm = stress_mm(played, bed);
    let midnights = played.truth[bed].iter().zip(&stress_mm).skip(24 * PLANTED_DAY as usize + 23).step_by(24);
    midnights.map(|(truth, stress_mm)| u32::from(truth.depletion_mm > REFILL * stress_mm)).sum()
}

/// Letters that ask for work, on each day of the season.
pub fn letters_a_day(played: &Played) -> Vec<u32> {
    let mut days: BTreeMap<i64, u32> = (0..150).map(|day| (day, 0)).collect();
    for letter in played.letters() {
        *days.entry((letter.at_ms - START_MS).div_euclid(24 * HOUR)).or_default() += 1;
    }
    days.into_values().collect()
}

/// Letters in the quiet hours (21:30 to 05:30), and how many of them are told then by rule: a fall of the air
/// that nobody was told of.
pub fn night_letters(played: &Played) -> (u32, u32) {
    let night = |at_ms: Millis| {
        let minute = (at_ms - START_MS).div_euclid(60_000).rem_euclid(24 * 60);
        !(330..1290).contains(&minute)
    };
    let at_night: Vec<_> = played.letters().filter(|letter| night(letter.at_ms)).collect();
    let cover =
        at_night.iter().filter(|letter| letter.tasks.iter().any(|task| task.matter == MatterKey::Cover));
    let allowed = u32::try_from(cover.count()).unwrap();
    (u32::try_from(at_night.len()).unwrap(), allowed)
}
