//! The mirror against a server of our own making that fails on purpose, and against a real one.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[path = "mirror/real.rs"]
mod real;
#[path = "support/garden.rs"]
mod support;

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::body::Bytes;
use axum::http::{HeaderMap, StatusCode, Uri};
use rindwatch::mirror::{CHUNK, MirrorStep, Pace, run_paced};
use rindwatch::quantities::Quantity;
use rindwatch::record::*;
use rindwatch::settings::garden::{Garden, Mirror, Secret};
use rindwatch::store::*;
use support::garden;
use tokio::sync::{mpsc, watch};

/// 2024-07-01 00:00 UTC.
const JULY_MS: Millis = 1_719_792_000_000;

const QUICK: Pace = Pace {
    idle: Duration::from_millis(5),
    answer: Duration::from_millis(300),
    first_pause: Duration::from_millis(5),
    longest_pause: Duration::from_millis(20),
};

fn mirrored(url: &str) -> Garden {
    let mut garden = garden(
        chrono_tz::Europe::Berlin,
        &[("long-upper", Quantity::SoilMoisture), ("gauge", Quantity::Rain)],
    );
    garden.probes[1].bed = None;
    garden.probes[1].depth_m = None;
    garden.mirror = Some(Mirror {
        url: url.into(),
        org: "patch".into(),
        bucket: "season".into(),
        token: Some(Secret::new("open sesame".into())),
    });
    garden
}

fn open(dir: &Path, garden: &Garden) -> Store {
    let mut store = Store::open(dir).unwrap();
    store.register(garden).unwrap();
    store
}

fn reading(probe: u16, at_ms: Millis, value: f64) -> Reading {
    Reading { probe: ProbeIx(probe), at_ms, arrived_ms: at_ms, value, own_time: true, doubt: None }
}

fn of(readings: Vec<Reading>) -> Batch {
    Batch { readings, ..Batch::default() }
}

/// Seals all there is.
fn sealing() -> Batch {
    Batch { state: Some(SavedState::default()), seal: true, ..Batch::default() }
}

/// Runs mirror and writer until the writer has heard `cursor` or `limit` has passed; gives the last step.
async fn copy(garden: &Garden, store: &mut Store, cursor: i64, limit: Duration) -> Option<MirrorStep> {
    let (stop, stopped) = watch::channel(false);
    let (to_writer, mut steps) = mpsc::channel(4);
    let dir = store.reader().path().parent().unwrap().to_path_buf();
    let mirror = tokio::spawn(run_paced(Arc::new(garden.clone()), dir, to_writer, stopped, QUICK));
    let mut last = None;
    let _ = tokio::time::timeout(limit, async {
        while let Some(step) = steps.recv().await {
            store.mirror_done(step.cursor).unwrap();
            last = Some(step);
            if step.cursor >= cursor {
                break;
            }
        }
    })
    .await;
    let _ = stop.send(true); // it may have ended by itself
    tokio::time::timeout(Duration::from_secs(5), mirror).await.expect("ends when told to").unwrap();
    last
}

const LONG: Duration = Duration::from_secs(20);

fn last_owed(store: &Store) -> i64 {
    store.reader().mirror_owed(0, u32::MAX).unwrap().last().unwrap().id
}

/// What the server does with a write.
enum Reply {
    Take,
    Refuse(u16),
    Hang,
}

/// One write as the server met it.
#[derive(Debug, Clone)]
struct Met {
    query: String,
    token: String,
    lines: Vec<String>,
    taken: bool,
}

#[derive(Clone, Default)]
struct Writes(Arc<Mutex<Vec<Met>>>);

impl Writes {
    fn all(&self) -> Vec<Met> {
        self.0.lock().unwrap().clone()
    }

    fn taken(&self) -> Vec<String> {
        self.all().into_iter().filter(|met| met.taken).flat_map(|met| met.lines).collect()
    }
}

/// A server on a port of its own; `reply` sees how many writes came before and the body.
async fn server(reply: impl Fn(usize, &str) -> Reply + Send + Sync + 'static) -> (String, Writes) {
    let writes = Writes::default();
    let (seen, reply) = (writes.clone(), Arc::new(reply));
    let answer = move |uri: Uri, headers: HeaderMap, body: Bytes| {
        let (seen, reply) = (seen.clone(), Arc::clone(&reply));
        async move {
            assert_eq!(uri.path(), "/api/v2/write");
            let body = String::from_utf8(body.to_vec()).unwrap();
            let reply = reply(seen.0.lock().unwrap().len(), &body);
            seen.0.lock().unwrap().push(Met {
                query: uri.query().unwrap_or_default().into(),
                token: headers.get("authorization").map_or("", |value| value.to_str().unwrap()).into(),
                lines: body.lines().map(str::to_owned).collect(),
                taken: matches!(reply, Reply::Take),
            });
            match reply {
                Reply::Take => StatusCode::NO_CONTENT,
                Reply::Refuse(code) => StatusCode::from_u16(code).unwrap(),
                Reply::Hang => {
                    tokio::time::sleep(Duration::from_secs(60)).await;
                    StatusCode::NO_CONTENT
                }
            }
        }
    };
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    tokio::spawn(async move { axum::serve(listener, axum::Router::new().fallback(answer)).await });
    (url, writes)
}

#[tokio::test]
async fn readings_and_days_go_out_as_line_protocol() {
    let (url, writes) = server(|_, _| Reply::Take).await;
    let (dir, garden) = (tempfile::tempdir().unwrap(), mirrored(&url));
    let mut store = open(dir.path(), &garden);
    let doubted = Reading { doubt: Some(Doubt::Step), ..reading(0, JULY_MS + 1, 0.55) };
    let day = DayRecord {
        date: "2024-06-30".parse().unwrap(),
        bed: "long".into(),
        rain_mm: Some(1.5),
        air_max_c: Some(f64::NAN), // never to be sent
        et0_method: Some(Et0Method::Hargreaves),
        guessed: vec![Guess::Air, Guess::Sun],
        ..DayRecord::default()
    };
    let readings = vec![reading(0, JULY_MS, 0.3012), doubted, reading(1, JULY_MS, 0.2)];
    store.commit(&Batch { days: vec![day], ..of(readings) }).unwrap();
    let cursor = last_owed(&store);
    assert_eq!(copy(&garden, &mut store, cursor, LONG).await, Some(MirrorStep { cursor }));

    let met = &writes.all()[0];
    assert_eq!(met.query, "bucket=season&org=patch&precision=ms");
    assert_eq!(met.token, "Token open sesame");
    assert_eq!(
        met.lines,
        [
            "soil-moisture,bed=long,depth_m=0.1,garden=hill,probe=long-upper value=0.3012 1719792000000",
            "soil-moisture,bed=long,depth_m=0.1,garden=hill,probe=long-upper doubted=0.55 1719792000001",
            "rain,form=increment,garden=hill,probe=gauge value=0.2 1719792000000",
            // Berlin's midnight is 22:00 UTC of the day before.
            "bed-day,bed=long,garden=hill corrected=f,et0_method=\"hargreaves\",guessed=\"air sun\",rain_mm=1.5 \
             1719698400000",
        ]
    );
    assert_eq!(store.reader().mirror_owed(0, 10).unwrap(), []);
    assert_eq!(copy(&garden, &mut store, cursor + 1, Duration::from_millis(100)).await, None);
    assert_eq!(writes.all().len(), 1, "nothing goes out twice once the writer knows");
}

/// A cursor of times would pass a late row over; this one follows the order of keeping.
#[tokio::test]
async fn a_late_reading_is_not_passed_over() {
    let (url, writes) = server(|_, _| Reply::Take).await;
    let (dir, garden) = (tempfile::tempdir().unwrap(), mirrored(&url));
    let mut store = open(dir.path(), &garden);
    for (at_ms, seal) in [(JULY_MS, true), (JULY_MS - 7_200_000, false), (JULY_MS - 3_600_000, true)] {
        store.commit(&of(vec![reading(0, at_ms, 0.3)])).unwrap();
        if seal {
            store.commit(&sealing()).unwrap();
        }
        let cursor = last_owed(&store);
        copy(&garden, &mut store, cursor, LONG).await.unwrap();
        // A restart in between changes nothing.
        drop(store);
        store = open(dir.path(), &garden);
    }
    let times: Vec<String> =
        writes.taken().iter().map(|line| line.rsplit(' ').next().unwrap().to_owned()).collect();
    assert_eq!(times, ["1719792000000", "1719784800000", "1719788400000"]);
}

#[tokio::test]
async fn what_a_failing_server_did_not_take_comes_again_in_bounded_parts() {
    let (url, writes) = server(|before, _| match before {
        0 => Reply::Hang,
        1 => Reply::Refuse(503),
        2 => Reply::Refuse(401),
        _ => Reply::Take,
    })
    .await;
    let (dir, garden) = (tempfile::tempdir().unwrap(), mirrored(&url));
    let mut store = open(dir.path(), &garden);
    let many = 2 * CHUNK as i64 + 7;
    store.commit(&of((0..many).map(|n| reading(0, JULY_MS + n * 1000, 0.3)).collect())).unwrap();
    let cursor = last_owed(&store);
    assert_eq!(copy(&garden, &mut store, cursor, LONG).await, Some(MirrorStep { cursor }));
    let taken = writes.taken();
    assert_eq!(taken.len() as i64, many);
    assert!(taken.is_sorted(), "in order, each once");
    assert!(writes.all().iter().all(|met| met.lines.len() <= CHUNK as usize));
}

#[tokio::test]
async fn a_row_the_server_will_not_have_stops_no_other() {
    let (url, writes) =
        server(|_, body| if body.contains("value=0.5 ") { Reply::Refuse(400) } else { Reply::Take }).await;
    let (dir, garden) = (tempfile::tempdir().unwrap(), mirrored(&url));
    let mut store = open(dir.path(), &garden);
    let value = |n: i64| if n == 33 || n == 34 || n == 70 { 0.5 } else { 0.3 };
    store.commit(&of((0..100).map(|n| reading(0, JULY_MS + n, value(n))).collect())).unwrap();
    let cursor = last_owed(&store);
    assert_eq!(copy(&garden, &mut store, cursor, LONG).await, Some(MirrorStep { cursor }));
    let taken = writes.taken();
    assert_eq!(taken.len(), 97);
    assert!(taken.is_sorted());
}

/// A proxy that answers 400 to everything must not make us pass over a season row by row.
#[tokio::test]
async fn a_server_that_refuses_everything_is_waited_for() {
    let (url, writes) = server(|_, _| Reply::Refuse(400)).await;
    let (dir, garden) = (tempfile::tempdir().unwrap(), mirrored(&url));
    let mut store = open(dir.path(), &garden);
    store.commit(&of((0..100).map(|n| reading(0, JULY_MS + n, 0.3)).collect())).unwrap();
    let cursor = last_owed(&store);
    copy(&garden, &mut store, cursor, Duration::from_millis(500)).await;
    let owed = store.reader().mirror_owed(0, u32::MAX).unwrap().len();
    assert_eq!(owed, 90);
    assert!(writes.all().len() > 20, "it went on trying");
}

#[tokio::test]
async fn an_address_that_cannot_be_used_ends_the_mirror_not_the_program() {
    let dir = tempfile::tempdir().unwrap();
    for url in [
        "",
        "influx",
        "http://",
        "https://127.0.0.1:1",
        "http://a.1",
        "/3242/23",
        "http://[::1",
        "http://h:99999",
    ] {
        let garden = mirrored(url);
        let store = &mut open(dir.path(), &garden);
        store.commit(&of(vec![reading(0, JULY_MS, 0.3)])).unwrap();
        assert_eq!(copy(&garden, store, 1, LONG).await, None, "{url}");
    }
}

#[tokio::test]
async fn without_a_mirror_nothing_is_owed() {
    let dir = tempfile::tempdir().unwrap();
    let mut garden = mirrored("http://127.0.0.1:1");
    garden.mirror = None;
    let mut store = open(dir.path(), &garden);
    store.commit(&of(vec![reading(0, JULY_MS, 0.3)])).unwrap();
    assert_eq!(store.reader().mirror_owed(0, 10).unwrap(), []);
    assert_eq!(copy(&garden, &mut store, 1, LONG).await, None);
}
