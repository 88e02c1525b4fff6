//! Against victoria-metrics, a server of another make that takes the same writes. Its program is named by
//! RINDWATCH_VICTORIA; without it this part says that it is left out.

use std::collections::BTreeMap;
use std::process::{Child, Command, Stdio};

use tokio::io::{AsyncReadExt, AsyncWriteExt};

use super::*;

/// Ended with the test, however it ends.
struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Starts it on a free port over an empty folder; waits until it answers.
async fn victoria(program: &str, data: &Path) -> (Server, String) {
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let address = format!("127.0.0.1:{port}");
    let server = Command::new(program)
        .arg(format!("-httpListenAddr={address}"))
        .arg(format!("-storageDataPath={}", data.display()))
        .arg("-retentionPeriod=100y") // the readings are of years ago
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let server = Server(server);
    for _ in 0..200 {
        if tokio::net::TcpStream::connect(&address).await.is_ok() {
            return (server, address);
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("{program} does not answer on {address}");
}

/// The body of a plain GET.
async fn get(address: &str, path: &str) -> String {
    let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
    let ask = format!("GET {path} HTTP/1.0\r\nHost: {address}\r\n\r\n");
    stream.write_all(ask.as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    assert!(head.starts_with("HTTP/1.") && head.contains(" 200 "), "{head}");
    body.to_owned()
}

/// All rows the server holds: (name, probe or bed, time) and value.
async fn exported(address: &str) -> BTreeMap<(String, String, Millis), f64> {
    let body = get(address, "/api/v1/export?match[]=%7B__name__!=%22%22%7D&start=0").await;
    let mut rows = BTreeMap::new();
    for line in body.lines() {
        let series: serde_json::Value = serde_json::from_str(line).unwrap();
        let metric = &series["metric"];
        assert_eq!(metric["garden"], "hill");
        let name = metric["__name__"].as_str().unwrap();
        let who = metric["probe"].as_str().or(metric["bed"].as_str()).unwrap();
        let times = series["timestamps"].as_array().unwrap();
        for (at_ms, value) in times.iter().zip(series["values"].as_array().unwrap()) {
            let key = (name.to_owned(), who.to_owned(), at_ms.as_i64().unwrap());
            assert_eq!(rows.insert(key, value.as_f64().unwrap()), None, "a row twice");
        }
    }
    rows
}

#[tokio::test]
async fn a_real_server_gives_back_row_for_row_what_the_store_holds() {
    let Ok(program) = std::env::var("RINDWATCH_VICTORIA") else {
        eprintln!("LEFT OUT: the mirror against a real server (RINDWATCH_VICTORIA names none)");
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let (_server, address) = victoria(&program, &dir.path().join("server")).await;
    let garden = mirrored(&format!("http://{address}"));
    let mut store = open(&dir.path().join("store"), &garden);

    // Two probes each minute for two days, a doubted value in between; then late rows and two days.
    let mut readings = Vec::new();
    for minute in 0..2880i64 {
        let at_ms = JULY_MS + minute * 60_000;
        readings.push(reading(0, at_ms, 0.2 + (minute % 1000) as f64 / 10_000.0));
        readings.push(reading(1, at_ms + 137, minute as f64 / 1000.0));
    }
    readings[100].doubt = Some(Doubt::OutOfRange);
    let late = (0..50).map(|n| reading(0, JULY_MS - 86_400_000 + n * 1000, 0.25)).collect::<Vec<_>>();
    let day = |date: &str, depletion_mm| DayRecord {
        date: date.parse().unwrap(),
        bed: "long".into(),
        depletion_mm: Some(depletion_mm),
        ..DayRecord::default()
    };
    let days = vec![day("2024-06-29", 12.25), day("2024-06-30", 13.5)];
    for part in [of(readings.clone()), sealing(), Batch { days, ..of(late.clone()) }] {
        store.commit(&part).unwrap();
    }
    let cursor = last_owed(&store);
    assert_eq!(copy(&garden, &mut store, cursor, LONG).await, Some(MirrorStep { cursor }));

    let mut wanted = BTreeMap::new();
    for reading in readings.iter().chain(&late) {
        let (quantity, probe) =
            if reading.probe == ProbeIx(0) { ("soil-moisture", "long-upper") } else { ("rain", "gauge") };
        let field = if reading.doubt.is_some() { "doubted" } else { "value" };
        let kept = Quantity::from_key(quantity).unwrap().quantise(reading.value);
        wanted.insert((format!("{quantity}_{field}"), probe.to_owned(), reading.at_ms), kept);
    }
    for (at_ms, depletion_mm) in [(JULY_MS - 180_000_000, 12.25), (JULY_MS - 93_600_000, 13.5)] {
        wanted.insert(("bed-day_depletion_mm".into(), "long".into(), at_ms), depletion_mm);
        wanted.insert(("bed-day_corrected".into(), "long".into(), at_ms), 0.0);
    }
    // Rows become visible to export a moment after the server has taken them.
    let mut found = BTreeMap::new();
    for _ in 0..100 {
        found = exported(&address).await;
        if found.len() >= wanted.len() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert_eq!(found.len(), wanted.len());
    assert_eq!(found, wanted);
    println!("{} rows read back", found.len());
}
