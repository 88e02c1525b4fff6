//! The start: store, saved state, and what the engine does not know yet.

use std::collections::{BTreeMap, VecDeque};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64};
use std::time::Duration;

use tracing::{error, warn};

use super::core::{Core, Outward};
use super::driver::Driver;
use super::flood::Gates;
use super::hold::NOT_YET;
use super::pending::Pending;
use super::trust::Trust;
use crate::clock::Clock;
use crate::engine::{Engine, Event, Now};
use crate::intake::{Intake, Taken};
use crate::local::Counts;
use crate::record::Millis;
use crate::settings::garden::Garden;
use crate::store::{BookLine, Store, StoreError};

/// What a core starts from.
pub(super) struct Ground {
    pub(super) garden: Arc<Garden>,
    pub(super) data: PathBuf,
    pub(super) clock: Clock,
    /// What commit delay, turns and retries go by.
    pub(super) pace: Clock,
    /// The hand of a scripted clock.
    pub(super) hand: Option<Arc<AtomicI64>>,
    pub(super) out: Outward,
    pub(super) pulse: Arc<AtomicU64>,
    pub(super) beat: Duration,
}

/// Opens the store and brings the engine to where it was.
pub(super) fn core(ground: Ground) -> Result<Core, StoreError> {
    let Ground { garden, data, clock, pace, hand, out, pulse, beat } = ground;
    let (store, woken, rescue) =
        Store::open_or_begin(&data, &garden, clock.wall_ms(), |store| wake(&garden, store))?;
    // It stands in the log now; in status and on the page as soon as the engine hears.
    let rescued = rescue.map(|rescue| rescue.words()).inspect(|words| error!("{words}"));
    let mut intake = Intake::new(Arc::clone(&garden));
    intake.trust_clock(false);
    let held_ms = clock.wall_ms();
    let mono_ms = clock.mono_ms();
    let (boot, boot_ms) = (clock.boot(), clock.boot_ms());
    let booted_ms = boot_ms.map(|boot_ms| clock.system_ms() - boot_ms);
    let trust = Trust::after(store.reader().clock_note()?.as_deref(), &boot, booted_ms);
    let mut core = Core {
        gates: Gates::new(garden.probes.len(), mono_ms),
        saved_hour: held_ms.div_euclid(3_600_000),
        garden,
        boot,
        looked: (mono_ms, boot_ms.unwrap_or(mono_ms)),
        looked_at_ms: pace.mono_ms(),
        clock,
        turned_at_ms: pace.mono_ms(),
        asked: Vec::new(),
        lines: Vec::new(),
        pace,
        store,
        engine: woken.engine,
        intake,
        out,
        pulse,
        pending: Pending::default(),
        backlog: VecDeque::new(),
        counts: Counts::default(),
        trusted: false,
        trust,
        untold: woken.untold,
        states: BTreeMap::new(),
        rescued,
        letters_sent: false,
        held_ms,
        told_ms: woken.told_ms,
        broker_words: Some(NOT_YET.to_owned()),
        mail_words: None,
        store_trouble: None,
        stored_at_ms: None,
        board: None,
        letters_under_way: 0,
        driver: Driver::new(hand),
        beat,
        taken: Taken::default(),
        bare_ms: Vec::new(),
    };
    core.look_at_clock();
    if !core.trusted {
        warn!(
            "nothing in this boot says that the clock is right yet: nothing is told or closed until it does"
        );
    }
    Ok(core)
}

/// The engine as it was, and what it has not been told.
struct Woken {
    engine: Engine,
    /// The last time it was told.
    told_ms: Millis,
    /// Day-book lines entered while no daemon ran.
    untold: Vec<BookLine>,
}

/// Loads the saved state and plays again, without acting, what was stored after it.
fn wake(garden: &Arc<Garden>, store: &Store) -> Result<Woken, StoreError> {
    let saved = store.saved()?;
    let (through_seq, through_entry) =
        saved.as_ref().map_or((i64::MIN, 0), |saved| (saved.through_seq, saved.through_entry));
    let mut engine = match saved.map(|saved| Engine::load(Arc::clone(garden), &saved.state)) {
        None => Engine::new(Arc::clone(garden)),
        Some(Ok(engine)) => engine,
        Some(Err(error)) => {
            error!("{error}: starting anew from the readings of the last hour; the water book begins again");
            Engine::new(Arc::clone(garden))
        }
    };
    let mut told_ms = Millis::MIN;
    for arrived in store.inbox_in_arrival_order()?.iter().filter(|arrived| arrived.seq > through_seq) {
        told_ms = told_ms.max(arrived.reading.arrived_ms);
        // What came of them then is stored or sent; it must not happen twice.
        let _ = engine.handle(Event::Reading(arrived.reading), Now { ms: told_ms, trusted: true });
    }
    engine.number_on(store.reader().last_letter_number()?);
    let mut untold = store.reader().book_after(through_entry)?;
    // Such a line was told to nobody for good.
    untold.retain(|line| !line.clock_unsure);
    Ok(Woken { engine, told_ms, untold })
}
