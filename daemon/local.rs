//! The local socket: whoever wants something from the one writer asks here, one JSON line a question, one
//! JSON line an answer.
//!
//! `DIR/rindwatch.sock` is open to the daemon's group. The pages ask through the same [`Desk`] without the
//! socket.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt};
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{Semaphore, oneshot};
use tracing::{debug, warn};

use crate::engine::Survey;
use crate::record::{Millis, Refusal};

/// Longest question, bytes.
const LINE_BYTES: u64 = 64 * 1024;
/// Longest answer that is read, bytes.
const ANSWER_BYTES: u64 = 16 * 1024 * 1024;
/// Connections at once; one more waits.
const CALLERS: usize = 16;

/// Longest key of a day-book line.
pub const KEY_BYTES: usize = 64;

/// When something of the day book happened.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum When {
    /// Now.
    #[default]
    Now,
    /// So many milliseconds ago: a line that waited on a phone, whose clock may be wrong.
    Ago(u64),
    /// At a time, milliseconds since 1970 UTC.
    At(Millis),
}

/// A question to the daemon.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case")]
pub enum Request {
    /// What stands now.
    Status,
    /// Whether the daemon is well: the core answers and the store takes what is written. Done with the time, or with
    /// nothing where that is not known; refused where the store cannot be written.
    Sign,
    /// Adds a day-book entry.
    Jot {
        /// The line as typed.
        words: String,
        /// When it happened.
        #[serde(default)]
        when: When,
        /// Names the line: sent again under the same key it is not entered twice. At most [`KEY_BYTES`] bytes.
        #[serde(default)]
        key: Option<String>,
        /// Whoever typed it was asked about an odd amount and has said yes.
        #[serde(default)]
        sure: bool,
    },
    /// Takes back the last line of the day book within ten minutes.
    TakeBack {
        /// The key it was entered under.
        key: String,
    },
    /// Commits what was taken so far. Only in a build with the feature `test-clock`.
    Commit,
    /// Waits until so many messages in all were taken, stored and acknowledged. Only with `test-clock`.
    Settle {
        /// Messages published since the daemon started.
        messages: u64,
    },
    /// Moves the scripted clock on and waits until all that follows is stored and sent. Only with
    /// `test-clock`.
    Clock {
        /// Milliseconds since 1970 UTC; never back.
        ms: Millis,
    },
}

/// The daemon's answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "answer", rename_all = "kebab-case")]
pub enum Answer {
    /// To [`Request::Status`].
    Status(Box<Status>),
    /// It is done, with a word about it.
    Done {
        /// What was done.
        words: String,
    },
    /// Not done yet: is it meant so? Asked again with `sure` it is done.
    Asks {
        /// The question.
        words: String,
    },
    /// Not now; the same question may be asked again in a moment.
    Busy {
        /// Why.
        words: String,
    },
    /// It was not done.
    Refused {
        /// Why, and what to do.
        words: String,
    },
}

/// What the daemon knows about itself and the garden.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// Beds, probes and matters.
    pub survey: Survey,
    /// Wall time of the answer.
    pub at_ms: Millis,
    /// The clock may be believed.
    pub clock_trusted: bool,
    /// Where the time comes from, or that it is not known, in words.
    #[serde(default)]
    pub clock: String,
    /// The box in lines: space, card, heat, memory, queues, mail, time.
    #[serde(default)]
    pub board: Vec<String>,
    /// What came in since the daemon started.
    pub counts: Counts,
    /// Letters that the mail server has not taken yet.
    pub letters_waiting: usize,
    /// Letters that had to wait and were not needed any more when they could have gone, ever.
    #[serde(default)]
    pub letters_overtaken: u64,
    /// The last refusals, newest first.
    pub refusals: Vec<Refusal>,
    /// Topics that no probe of the settings reads, with their last payload.
    pub unknown_topics: Vec<UnknownTopic>,
    /// What is wrong with the broker; `None` = connected.
    pub broker: Option<String>,
    /// What is wrong with the mail server; `None` = nothing known.
    pub mail: Option<String>,
    /// What is wrong with the store; `None` = nothing.
    pub store: Option<String>,
}

/// What came in since the daemon started.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Messages taken.
    pub messages: u64,
    /// Messages stored and, where asked for, acknowledged.
    pub settled: u64,
    /// Readings kept.
    pub readings: u64,
    /// Of these, not believed.
    pub doubted: u64,
    /// Readings that were known already.
    pub repeats: u64,
    /// Messages, or parts of them, that were refused.
    pub refused: u64,
    /// Readings and refusals beyond the bounds of a probe, acknowledged and not kept.
    #[serde(default)]
    pub let_go: u64,
    /// Commits.
    pub commits: u64,
}

/// A topic that no probe reads.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnknownTopic {
    /// The topic.
    pub topic: String,
    /// Its last payload, as far as it can be shown.
    pub payload: String,
    /// How often it came.
    pub count: u64,
}

/// A question on its way to the core.
#[derive(Debug)]
pub struct Call {
    /// The question.
    pub request: Request,
    /// Where the answer goes.
    pub answer: oneshot::Sender<Answer>,
}

/// Where questions are handed in.
#[derive(Clone)]
pub struct Desk(Arc<dyn Fn(Call) -> Result<(), Call> + Send + Sync>);

impl Desk {
    /// `hand_in` gives a call to the core, or back if there is no room.
    pub fn new(hand_in: impl Fn(Call) -> Result<(), Call> + Send + Sync + 'static) -> Self {
        Self(Arc::new(hand_in))
    }

    /// Asks, and waits for the answer.
    pub async fn ask(&self, request: Request) -> Answer {
        let (answer, heard) = oneshot::channel();
        if (self.0)(Call { request, answer }).is_err() {
            return Answer::Busy { words: "the daemon is busy; ask again in a moment".to_owned() };
        }
        heard.await.unwrap_or_else(|_| Answer::Busy { words: "the daemon is stopping".to_owned() })
    }
}

/// Why the local socket did not work.
#[derive(Debug, thiserror::Error)]
pub enum LocalError {
    /// No daemon runs on this folder.
    #[error("no daemon runs on this data folder")]
    NobodyHome,
    /// Another daemon runs on this folder.
    #[error("{}: another rindwatch runs on this data folder: stop it first", .0.display())]
    Taken(PathBuf),
    /// The socket could not be used.
    #[error("{}: {error}", path.display())]
    Io {
        /// The socket.
        path: PathBuf,
        /// What went wrong.
        error: io::Error,
    },
    /// The daemon answered with something else than an answer; it may be of another version.
    #[error("the daemon's answer cannot be read ({0}): is it of this version?")]
    Garbled(String),
}

/// The socket of a data folder.
pub fn path(data: &Path) -> PathBuf {
    data.join("rindwatch.sock")
}

/// Asks the daemon that runs on `data`, waiting at most `patience` for its answer.
///
/// # Errors
/// [`LocalError::NobodyHome`] when no daemon listens there.
pub fn ask(data: &Path, request: &Request, patience: Duration) -> Result<Answer, LocalError> {
    let path = path(data);
    let io_error = |error: io::Error| LocalError::Io { path: path.clone(), error };
    let mut stream = std::os::unix::net::UnixStream::connect(&path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::ConnectionRefused => LocalError::NobodyHome,
        _ => io_error(error),
    })?;
    stream.set_read_timeout(Some(patience)).map_err(io_error)?;
    let mut line = serde_json::to_vec(request).map_err(|error| LocalError::Garbled(error.to_string()))?;
    line.push(b'\n');
    stream.write_all(&line).map_err(io_error)?;
    let mut answer = Vec::new();
    BufReader::new(stream.take(ANSWER_BYTES)).read_until(b'\n', &mut answer).map_err(io_error)?;
    serde_json::from_slice(&answer).map_err(|error| LocalError::Garbled(error.to_string()))
}

/// Opens the socket of a data folder. A socket left behind by a daemon that is gone is replaced.
///
/// # Errors
/// [`LocalError::Taken`] when a daemon answers there.
pub fn listen(data: &Path) -> Result<UnixListener, LocalError> {
    let path = path(data);
    let io_error = |error: io::Error| LocalError::Io { path: path.clone(), error };
    if std::os::unix::net::UnixStream::connect(&path).is_ok() {
        return Err(LocalError::Taken(path));
    }
    match std::fs::remove_file(&path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(io_error(error)),
        _ => {}
    }
    let listener = UnixListener::bind(&path).map_err(io_error)?;
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o660)).map_err(io_error)?;
    Ok(listener)
}

/// Serves callers until it is dropped.
pub async fn serve(listener: UnixListener, desk: Desk) {
    let callers = Arc::new(Semaphore::new(CALLERS));
    loop {
        let Ok(place) = Arc::clone(&callers).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                let desk = desk.clone();
                tokio::spawn(async move {
                    if let Err(error) = serve_one(stream, &desk).await {
                        debug!(%error, "a local caller left");
                    }
                    drop(place);
                });
            }
            Err(error) => {
                warn!(%error, "the local socket takes no callers at the moment");
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
        }
    }
}

async fn serve_one(stream: UnixStream, desk: &Desk) -> io::Result<()> {
    let (read, mut write) = stream.into_split();
    let mut read = tokio::io::BufReader::new(read);
    loop {
        let mut line = Vec::new();
        if (&mut read).take(LINE_BYTES).read_until(b'\n', &mut line).await? == 0 {
            return Ok(());
        }
        let answer = match serde_json::from_slice(&line) {
            Ok(request) => desk.ask(request).await,
            Err(error) => Answer::Refused { words: format!("not a question: {error}") },
        };
        let mut answer = serde_json::to_vec(&answer)?;
        answer.push(b'\n');
        write.write_all(&answer).await?;
        if !line.ends_with(b"\n") {
            // Too long or cut off: where the next question starts is not known.
            return Ok(());
        }
    }
}
