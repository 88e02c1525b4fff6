//! Water that reached a bed: what the day book says was given held against what arrived at the probes, and
//! water that nobody logged, recognised from the soil.
//!
//! Rule: a rise of the moisture probes beyond what rain, earlier water and the probes' own ways account for
//! (`agronomy::arrival`), looked for every hour over the hours behind. Rain counts whole and errs by half, so
//! that a shower is no watering. A rise within hours of a logged watering is that watering: the log stands for
//! its litres. Not while the ground is or was frozen, not without a gauge that works, and for two days after
//! feeding (salts read as water) only where it is much. All figures are judgement.
//!
//! Everything here follows from the hours and the day book, and is derived anew when late readings or lines
//! come.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use agronomy::arrival::Arrival;

use crate::quantities::Quantity;
use crate::record::{MatterKey, Millis};
use crate::settings::garden::Bed;

use super::calendar::{HOUR_MS, MINUTE_MS, previous_day};
use super::core::Engine;
use super::facts::Given;
use super::life::Matter;
use super::people;
use super::rises::{PAST_H, Rise, Rows};
use super::scene::Scene;
use super::{Action, HOURS_KEPT_MS, Trust};

/// Beyond so many hours after its first rise nothing of a watering changes.
const SETTLED_H: Millis = 10;
/// A logged watering shows this long before its line's time, and after.
const LOG_EARLY_MS: Millis = 3 * HOUR_MS;
const LOG_LATE_MS: Millis = 5 * HOUR_MS;
/// A line typed in later names water that came so long before it, if its own hours show none.
const LOG_AFTER_MS: Millis = 12 * HOUR_MS;
/// For so long after feeding salts may read as water, and this little is not called water.
const FED_MS: Millis = 48 * HOUR_MS;
const FED_LEAST_MM: f64 = 5.0;
/// Water that comes so soon after a letter asked for it is an answer.
const ASKED_MS: Millis = 36 * HOUR_MS;
/// Waterings remembered of each bed.
const KEPT: usize = 20;
/// Waterings of each bed that are shown.
const SHOWN: usize = 5;
/// Of water poured less than this share arrived: it ran off, or the soil shed it.
const POOR_SHARE: f64 = 0.5;

/// Water that was given to a bed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Watering {
    /// The bed.
    pub bed: String,
    /// When: the line's time, or the hour the soil began to rise.
    pub at_ms: Millis,
    /// Litres: those of the day book, or as recognised.
    pub litres: f64,
    /// One standard deviation of recognised litres.
    pub litres_sd: Option<f64>,
    /// The day book names it; else it was recognised from the soil.
    pub logged: bool,
    /// A letter had asked for it within a day and a half, and it came in the hours of whoever was asked.
    #[serde(default)]
    pub asked: bool,
    /// What arrived at the probes; `None` when none spoke before and after.
    pub arrived: Option<Kept>,
}

/// What of a watering the probes saw.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Kept {
    /// Millimetres in all, over the rooted area, and one standard deviation.
    pub mm: (f64, f64),
    /// By depth: m, mm.
    pub depths: Vec<(f64, f64)>,
    /// Share of the litres given that arrived, where they are known.
    pub share: Option<f64>,
    /// A probe stands at its pores full: at least so much.
    pub brimful: bool,
    /// One depth alone spoke.
    pub one_depth: bool,
}

impl Watering {
    /// Most of what was poured is not in the soil the probes see: it ran off, or dry soil shed it. One depth
    /// that stands brimful can't tell.
    pub fn was_shed(&self) -> bool {
        let kept = self.arrived.as_ref().filter(|kept| !kept.brimful);
        kept.and_then(|kept| kept.share).is_some_and(|share| share < POOR_SHARE)
    }
}

fn kept(came: &Arrival, litres: Option<f64>, rooted_m2: f64) -> Kept {
    Kept {
        mm: (came.total_mm, came.sd_mm),
        depths: came.depths.iter().map(|depth| (depth.depth_m, depth.mm)).collect(),
        share: litres.filter(|litres| *litres > 0.0).map(|litres| came.total_mm * rooted_m2 / litres),
        brimful: came.brimful,
        one_depth: came.one_depth,
    }
}

/// The last waterings of each bed, newest first.
pub fn newest(poured: &[Watering]) -> Vec<Watering> {
    let later_of_bed =
        |at: usize, one: &Watering| poured[at + 1..].iter().filter(|later| later.bed == one.bed).count();
    let shown = poured.iter().enumerate().rev().filter(|(at, one)| later_of_bed(*at, one) < SHOWN);
    shown.map(|(_, one)| one.clone()).collect()
}

/// Recognised litres that came to a bed in `from_ms..to_ms`, and their standard deviation.
pub fn recognised_litres(poured: &[Watering], bed: &str, from_ms: Millis, to_ms: Millis) -> (f64, f64) {
    let of_span =
        poured.iter().filter(|one| !one.logged && one.bed == bed && (from_ms..to_ms).contains(&one.at_ms));
    let (litres, variance) = of_span.fold((0.0, 0.0), |(litres, variance), one| {
        let sd = one.litres_sd.unwrap_or(0.0);
        (litres + one.litres, variance + sd * sd)
    });
    (litres, variance.sqrt())
}

/// Lines of one bed that stand within three hours of each other are one watering.
fn logged_of(given: &[Given], bed: &str) -> Vec<(Millis, Millis, f64)> {
    let mut lines: Vec<&Given> =
        given.iter().filter(|given| given.bed == bed && given.litres > 0.0).collect();
    lines.sort_by_key(|given| given.at_ms);
    let mut groups: Vec<(Millis, Millis, f64)> = Vec::new();
    for line in lines {
        match groups.last_mut() {
            Some((_, last_ms, litres)) if line.at_ms - *last_ms <= LOG_EARLY_MS => {
                (*last_ms, *litres) = (line.at_ms, *litres + line.litres);
            }
            _ => groups.push((line.at_ms, line.at_ms, line.litres)),
        }
    }
    groups
}

/// The waterings of a bed that began in `from_ms..to_ms`, as the hours up to now and the day book tell them.
pub fn waterings(scene: &Scene<'_>, bed: &Bed, from_ms: Millis, to_ms: Millis) -> Vec<Watering> {
    // The look begins at a midnight, so that it does not hang on when it is taken.
    let first: NaiveDate = previous_day(scene.calendar.date(from_ms));
    let look_ms = scene.calendar.day_start(first);
    let logged = logged_of(&scene.facts.given, &bed.name);
    // A winter without a reading is passed over quickly.
    let spoke = hours_since(scene, bed, from_ms - LOG_AFTER_MS);
    let rows = if spoke { Rows::of(scene, bed, look_ms, scene.now_ms) } else { None };
    let mut rises = rows.as_ref().map_or(Vec::new(), |rows| {
        let sinking: Vec<(usize, f64)> = logged
            .iter()
            .filter_map(|(at_ms, _, litres)| Some((rows.place(*at_ms)?, litres / rows.rooted_m2)))
            .collect();
        rows.rises(&sinking)
    });
    let mut all = Vec::new();
    let within = |rise: &Rise, from_ms: Millis, to_ms: Millis| {
        rows.as_ref().is_some_and(|rows| (from_ms..=to_ms).contains(&rows.ms(rise.at)))
    };
    let mut bare = Vec::new();
    for (at_ms, last_ms, litres) in logged {
        let own = rises.iter().position(|rise| within(rise, at_ms - LOG_EARLY_MS, last_ms + LOG_LATE_MS));
        match own {
            Some(own) => all.push(of_log(bed, at_ms, litres, Some(&rises.remove(own).came), rows.as_ref())),
            None => bare.push((at_ms, litres)),
        }
    }
    for (at_ms, litres) in bare {
        let before = rises.iter().rposition(|rise| within(rise, at_ms - LOG_AFTER_MS, at_ms));
        let came = match before {
            Some(before) => Some(rises.remove(before).came),
            // It was given, and little or nothing of it shows.
            None => rows.as_ref().and_then(|rows| rows.shown(at_ms)),
        };
        all.push(of_log(bed, at_ms, litres, came.as_ref(), rows.as_ref()));
    }
    if let Some(rows) = rows.as_ref().filter(|_| gauge_works(scene)) {
        let unlogged = rises.into_iter().filter_map(|rise| recognised(scene, bed, rows, &rise));
        all.extend(unlogged);
    }
    all.retain(|watering| (from_ms..to_ms).contains(&watering.at_ms));
    all.sort_by_key(|watering| watering.at_ms);
    all
}

/// A moisture probe of the bed has spoken since `from_ms`.
fn hours_since(scene: &Scene<'_>, bed: &Bed, from_ms: Millis) -> bool {
    scene.garden.probes.iter().enumerate().any(|(ix, probe)| {
        probe.quantity == Quantity::SoilMoisture
            && probe.bed.as_deref() == Some(&bed.name)
            && scene.hours.last(ix, from_ms, scene.now_ms + 1).is_some()
    })
}

fn of_log(
    bed: &Bed,
    at_ms: Millis,
    litres: f64,
    came: Option<&Arrival>,
    rows: Option<&Rows<'_>>,
) -> Watering {
    let arrived = came.zip(rows).map(|(came, rows)| kept(came, Some(litres), rows.rooted_m2));
    Watering { bed: bed.name.clone(), at_ms, litres, litres_sd: None, logged: true, asked: false, arrived }
}

/// A rise that no line names, as water given, unless it may be something else.
fn recognised(scene: &Scene<'_>, bed: &Bed, rows: &Rows<'_>, rise: &Rise) -> Option<Watering> {
    let at_ms = rows.ms(rise.at);
    let came = &rise.came;
    // A line that stands some hours later names the water it was fed with.
    let fed = scene.facts.fed_within(&bed.name, at_ms + LOG_LATE_MS, FED_MS + LOG_LATE_MS);
    if scene.frozen(bed, at_ms)
        || scene.frozen(bed, at_ms + 6 * HOUR_MS)
        || fed && came.total_mm < FED_LEAST_MM
    {
        return None;
    }
    Some(Watering {
        bed: bed.name.clone(),
        at_ms,
        litres: came.total_mm * rows.rooted_m2,
        litres_sd: Some(came.sd_mm * rows.rooted_m2),
        logged: false,
        asked: false,
        arrived: Some(kept(came, None, rows.rooted_m2)),
    })
}

/// Without a gauge that works no rise can be told from a shower.
fn gauge_works(scene: &Scene<'_>) -> bool {
    let trust = |gauge: usize| scene.trusts.get(gauge).copied().unwrap_or(Trust::Good);
    scene.patch.rain.is_some_and(|gauge| matches!(trust(gauge), Trust::Good | Trust::Doubtful))
}

impl Scene<'_> {
    /// When water last reached a bed by hand, logged or recognised.
    pub fn last_given_ms(&self, bed: &Bed) -> Option<Millis> {
        let recognised = self.poured.iter().filter(|one| !one.logged && one.bed == bed.name);
        let recognised = recognised.map(|one| one.at_ms).filter(|at_ms| *at_ms <= self.now_ms).max();
        self.facts.last_given_ms(&bed.name, self.now_ms).max(recognised)
    }
}

/// Litres in words: as near as they are known.
fn about(litres: f64) -> String {
    let step = if litres >= 20.0 { 5.0 } else { 1.0 };
    format!("about {:.0} L arrived", (litres / step).round() * step)
}

impl Engine {
    /// Looks for water every hour, and at once where the past has changed.
    pub(super) fn look_for_water(&mut self, at_ms: Millis, actions: &mut Vec<Action>) {
        let changed = self.memory.poured_from.take();
        // A quarter past: the readings of the hour before are there.
        let hourly = (at_ms - self.calendar.hour_start(at_ms)) / (15 * MINUTE_MS) == 1;
        if !hourly && changed.is_none() {
            return;
        }
        let recent_ms = at_ms - SETTLED_H * HOUR_MS;
        let from_ms = changed.map_or(recent_ms, |changed_ms| changed_ms.min(recent_ms));
        let from_ms =
            self.calendar.hour_start(from_ms.max(at_ms - HOURS_KEPT_MS + PAST_H as Millis * HOUR_MS));
        for at in 0..self.garden.beds.len() {
            let Some(bed) = self.garden.beds.get(at) else { continue };
            let name = bed.name.clone();
            let found = waterings(&self.scene(at_ms), bed, from_ms, at_ms + HOUR_MS);
            self.take_waterings(&name, from_ms, found, at_ms, actions);
        }
    }

    /// Whoever is asked for work may have been at the beds in the hour of an instant, or the next.
    fn someone_works(&self, at_ms: Millis) -> bool {
        let person = people::asked(&self.garden, &self.memory.facts, self.calendar.date(at_ms));
        let windows = person.map_or(&[][..], |person| people::hours_of(&self.garden, person));
        windows
            .iter()
            .any(|hours| self.calendar.within(*hours, at_ms) || self.calendar.within(*hours, at_ms + HOUR_MS))
    }

    fn take_waterings(
        &mut self,
        bed: &str,
        from_ms: Millis,
        mut found: Vec<Watering>,
        now_ms: Millis,
        actions: &mut Vec<Action>,
    ) {
        let is_new = |one: &Watering| one.bed == bed && one.at_ms >= from_ms;
        let (old, mut kept): (Vec<_>, Vec<_>) = self.memory.poured.drain(..).partition(is_new);
        let told_ms =
            self.memory.matters.get(&(MatterKey::Water, bed.to_owned())).and_then(Matter::last_told_ms);
        for watering in &mut found {
            let asked = |told_ms| (-LOG_EARLY_MS..ASKED_MS).contains(&(watering.at_ms - told_ms));
            watering.asked = told_ms.is_some_and(asked) && self.someone_works(watering.at_ms)
                || old.iter().any(|known| known.asked && near(known, watering, 3));
        }
        for watering in found.iter().filter(|watering| !watering.logged) {
            let known = old.iter().find(|known| !known.logged && near(known, watering, 3));
            let same =
                known.is_some_and(|known| known.at_ms == watering.at_ms && known.litres == watering.litres);
            if !same {
                self.derive_if_closed(watering.at_ms);
            }
            if known.is_none() && now_ms - watering.at_ms <= 2 * SETTLED_H * HOUR_MS {
                let words = about(watering.litres);
                self.answer(MatterKey::Water, bed, now_ms, actions, |matter| matter.done(&words, now_ms));
            }
        }
        // What is no longer believed was counted on its day.
        for gone in old.iter().filter(|old| !old.logged) {
            if !found.iter().any(|one| !one.logged && one.at_ms == gone.at_ms) {
                self.derive_if_closed(gone.at_ms);
            }
        }
        kept.extend(found);
        kept.sort_by(|a, b| (a.at_ms, &a.bed).cmp(&(b.at_ms, &b.bed)));
        let mut spare = kept.iter().filter(|one| one.bed == bed).count().saturating_sub(KEPT);
        kept.retain(|one| {
            // Days that can be derived anew need what was recognised on them.
            let needed = !one.logged && now_ms - one.at_ms <= HOURS_KEPT_MS;
            let drop = spare > 0 && one.bed == bed && !needed;
            spare -= usize::from(drop);
            !drop
        });
        self.memory.poured = kept;
    }
}

fn near(a: &Watering, b: &Watering, hours: Millis) -> bool {
    (a.at_ms - b.at_ms).abs() <= hours * HOUR_MS
}
