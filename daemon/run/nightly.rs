//! What is done once a night, beside the core: the copy on the other disk, and a slice of the store recounted. The
//! core hears what came of it, thins what is old, and tells what is amiss.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use chrono::{DateTime, NaiveDate, NaiveTime};
use chrono_tz::Tz;
use tokio::sync::watch;
use tracing::{debug, error, info, warn};

use super::core::{Core, Inward};
use super::hand_in;
use crate::clock::Clock;
use crate::engine::Event;
use crate::record::Millis;
use crate::settings::garden::Garden;
use crate::store::{Store, StoreError};

/// Whether it is time is looked at this often.
const LOOK: Duration = Duration::from_secs(20);
/// Begin of the nightly work by the garden's clock: nobody looks, and the days that summer time makes have it once
/// (judgement).
const BEGIN: Option<NaiveTime> = NaiveTime::from_hms_opt(3, 20, 0);
/// Readings thinned in one night at most: six days of twelve probes a minute, a few seconds of work.
const THINNED_A_NIGHT: usize = 100_000;
const DAY_MS: Millis = 86_400_000;

/// What a night brought.
#[derive(Debug)]
pub struct Night {
    date: NaiveDate,
    /// What is amiss; `None` = nothing.
    words: Option<String>,
}

/// Works through each night that comes, and at the start one that was missed.
pub(super) async fn run(
    garden: Arc<Garden>,
    data: PathBuf,
    clock: Clock,
    inward: SyncSender<Inward>,
    mut stopped: watch::Receiver<bool>,
) {
    let mut done = Store::open_to_read(&data).and_then(|reader| reader.last_night()).ok().flatten();
    loop {
        if let Some(date) = due(clock.wall_ms(), garden.zone, done.as_ref().map(|(date, _)| *date)) {
            done = Some((date, None));
            let (garden, data, now_ms) = (Arc::clone(&garden), data.clone(), clock.wall_ms());
            // It reads for seconds, which this thread has not.
            let words = tokio::task::spawn_blocking(move || work(&garden, &data, date, now_ms)).await;
            let night = Inward::Night(Night { date, words: words.unwrap_or_default() });
            // Without room nothing is lost but this night's word.
            let _ = hand_in(&inward, night);
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK) => {}
            _ = stopped.wait_for(|stop| *stop) => return,
        }
    }
}

/// The night to be worked through at this moment.
fn due(now_ms: Millis, zone: Tz, done: Option<NaiveDate>) -> Option<NaiveDate> {
    let at = DateTime::from_timestamp_millis(now_ms)?.with_timezone(&zone);
    let date = at.date_naive();
    // A clock that was ahead once must not keep us from every night until then.
    (at.time() >= BEGIN? && done != Some(date)).then_some(date)
}

/// What is amiss, in words.
fn work(garden: &Garden, data: &Path, date: NaiveDate, now_ms: Millis) -> Option<String> {
    let mut amiss = Vec::new();
    let mut note = |what: &str, error: StoreError| {
        if let StoreError::Damaged { path, words } = &error
            && path.starts_with(data)
        {
            let words = format!("found in the night of {date}: {words}");
            if let Err(error) = Store::mark_damaged(data, &words) {
                warn!(%error, "the damage could not be noted for the next start");
            }
            amiss.push(format!(
                "the store is damaged ({words}): start rindwatch anew; it sets the store aside and begins another \
                 with what can still be read"
            ));
        } else {
            amiss.push(format!("{what}: {error}"));
        }
    };
    if let Some(folder) = &garden.keeping.nightly_copy {
        let to = folder.join(format!("{}.db", garden.name));
        match Store::bring_copy_up(data, &to, now_ms) {
            Ok(Some(rows)) => info!(rows, copy = %to.display(), "the nightly copy is up to date"),
            Ok(None) => {
                info!(copy = %to.display(), "a whole copy was made; from now on what is new goes into it")
            }
            Err(error) => note("the nightly copy", error),
        }
    }
    match Store::open_to_read(data).and_then(|reader| reader.recount(date)) {
        Ok(None) => debug!("a slice of the store was recounted and is sound"),
        Ok(Some(words)) => amiss.push(words),
        Err(error) => note("the nightly check", error),
    }
    (!amiss.is_empty()).then(|| amiss.join("; "))
}

impl Core {
    /// Notes the night, thins what is old, and tells what is amiss, or that it is no more.
    pub(super) fn hear_night(&mut self, night: &Night) {
        let before = match self.store.reader().last_night() {
            Ok(last) => last.and_then(|(_, words)| words),
            Err(_) => None,
        };
        if let Err(error) = self.store.note_night(night.date, night.words.as_deref()) {
            warn!(%error, "the night could not be noted; it is worked through again at the next start");
        }
        if let Some(words) = &night.words {
            error!("{words}");
        }
        if (night.words.is_some() || before.is_some()) && self.store_trouble.is_none() {
            self.judge(Event::Store(night.words.clone()));
        }
        self.thin();
    }

    /// Damage that was met while running is left word of, so that the next start looks for no more of it.
    pub(super) fn mark_damage(&self, error: &StoreError) {
        if let (StoreError::Damaged { path, words }, None) = (error, &self.store_trouble)
            && let Some(folder) = path.parent()
            && let Err(error) = Store::mark_damaged(folder, words)
        {
            warn!(%error, "the damage could not be noted for the next start");
        }
    }

    fn thin(&mut self) {
        // A clock that is ahead would thin what it must not.
        let Some(days) = self.garden.keeping.readings_days.filter(|_| self.trusted) else { return };
        let before_ms = self.now().ms.saturating_sub(i64::from(days) * DAY_MS);
        match self.store.thin(before_ms, THINNED_A_NIGHT) {
            Ok(0) => {}
            Ok(count) => info!(count, "old readings were thinned out; their hours and days stay"),
            Err(error) => warn!(%error, "old readings could not be thinned; tried again in the next night"),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test may stop where it stands
    use super::*;

    #[test]
    fn each_night_has_its_turn_once_and_a_missed_one_is_made_up() {
        let zone = chrono_tz::America::Chicago;
        let date = |day| NaiveDate::from_ymd_opt(2027, 7, day).unwrap();
        let at = |day, hour, minute| {
            let civil = date(day).and_hms_opt(hour, minute, 0).unwrap();
            civil.and_local_timezone(zone).unwrap().timestamp_millis()
        };
        assert_eq!(due(at(1, 3, 19), zone, Some(date(30).pred_opt().unwrap())), None);
        assert_eq!(due(at(1, 3, 20), zone, None), Some(date(1)));
        assert_eq!(due(at(1, 3, 21), zone, Some(date(1))), None);
        assert_eq!(due(at(2, 14, 0), zone, Some(date(1))), Some(date(2)));
        assert_eq!(due(at(2, 14, 0), zone, Some(date(29))), Some(date(2)), "a clock that was ahead");
    }
}
