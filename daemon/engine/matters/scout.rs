//! Scout: the weather of the last days was one in which leaves fall sick, so a look under them is worth the walk.
//! It is a note: it stands on the page and in the morning note, and is told in no letter of its own. It is weather
//! and no disease, a reason to look and never one to spray.
//!
//! Rules, on the published limits in `agronomy::sickness`. *Downy mildew*: a night counts when a wet spell ended
//! in it that was long enough for its temperature, and six hours at least, from where infection gains sharply;
//! three such nights within five days. *Powdery mildew*, once a fruit is about: a day counts with ten hours at 20
//! to 27 °C and none at 38; three in a row. A leaf counts as wet at 90 % humidity or in rain. Over when the grower
//! has scouted (then silent for a week, the usual round: common practice, no source), or after three days that did
//! not count. The counts of nights, days and hours are judgement, held against a measured season: who scouts at
//! each note is called every ten days or so in a damp summer.
//!
//! Humidity is needed for downy mildew and air for both: without them nothing is said.

use chrono::NaiveDate;

use agronomy::sickness::{Favour, LeafHour, downy_wet_hours, powdery, wet_by_humidity, wet_spells};

use crate::record::{MatterKey, Millis};

use super::super::calendar::{HOUR_MS, previous_day};
use super::super::life::{Claim, Verdict};
use super::super::scene::Scene;
use super::super::{Trust, hours::Hour};

/// The matter this file judges; it is one for the whole patch.
pub const KEY: MatterKey = MatterKey::Scout;

/// So many days are looked back over, today among them: the hours reach no further.
const DAYS: usize = 14;
/// Wet hours from which downy mildew gains sharply (cucumber at six temperatures and three lengths: Cohen 1977, Can.
/// J. Bot.; author from memory).
const LEAST_WET_H: usize = 6;
/// Nights that make a note, and within how many days.
const NIGHTS: (usize, usize) = (3, 5);
/// Hours at 20 to 27 °C that make a day of powdery mildew.
const BEST_H: usize = 10;
/// Days that make a note, and within how many.
const BEST_DAYS: (usize, usize) = (3, 3);
/// A note is over after so many days that do not count.
const OVER_DAYS: usize = 3;
/// After a look nothing new is said for so long.
const ROUND_MS: Millis = 7 * 24 * HOUR_MS;

/// What is said at the end of each.
const NO_DISEASE: &str = "Weather, not disease: there may be nothing. Untangled, airy vines get less of it. \
                          When you have looked: jot scouted mildew 0, or how many leaves";

/// The verdict on the patch.
pub fn judge(scene: &Scene<'_>) -> Verdict {
    let date = scene.date();
    if !scene.garden.beds.iter().any(|bed| scene.facts.is_growing(bed, date)) {
        return quiet("nothing grows");
    }
    let looked_ms = scene.facts.scouted_ms(scene.now_ms);
    if looked_ms.is_some_and(|looked_ms| scene.now_ms - looked_ms < ROUND_MS) {
        return quiet("looked at within the week");
    }
    let looked = looked_ms.map(|ms| scene.calendar.date(ms));
    let days = Days::of(scene);
    let whys: Vec<String> =
        [downy(scene, &days, looked), mildew(scene, &days, looked)].into_iter().flatten().collect();
    let (Some(person), false) = (scene.grower(), whys.is_empty()) else {
        return quiet("the weather of the last days suits no mildew");
    };
    Verdict::Claim(Box::new(Claim::note(
        format!("{}. {NO_DISEASE}", whys.join(". ")),
        person.name.clone(),
        scene.now_ms,
    )))
}

/// The civil days looked back over, oldest first.
struct Days {
    dates: Vec<NaiveDate>,
    from_ms: Millis,
}

impl Days {
    fn of(scene: &Scene<'_>) -> Self {
        let mut dates = vec![scene.date()];
        while dates.len() < DAYS {
            dates.push(previous_day(*dates.last().unwrap_or(&scene.date())));
        }
        dates.reverse();
        let from_ms = scene.calendar.day_start(*dates.first().unwrap_or(&scene.date()));
        Self { dates, from_ms }
    }

    /// Which of the days hold a date of `dates`, and come after the last look.
    fn counted(&self, dates: &[NaiveDate], looked: Option<NaiveDate>) -> Vec<bool> {
        let new = |day: &NaiveDate| looked.is_none_or(|looked| *day > looked);
        self.dates.iter().map(|day| new(day) && dates.contains(day)).collect()
    }
}

/// A note stands on the last of `days`: begun by so many within so many, over after [`OVER_DAYS`] without one. The last
/// day still runs: it may begin a note and ends none.
fn stands(days: &[bool], (many, within): (usize, usize)) -> bool {
    let count =
        |at: usize, back: usize| days[(at + 1).saturating_sub(back)..=at].iter().filter(|day| **day).count();
    (0..days.len()).fold(false, |stood, at| {
        let runs = usize::from(at + 1 == days.len());
        if stood { count(at, OVER_DAYS + runs) > 0 } else { count(at, within) >= many }
    })
}

/// A probe of the patch, if it is believed.
fn believed(scene: &Scene<'_>, probe: Option<usize>) -> Option<usize> {
    probe.filter(|probe| scene.trusts.get(*probe).is_none_or(|trust| *trust != Trust::Condemned))
}

/// A wet spell long enough for downy mildew.
struct Night {
    ended: NaiveDate,
    hours: usize,
    mean_c: f64,
    needed_h: f64,
}

fn downy(scene: &Scene<'_>, days: &Days, looked: Option<NaiveDate>) -> Option<String> {
    let nights = nights(scene, days)?;
    // A spell of days counts on each of them.
    let whole_days = |night: &Night| {
        let all = std::iter::successors(Some(night.ended), |day| Some(previous_day(*day)));
        all.take(night.hours.div_ceil(24)).collect::<Vec<_>>()
    };
    let dates: Vec<NaiveDate> = nights.iter().flat_map(whole_days).collect();
    let counted = days.counted(&dates, looked);
    let last = nights.last().filter(|_| stands(&counted, NIGHTS))?;
    let recent = counted.iter().rev().take(NIGHTS.1).filter(|day| **day).count();
    Some(format!(
        "Downy mildew weather: leaves wet for {LEAST_WET_H} h and more on {recent} of the last {} days, last {} h at \
         {:.0} °C where {:.0} h are enough. Look first under the old leaves near the stump and where vines lie thick: \
         yellow spots that end at the veins, grey felt beneath them at dawn",
        NIGHTS.1, last.hours, last.mean_c, last.needed_h
    ))
}

/// The wet spells that downy mildew could use, oldest first; `None` without air and humidity.
fn nights(scene: &Scene<'_>, days: &Days) -> Option<Vec<Night>> {
    let (air, humidity) = (believed(scene, scene.patch.air)?, believed(scene, scene.patch.humidity)?);
    let count = usize::try_from((scene.now_ms - days.from_ms) / HOUR_MS).ok()?;
    let spread = |probe: usize, value: fn(&Hour) -> f64| {
        let mut values = vec![None; count];
        for (start_ms, hour) in scene.hours.range(probe, days.from_ms, scene.now_ms) {
            let at = usize::try_from((start_ms - days.from_ms) / HOUR_MS).unwrap_or(usize::MAX);
            if let Some(place) = values.get_mut(at) {
                *place = Some(value(hour));
            }
        }
        values
    };
    let (air_c, rh_pct) = (spread(air, Hour::mean), spread(humidity, Hour::mean));
    let rain_mm =
        believed(scene, scene.patch.rain).map_or(vec![None; count], |gauge| spread(gauge, |hour| hour.sum));
    let leaf = |at: usize| {
        let air_c = *air_c.get(at)?;
        let rains = rain_mm.get(at).copied().flatten().is_some_and(|mm| mm > 0.0);
        let damp = rh_pct.get(at).copied().flatten().and_then(|rh_pct| wet_by_humidity(rh_pct).ok());
        let wet = if rains { Some(true) } else { damp };
        Some(LeafHour { wet: wet?, air_c: air_c? })
    };
    let hours: Vec<Option<LeafHour>> = (0..count).map(leaf).collect();
    let nights = wet_spells(&hours).ok()?.into_iter().filter_map(|spell| {
        let needed_h = downy_wet_hours(spell.mean_c).ok().flatten()?.max(LEAST_WET_H as f64);
        let end = Millis::try_from(spell.from + spell.hours).ok()? * HOUR_MS + days.from_ms - 1;
        let night =
            Night { ended: scene.calendar.date(end), hours: spell.hours, mean_c: spell.mean_c, needed_h };
        (spell.hours as f64 >= needed_h).then_some(night)
    });
    Some(nights.collect())
}

fn mildew(scene: &Scene<'_>, days: &Days, looked: Option<NaiveDate>) -> Option<String> {
    if !scene.garden.beds.iter().any(|bed| scene.has_fruit(bed)) {
        return None;
    }
    let air = believed(scene, scene.patch.air)?;
    let mut best = vec![(0_usize, false); days.dates.len()];
    for (start_ms, hour) in scene.hours.range(air, days.from_ms, scene.now_ms) {
        let date = scene.calendar.date(*start_ms);
        let Some(day) = days.dates.binary_search(&date).ok().and_then(|at| best.get_mut(at)) else {
            continue;
        };
        match powdery(hour.mean()) {
            Ok(Favour::Best) => day.0 += 1,
            Ok(Favour::Stops) => day.1 = true,
            _ => {}
        }
    }
    let counts = |(hours, stopped): &(usize, bool)| *hours >= BEST_H && !stopped;
    let kept = days.dates.iter().zip(&best).filter(|(_, day)| counts(day));
    let dates: Vec<NaiveDate> = kept.map(|(date, _)| *date).collect();
    let counted = days.counted(&dates, looked);
    if !stands(&counted, BEST_DAYS) {
        return None;
    }
    let (hours, _) = best.iter().rev().find(|day| counts(day))?;
    Some(format!(
        "Powdery mildew weather: {BEST_H} h and more at 20 to 27 °C on {} days of the last {DAYS}, last {hours} h; it \
         needs no wet leaf. Look first at the shaded lower leaves, both sides, and at the stalks: white dust in \
         round spots",
        counted.iter().filter(|day| **day).count()
    ))
}

fn quiet(why: &str) -> Verdict {
    Verdict::Quiet { why: why.to_owned(), withdraw: false }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_begins_with_three_and_ends_after_three_without() {
        let at = |days: &str| stands(&days.chars().map(|day| day == 'x').collect::<Vec<_>>(), NIGHTS);
        assert!(!at("..x.x"));
        assert!(at("x.x.x"));
        assert!(!at("x...x..x"));
        assert!(at("xxx.."));
        assert!(at("xxx..."), "today still runs");
        assert!(!at("xxx...."));
        assert!(at("xxx..x.."), "one more within three days goes on with it");
    }
}
