//! The mirror: readings and closed days copied to a server with the InfluxDB 2 write interface.
//!
//! Off unless the settings name one, and never on the main path: it looks into the store through a
//! connection of its own on a blocking thread, sends at most [`CHUNK`] rows at a time under a time limit,
//! and tells the one writer how far it has come. What it has not said goes out again after a restart; the
//! server keeps a row sent twice once (same series, same time).
//!
//! Line protocol: measurement = the quantity's key, tags `garden`, `bed`, `probe`, `depth_m` and, for
//! rain, `form`; field `value`, or `doubted` for a reading that is not believed, so that no chart of
//! values shows one. A closed day is measurement `bed-day` at its civil midnight, tags `garden` and `bed`,
//! fields named as in days.csv. Times in milliseconds.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use chrono::TimeZone;
use influxdb2::api::write::TimestampPrecision;
use influxdb2::models::DataPoint;
use influxdb2::{Client, RequestError};
use rand::Rng;
use serde_json::Value;
use tokio::sync::{mpsc, watch};
use tokio::time::{sleep, timeout};

use crate::record::{DayRecord, Millis};
use crate::settings::garden::{Garden, Mirror};
use crate::store::{MirrorRow, Mirrored, Store, StoreError};

/// Most rows in one write.
pub const CHUNK: u32 = 2000;

/// Most rows left out one after the other. A server that refuses more refuses us, not a row: then nothing
/// is passed over and somebody has to look.
const LEFT_OUT_MOST: u32 = 10;

/// How far the mirror has come; the one writer hands it to `Store::mirror_done`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MirrorStep {
    /// The server has everything up to this place.
    pub cursor: i64,
}

/// How long the mirror waits, for what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// Between two looks at the store when there was nothing more to send.
    pub idle: Duration,
    /// For the server's answer to one write.
    pub answer: Duration,
    /// After the first failure; doubled after each further one, up to `longest`.
    pub first_pause: Duration,
    /// The longest pause.
    pub longest_pause: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            idle: Duration::from_secs(10),
            answer: Duration::from_secs(20),
            first_pause: Duration::from_secs(5),
            longest_pause: Duration::from_secs(300),
        }
    }
}

/// Why rows did not get across.
#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error("{0}")]
    Store(#[from] StoreError),
    #[error("no answer within {0:?}")]
    Silence(Duration),
    #[error("{0}")]
    Server(RequestError),
    #[error("a row cannot be worded: {0}")]
    Wording(String),
    #[error("the look into the store was broken off")]
    BrokenOff,
}

impl Failure {
    /// The server has read the rows and will not have them (400, 413, 422): the same rows would fail for
    /// ever, so they are sent in smaller parts until the one at fault stands alone.
    fn is_about_rows(&self) -> bool {
        match self {
            Failure::Server(RequestError::Http { status, .. }) => matches!(status.as_u16(), 400 | 413 | 422),
            Failure::Wording(_) => true,
            _ => false,
        }
    }
}

/// Copies until `shutdown` turns true or `to_writer` is closed. Returns at once where the garden has no
/// mirror or its address cannot be used (said in the log).
pub async fn run(
    garden: Arc<Garden>,
    dir: PathBuf,
    to_writer: mpsc::Sender<MirrorStep>,
    shutdown: watch::Receiver<bool>,
) {
    run_paced(garden, dir, to_writer, shutdown, Pace::default()).await;
}

/// [`run`] with waits of one's own.
pub async fn run_paced(
    garden: Arc<Garden>,
    dir: PathBuf,
    to_writer: mpsc::Sender<MirrorStep>,
    mut shutdown: watch::Receiver<bool>,
    pace: Pace,
) {
    let Some(settings) = &garden.mirror else { return };
    let Some(client) = client(settings) else {
        tracing::error!(url = %settings.url, "mirror: not an address like http://host:8086; nothing is copied");
        return;
    };
    let mut copier =
        Copier { garden: Arc::clone(&garden), dir, client, pace, cursor: 0, part: CHUNK, left_out: 0 };
    let work = copier.copy_on(&to_writer);
    tokio::select! {
        () = work => {}
        _ = shutdown.wait_for(|stop| *stop) => {}
    }
}

struct Copier {
    garden: Arc<Garden>,
    dir: PathBuf,
    client: Client,
    pace: Pace,
    /// Everything up to here is with the server, told to the writer or not.
    cursor: i64,
    /// How many rows to send at once: fewer after a refusal, to find the row at fault.
    part: u32,
    /// Rows left out one after the other.
    left_out: u32,
}

impl Copier {
    async fn copy_on(&mut self, to_writer: &mpsc::Sender<MirrorStep>) {
        let mut pause = self.pace.first_pause;
        let mut failing = false;
        loop {
            let asked = self.part;
            match self.copy_once().await {
                Ok(sent) => {
                    if std::mem::take(&mut failing) {
                        tracing::info!("mirror: works again");
                    }
                    pause = self.pace.first_pause;
                    let all = sent < asked;
                    self.part = asked.saturating_mul(2).min(CHUNK);
                    if sent > 0 && to_writer.send(MirrorStep { cursor: self.cursor }).await.is_err() {
                        return;
                    }
                    if all {
                        sleep(self.pace.idle).await;
                    }
                }
                Err(failure) if failure.is_about_rows() && self.part > 1 => self.part /= 2,
                Err(failure) => {
                    // One line when it begins; the rest is of interest only to who looks for it.
                    if std::mem::replace(&mut failing, true) {
                        tracing::debug!(%failure, "mirror: still fails");
                    } else {
                        tracing::warn!(%failure, "mirror: fails; tries on, nothing is lost");
                    }
                    let jitter = rand::rng().random_range(0.8..1.2);
                    sleep(pause.mul_f64(jitter)).await;
                    pause = pause.saturating_mul(2).min(self.pace.longest_pause);
                }
            }
        }
    }

    /// Sends the next rows; says how many they were.
    async fn copy_once(&mut self) -> Result<u32, Failure> {
        let rows = owed(&self.dir, self.cursor, self.part).await?;
        let Some(last) = rows.last().map(|row| row.id) else { return Ok(0) };
        let points =
            rows.iter().filter_map(|row| point(&self.garden, row).transpose()).collect::<Result<Vec<_>, _>>();
        self.part = u32::try_from(rows.len()).unwrap_or(CHUNK);
        match self.send(points).await {
            Ok(()) => self.left_out = 0,
            // Sent alone and still not taken: this row would stop all that follow.
            Err(failure) if failure.is_about_rows() && rows.len() == 1 && self.left_out < LEFT_OUT_MOST => {
                tracing::warn!(%failure, ?rows, "mirror: the server will not have this row; left out");
                self.left_out += 1;
            }
            Err(failure) => return Err(failure),
        }
        self.cursor = last;
        Ok(self.part)
    }

    async fn send(&self, points: Result<Vec<DataPoint>, Failure>) -> Result<(), Failure> {
        let points = points?;
        let Some(settings) = self.garden.mirror.as_ref().filter(|_| !points.is_empty()) else {
            return Ok(());
        };
        let write = self.client.write_with_precision(
            &settings.bucket,
            futures_util::stream::iter(points),
            TimestampPrecision::Milliseconds,
        );
        // The client itself waits for ever.
        match timeout(self.pace.answer, write).await {
            Ok(answer) => answer.map_err(Failure::Server),
            Err(_) => Err(Failure::Silence(self.pace.answer)),
        }
    }
}

/// Reads what is owed, on a thread that may wait for the disk.
async fn owed(dir: &Path, cursor: i64, most: u32) -> Result<Vec<MirrorRow>, Failure> {
    let dir = dir.to_path_buf();
    tokio::task::spawn_blocking(move || Store::open_to_read(&dir)?.mirror_owed(cursor, most))
        .await
        .map_err(|_| Failure::BrokenOff)?
        .map_err(Failure::Store)
}

/// One line; `None` where nothing of the row can be told (no finite figure).
fn point(garden: &Garden, row: &MirrorRow) -> Result<Option<DataPoint>, Failure> {
    match &row.what {
        Mirrored::Reading { series, at_ms, value, doubt } => {
            if !value.is_finite() {
                return Ok(None);
            }
            let Some(quantity) = series.quantity else { return Ok(None) };
            let field = if doubt.is_some() { "doubted" } else { "value" };
            let mut line = DataPoint::builder(quantity.kind().key)
                .tag("garden", &garden.name)
                .tag("probe", &series.probe)
                .field(field, *value)
                .timestamp(*at_ms);
            if !series.form.is_empty() {
                line = line.tag("form", &series.form);
            }
            let probe = garden.probes.iter().find(|probe| probe.name == series.probe);
            if let Some(bed) = probe.and_then(|probe| probe.bed.as_ref()) {
                line = line.tag("bed", bed);
            }
            if let Some(depth_m) = probe.and_then(|probe| probe.depth_m) {
                line = line.tag("depth_m", depth_m.to_string());
            }
            line.build().map(Some).map_err(|e| Failure::Wording(e.to_string()))
        }
        Mirrored::Day(day) => day_point(garden, day),
    }
}

fn day_point(garden: &Garden, day: &DayRecord) -> Result<Option<DataPoint>, Failure> {
    let Some(at_ms) = midnight_ms(garden, day) else { return Ok(None) };
    // The record's own names, so that a new field of a day is copied without a line here.
    let Value::Object(fields) = serde_json::to_value(day).map_err(|e| Failure::Wording(e.to_string()))?
    else {
        return Ok(None);
    };
    let mut line = DataPoint::builder("bed-day")
        .tag("garden", &garden.name)
        .tag("bed", &day.bed)
        .field("corrected", day.corrected)
        .timestamp(at_ms);
    for (name, value) in fields {
        match (name.as_str(), value) {
            ("date" | "bed", _) => {}
            (_, Value::Number(number)) => {
                if let Some(number) = number.as_f64().filter(|number| number.is_finite()) {
                    line = line.field(name, number);
                }
            }
            (_, Value::String(words)) => line = line.field(name, words),
            (_, Value::Array(words)) if !words.is_empty() => {
                let words: Vec<&str> = words.iter().filter_map(Value::as_str).collect();
                line = line.field(name, words.join(" "));
            }
            _ => {}
        }
    }
    line.build().map(Some).map_err(|e| Failure::Wording(e.to_string()))
}

/// The first moment of the day; where the clocks skip midnight, the hour after it.
fn midnight_ms(garden: &Garden, day: &DayRecord) -> Option<Millis> {
    (0..=3)
        .filter_map(|hour| day.date.and_hms_opt(hour, 0, 0))
        .find_map(|local| garden.zone.from_local_datetime(&local).earliest())
        .map(|at| at.timestamp_millis())
}

/// The client; `None` for an address it would stop the program over.
fn client(settings: &Mirror) -> Option<Client> {
    let url = url::Url::parse(&settings.url).ok().filter(|url| url.scheme() == "http" && url.has_host())?;
    let token = settings.token.as_ref().map_or("", |token| token.reveal());
    Some(Client::new(url, &settings.org, token))
}
