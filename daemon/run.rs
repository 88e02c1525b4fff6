//! The shell of the running daemon: the one core thread that owns engine, store and clock, and the edges
//! around it that talk to it by channels.
//!
//! Edges: the broker task, the post, the mirror, the page, the local socket, the service manager. They
//! run on one thread of their own; none of them judges, none writes.

mod board;
mod core;
mod desk;
mod driver;
mod flood;
mod hold;
mod letters;
mod nightly;
mod nodes;
mod page;
mod pending;
mod signs;
mod start;
mod stepped;
mod talk;
mod trust;

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{mpsc, oneshot, watch};
use tracing::{error, info};

pub use self::stepped::{Load, Stepped};
pub use self::talk::Inward;
use self::talk::Outward;
pub use self::trust::believes;
use crate::broker::{self, Ends};
use crate::clock::Clock;
use crate::local::{self, Call, Desk, LocalError};
use crate::mail::post;
use crate::mail::smtp::{LIMIT, Smtp};
use crate::notify::{self, Notify};
use crate::record::Millis;
use crate::settings::garden::Garden;
use crate::store::StoreError;

/// What waits for the core at most; messages are bounded closer by the broker task.
const INBOX: usize = 16_384;
/// Turns of core and broker task are looked at this often when nobody else says.
const BEAT: Duration = Duration::from_secs(60);
/// Between two questions to the time service, as long as it has not said yes.
const SERVICE: Duration = Duration::from_secs(15);
/// At the end a letter under way is waited for this long.
const LAST_LETTER: Duration = Duration::from_millis(1_500);
/// The end may take this long.
const FAREWELL: Duration = Duration::from_millis(4_500);

/// Work on threads of its own that has not ended by then is left behind.
const LEFT_OVER: Duration = Duration::from_millis(300);

/// The signal of a file that grew past `ulimit -f` (SIGXFSZ on Linux; 31 on MIPS alone).
const FILE_TOO_LARGE: i32 = 25;

/// What a run needs.
#[derive(Debug)]
pub struct Plan {
    /// The garden, secrets filled in.
    pub garden: Garden,
    /// Data folder.
    pub data: PathBuf,
    /// Follow a clock that a driver moves, from this time on.
    pub scripted_from_ms: Option<Millis>,
}

/// Why the daemon did not run, or did not end as it should.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The store cannot be opened.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The local socket cannot be opened.
    #[error(transparent)]
    Local(#[from] LocalError),
    /// The system refuses a thread, a signal or a timer.
    #[error("the system does not let the daemon start: {0}")]
    System(#[from] std::io::Error),
    /// What was taken could not be stored; the broker keeps it.
    #[error("ended with messages that could not be stored; the broker keeps them for the next start")]
    NotStored,
}

/// Runs the daemon until it is told to end (SIGTERM, SIGINT).
///
/// # Errors
/// [`RunError`], each with one line that says what to do.
pub fn run(plan: Plan) -> Result<(), RunError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let ended = runtime.block_on(edges(plan));
    // A name that is still looked up must not keep us from ending.
    runtime.shutdown_timeout(LEFT_OVER);
    ended
}

async fn edges(plan: Plan) -> Result<(), RunError> {
    let began = Clock::real();
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    // Listened to, it ends nobody: the write itself fails, and a write that fails is tried again.
    let _too_large = signal(SignalKind::from_raw(FILE_TOO_LARGE))?;
    let notify = Notify::from_env();
    let (clock, hand) = match plan.scripted_from_ms {
        Some(ms) => {
            let (clock, hand) = Clock::scripted(ms);
            (clock, Some(hand))
        }
        None => (Clock::real(), None),
    };
    let garden = Arc::new(plan.garden);
    let (stored, tickets) = mpsc::unbounded_channel();
    let (post, letters) = mpsc::unbounded_channel();
    let (inward, inbox) = sync_channel(INBOX);
    let pulses = Pulses::default();
    tokio::spawn(ask_time_service(clock.clone()));
    let core = start::core(start::Ground {
        garden: Arc::clone(&garden),
        data: plan.data.clone(),
        clock: clock.clone(),
        pace: Clock::real(),
        hand,
        out: Outward { stored, post },
        pulse: Arc::clone(&pulses.core),
        beat: notify::watchdog().map_or(BEAT, |watchdog| watchdog / 4),
    })?;
    let listener = local::listen(&plan.data)?;
    let (ended, core_ended) = oneshot::channel();
    std::thread::Builder::new().name("core".to_owned()).spawn(move || {
        // Nobody listens only when the edges are gone already.
        let _ = ended.send(core.run(&inbox));
    })?;
    let (stop, stopped) = watch::channel(false);
    let clock_of_nights = clock.clone();
    let broker = tokio::spawn(broker::run(
        Arc::clone(&garden),
        clock,
        Ends {
            core: to_core(inward.clone()),
            stored: tickets,
            stop: stopped.clone(),
            pulse: Arc::clone(&pulses.broker),
        },
    ));
    tokio::spawn(broker::overhear(Arc::clone(&garden), to_core(inward.clone()), stopped.clone()));
    let post = tokio::spawn(carry_letters(Arc::clone(&garden), letters, inward.clone(), stopped.clone()));
    tokio::spawn(nightly::run(
        Arc::clone(&garden),
        plan.data.clone(),
        clock_of_nights,
        inward.clone(),
        stopped.clone(),
    ));
    tokio::spawn(copy_to_mirror(Arc::clone(&garden), plan.data.clone(), inward.clone(), stopped.clone()));
    let desk = desk(inward.clone());
    if plan.scripted_from_ms.is_none() {
        tokio::spawn(board::look_after(plan.data.clone(), inward.clone(), desk.clone()));
    }
    let (beats, beating) = watch::channel(None);
    tokio::spawn(broker::sign(Arc::clone(&garden), beating.clone(), stopped.clone()));
    tokio::spawn(signs::ping(Arc::clone(&garden), beating));
    tokio::spawn(signs::beat(Arc::clone(&garden), desk.clone(), beats));
    tokio::spawn(page::serve(Arc::clone(&garden), plan.data.clone(), desk.clone(), stopped));
    tokio::spawn(local::serve(listener, desk));
    tokio::spawn(watch_over(pulses));
    info!(ms = began.mono_ms(), garden = %garden.name, "ready");
    notify.ready();
    let mut core_ended = core_ended;
    let whole = tokio::select! {
        _ = terminate.recv() => None,
        _ = interrupt.recv() => None,
        // A core that ends by itself has failed.
        whole = &mut core_ended => Some(whole.unwrap_or(false)),
    };
    info!("ending");
    notify.stopping();
    let _ = stop.send(true);
    let farewell = async {
        // A letter under way may still be accepted, and its fate stored.
        let _ = tokio::time::timeout(LAST_LETTER, post).await;
        let whole = match whole {
            Some(whole) => whole,
            None => {
                tell_to_stop(&inward).await;
                core_ended.await.unwrap_or(false)
            }
        };
        // The core has closed its side; the last acknowledgements go out.
        let _ = broker.await;
        whole
    };
    let whole = tokio::time::timeout(FAREWELL, farewell).await;
    // Left behind it would do no harm: the next start replaces it.
    let _ = std::fs::remove_file(local::path(&plan.data));
    match whole {
        Ok(true) => Ok(()),
        Ok(false) => Err(RunError::NotStored),
        Err(_) => {
            error!("the end took too long; what was not acknowledged comes again");
            Ok(())
        }
    }
}

async fn tell_to_stop(inward: &SyncSender<Inward>) {
    while hand_in(inward, Inward::Stop).is_err() {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

fn hand_in(inward: &SyncSender<Inward>, word: Inward) -> Result<(), Inward> {
    match inward.try_send(word) {
        Ok(()) => Ok(()),
        Err(TrySendError::Full(back)) => Err(back),
        // The core has ended: nothing is taken any more, and nothing acknowledged.
        Err(TrySendError::Disconnected(_)) => Ok(()),
    }
}

fn to_core(inward: SyncSender<Inward>) -> impl Fn(broker::Said) -> Result<(), broker::Said> {
    move |said| match hand_in(&inward, Inward::Broker(said)) {
        Err(Inward::Broker(said)) => Err(said),
        // What went in comes back, nothing else.
        _ => Ok(()),
    }
}

/// Asks the machine's time service for its word, while that is wanted.
async fn ask_time_service(clock: Clock) {
    loop {
        tokio::time::sleep(SERVICE).await;
        if !clock.wants_service() {
            continue;
        }
        let asked_ms = clock.system_ms();
        // It may take seconds, which this thread has not.
        if tokio::task::spawn_blocking(crate::clock::service_answers).await.unwrap_or(false) {
            clock.service_said_yes(asked_ms);
        }
    }
}

/// The post, where the garden has a mail server; without one letters stay in the outbox.
async fn carry_letters(
    garden: Arc<Garden>,
    letters: mpsc::UnboundedReceiver<post::Errand>,
    inward: SyncSender<Inward>,
    mut stopped: watch::Receiver<bool>,
) {
    let Some(server) = garden.mail.clone() else { return };
    // Waits only if the core is thousands of messages behind, and the core never waits for us.
    let report = move |word| drop(inward.send(Inward::Post(word)));
    let end = async move { drop(stopped.wait_for(|stop| *stop).await) };
    post::run(Smtp::new(server, LIMIT), post::Pace::default(), letters, report, end).await;
}

#[cfg(feature = "mirror")]
async fn copy_to_mirror(
    garden: Arc<Garden>,
    data: PathBuf,
    inward: SyncSender<Inward>,
    stopped: watch::Receiver<bool>,
) {
    let (to_writer, mut steps) = mpsc::channel(4);
    tokio::spawn(async move {
        while let Some(crate::mirror::MirrorStep { cursor }) = steps.recv().await {
            // If it finds no room the rows are sent again; the server keeps each once.
            let _ = hand_in(&inward, Inward::Mirrored(cursor));
        }
    });
    crate::mirror::run(garden, data, to_writer, stopped).await;
}

#[cfg(not(feature = "mirror"))]
async fn copy_to_mirror(garden: Arc<Garden>, _: PathBuf, _: SyncSender<Inward>, _: watch::Receiver<bool>) {
    if garden.mirror.is_some() {
        tracing::warn!("this build has no mirror: nothing is copied");
    }
}

fn desk(inward: SyncSender<Inward>) -> Desk {
    Desk::new(move |call: Call| match inward.try_send(Inward::Call(call)) {
        Ok(()) => Ok(()),
        Err(TrySendError::Full(Inward::Call(call)) | TrySendError::Disconnected(Inward::Call(call))) => {
            Err(call)
        }
        Err(_) => Ok(()),
    })
}

/// Counted up with every turn of a loop.
#[derive(Debug, Default)]
struct Pulses {
    core: Arc<AtomicU64>,
    broker: Arc<AtomicU64>,
}

/// Tells the service manager that we are alive, as long as both loops turn.
async fn watch_over(pulses: Pulses) {
    let Some(watchdog) = notify::watchdog() else { return };
    let notify = Notify::from_env();
    let mut last = None;
    loop {
        tokio::time::sleep(watchdog / 2).await;
        let now = (pulses.core.load(Ordering::Relaxed), pulses.broker.load(Ordering::Relaxed));
        if last.is_none_or(|(core, broker)| core != now.0 && broker != now.1) {
            notify.alive();
        }
        last = Some(now);
    }
}
