//! The sign of life outward: a real web server on this machine is asked while all is well and not otherwise, and a real
//! broker tells whether we are there.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

use crate::certificates::{Certificates, Holds};
use crate::child::wait_until;
use crate::daemon::{Daemon, timed, two_hours_ago_ms};
use crate::mosquitto::Mosquitto;
use crate::publisher::publish;

const PATIENCE: Duration = Duration::from_secs(60);
/// Some beats of these tests, each longer than the core is waited for.
const SILENCE: Duration = Duration::from_secs(4);
const WELL: &str = "HTTP/1.1 204 No Content\r\n\r\n";

/// A web server that gives everybody the same answer and keeps what it was asked.
struct Web {
    port: u16,
    asked: Arc<Mutex<Vec<String>>>,
}

impl Web {
    fn new(answer: String, papers: Option<&Certificates>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let asked = Arc::new(Mutex::new(Vec::new()));
        let tls = papers.map(|papers| {
            let chain = CertificateDer::pem_file_iter(papers.file("broker.pem")).unwrap();
            let key = PrivateKeyDer::from_pem_file(papers.file("broker.key")).unwrap();
            let provider = Arc::new(rustls::crypto::ring::default_provider());
            let config = rustls::ServerConfig::builder_with_provider(provider)
                .with_safe_default_protocol_versions()
                .unwrap()
                .with_no_client_auth()
                .with_single_cert(chain.map(Result::unwrap).collect(), key)
                .unwrap();
            Arc::new(config)
        });
        let heard = Arc::clone(&asked);
        // Ends with the test's process.
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let Ok(mut stream) = stream else { continue };
                stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
                match &tls {
                    None => serve(&mut stream, &answer, &heard),
                    Some(config) => {
                        let session = rustls::ServerConnection::new(Arc::clone(config)).unwrap();
                        serve(&mut rustls::StreamOwned::new(session, stream), &answer, &heard);
                    }
                }
            }
        });
        Self { port, asked }
    }

    fn count(&self) -> usize {
        self.asked.lock().unwrap().len()
    }

    fn wait_for(&self, count: usize) {
        wait_until("the address is asked for", PATIENCE, || self.count() >= count);
    }
}

fn serve(stream: &mut (impl Read + Write), answer: &str, heard: &Mutex<Vec<String>>) {
    let mut request = Vec::new();
    let mut buffer = [0; 1024];
    while !request.windows(4).any(|four| four == b"\r\n\r\n") {
        match stream.read(&mut buffer) {
            Ok(n) if n > 0 => request.extend_from_slice(&buffer[..n]),
            _ => return,
        }
    }
    heard.lock().unwrap().push(String::from_utf8_lossy(&request).into_owned());
    // Whoever has its answer may hang up.
    let _ = stream.write_all(answer.as_bytes());
    let _ = stream.flush();
}

/// A daemon that asks for `address` every second.
fn daemon(port: u16, address: &str, lines: &str) -> Daemon {
    let daemon = Daemon::new(port, "", 1);
    let mut text = std::fs::read_to_string(daemon.settings()).unwrap();
    text += &format!("\n[sign-of-life]\nevery = \"1 s\"\n{lines}\n");
    if !address.is_empty() {
        std::fs::write(daemon.folder.path().join("address"), address).unwrap();
        text += "url-file = \"address\"\n";
    }
    std::fs::write(daemon.settings(), text).unwrap();
    daemon
}

fn warnings(daemon: &Daemon) -> Vec<String> {
    let log = daemon.log();
    log.lines()
        .filter(|line| line.contains("WARN") && line.contains("[sign-of-life]"))
        .map(str::to_owned)
        .collect()
}

#[test]
fn the_address_is_asked_for_at_a_steady_pace_and_hears_nothing_of_the_garden() {
    let Some(broker) = Mosquitto::start("") else { return };
    let web = Web::new(WELL.to_owned(), None);
    let mut daemon = daemon(broker.port, &format!("http://127.0.0.1:{}/my-secret?bed=1", web.port), "");
    daemon.loud = true;
    daemon.start();
    web.wait_for(3);
    let asked = web.asked.lock().unwrap().clone();
    let wanted = format!("GET /my-secret?bed=1 HTTP/1.1\r\nhost: 127.0.0.1:{}\r\n\r\n", web.port);
    assert!(asked.iter().all(|request| *request == wanted), "{asked:?}");
    assert!(daemon.stop().success());
    assert!(!daemon.log().contains("my-secret"), "{}", daemon.log());
    assert!(daemon.log().contains("takes our sign"));
}

/// Another connection holds the file, so that nothing can be written; readings wait. When it lets go all is well again.
#[test]
fn nobody_is_asked_while_the_store_cannot_be_written() {
    let Some(broker) = Mosquitto::start("") else { return };
    let web = Web::new(WELL.to_owned(), None);
    let mut daemon = daemon(broker.port, &format!("http://127.0.0.1:{}/", web.port), "at-broker = \"on\"");
    daemon.start();
    let ear = Ear::new("ear", broker.port);
    web.wait_for(1);
    ear.wait_for("rindwatch/hill-patch/state", "online");
    let held = rusqlite::Connection::open(daemon.data().join(rindwatch::store::FILE_NAME)).unwrap();
    held.execute_batch("BEGIN IMMEDIATE").unwrap();
    publish(broker.port, vec![timed(1, two_hours_ago_ms(), 18.0)]);
    ear.wait_for("rindwatch/hill-patch/state", "offline");
    assert!(
        ear.last("rindwatch/hill-patch/status").contains(r#""well":false,"wrong":""#),
        "{}",
        ear.last("rindwatch/hill-patch/status")
    );
    let before = web.count();
    std::thread::sleep(SILENCE);
    assert_eq!(web.count(), before, "asked though the store cannot be written");
    held.execute_batch("ROLLBACK").unwrap();
    web.wait_for(before + 1);
    ear.wait_for("rindwatch/hill-patch/state", "online");
    assert_eq!(daemon.stored(), 1);
    assert!(daemon.stop().success());
}

/// The core's thread alone is stopped, as a disk that never answers would stop it; all others run on.
#[test]
fn nobody_is_asked_while_the_core_is_stuck() {
    const STOP: &str = "
import ctypes, sys
libc = ctypes.CDLL(None, use_errno=True)
libc.ptrace.argtypes = [ctypes.c_long] * 4
thread = int(sys.argv[1])
# PTRACE_SEIZE and PTRACE_INTERRUPT stop one thread; it goes on when this program ends.
if libc.ptrace(0x4206, thread, 0, 0) != 0 or libc.ptrace(0x4207, thread, 0, 0) != 0:
    print('no', flush=True)
else:
    print('stopped', flush=True)
sys.stdin.read()
";
    let Some(python) = std::env::var_os("RINDWATCH_PYTHON") else {
        eprintln!("LEFT OUT: RINDWATCH_PYTHON names no Python, the core's thread is not stopped");
        return;
    };
    let Some(broker) = Mosquitto::start("") else { return };
    let web = Web::new(WELL.to_owned(), None);
    let mut daemon = daemon(broker.port, &format!("http://127.0.0.1:{}/", web.port), "at-broker = \"on\"");
    daemon.start();
    let ear = Ear::new("ear", broker.port);
    web.wait_for(1);
    let mut command = std::process::Command::new(python);
    command.arg("-c").arg(STOP).arg(core_of(daemon.id()).to_string());
    command.stdin(std::process::Stdio::piped()).stdout(std::process::Stdio::piped());
    let mut tracer = command.spawn().unwrap();
    let mut said = String::new();
    std::io::BufRead::read_line(&mut std::io::BufReader::new(tracer.stdout.take().unwrap()), &mut said)
        .unwrap();
    if said.trim() != "stopped" {
        eprintln!("LEFT OUT: this system lets nobody stop a thread of another program");
        drop(tracer.stdin.take());
        tracer.wait().unwrap();
        return;
    }
    ear.wait_for("rindwatch/hill-patch/state", "offline");
    assert!(ear.last("rindwatch/hill-patch/status").contains(r#""wrong":"core""#));
    let before = web.count();
    std::thread::sleep(SILENCE);
    assert_eq!(web.count(), before, "asked though the core is stuck");
    drop(tracer.stdin.take());
    tracer.wait().unwrap();
    web.wait_for(before + 1);
    ear.wait_for("rindwatch/hill-patch/state", "online");
    assert!(daemon.stop().success());
}

fn core_of(id: u32) -> u32 {
    let tasks = std::fs::read_dir(format!("/proc/{id}/task")).unwrap();
    let is_core =
        |path: &Path| std::fs::read_to_string(path.join("comm")).is_ok_and(|name| name.trim() == "core");
    let core = tasks.flatten().map(|task| task.path()).find(|path| is_core(path)).unwrap();
    core.file_name().unwrap().to_str().unwrap().parse().unwrap()
}

#[test]
fn an_address_behind_tls_is_asked_for_only_with_a_good_certificate() {
    let Some(broker) = Mosquitto::start("") else { return };
    let papers = Certificates::made("127.0.0.1", Holds::Now);
    let others = Certificates::made("elsewhere.example.org", Holds::Now);
    let gone = Certificates::made("127.0.0.1", Holds::NoMore);
    let trusted = |papers: &Certificates| format!("ca-file = \"{}\"", papers.file("authority.pem").display());
    for (shown, lines, words) in [
        (&papers, trusted(&papers), None),
        (&papers, String::new(), Some("(UnknownIssuer)")),
        (&others, trusted(&others), Some("(NotValidForName")),
        (&gone, trusted(&gone), Some("(Expired")),
    ] {
        let web = Web::new(WELL.to_owned(), Some(shown));
        let mut daemon = daemon(broker.port, &format!("https://127.0.0.1:{}/my-secret", web.port), &lines);
        daemon.start();
        match words {
            None => web.wait_for(2),
            Some(words) => {
                wait_until("it is said", PATIENCE, || !warnings(&daemon).is_empty());
                std::thread::sleep(Duration::from_secs(2));
                let said = warnings(&daemon);
                assert!(said.len() == 1 && said[0].contains(words), "once, not with each beat: {said:?}");
                assert_eq!(web.count(), 0);
            }
        }
        assert!(daemon.stop().success());
        assert!(!daemon.log().contains("my-secret"));
    }
}

#[test]
fn no_redirect_is_followed_and_a_refusal_is_said_once() {
    let Some(broker) = Mosquitto::start("") else { return };
    let elsewhere = Web::new(WELL.to_owned(), None);
    let sent_on = format!("HTTP/1.1 302 Found\r\nLocation: http://127.0.0.1:{}/\r\n\r\n", elsewhere.port);
    for (answer, words) in [
        (sent_on.as_str(), "it answers 302; it sends us elsewhere"),
        ("HTTP/1.1 500 No\r\n\r\n", "it answers 500"),
        ("not a web server\r\n", "its answer is no HTTP"),
        ("", "it hangs up"),
    ] {
        let web = Web::new(answer.to_owned(), None);
        let mut daemon = daemon(broker.port, &format!("http://127.0.0.1:{}/my-secret", web.port), "");
        daemon.start();
        web.wait_for(2);
        wait_until("it is said", PATIENCE, || !warnings(&daemon).is_empty());
        let said = warnings(&daemon);
        assert!(said.len() == 1 && said[0].contains(words), "{said:?}");
        assert!(daemon.stop().success());
        assert!(!daemon.log().contains("my-secret"));
    }
    assert_eq!(elsewhere.count(), 0);
}

/// Hears our own topics and keeps the last word in each.
struct Ear {
    heard: Arc<Mutex<BTreeMap<String, String>>>,
}

impl Ear {
    fn new(name: &'static str, port: u16) -> Self {
        let heard = Arc::new(Mutex::new(BTreeMap::new()));
        let kept = Arc::clone(&heard);
        // Ends with the test's process, or with the broker.
        std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let options = MqttOptions::new(name, "127.0.0.1", port);
                let (client, mut eventloop) = AsyncClient::new(options, 10);
                client.try_subscribe("rindwatch/#", QoS::AtLeastOnce).unwrap();
                while let Ok(event) = eventloop.poll().await {
                    if let Event::Incoming(Packet::Publish(said)) = event {
                        let words = String::from_utf8_lossy(&said.payload).into_owned();
                        kept.lock().unwrap().insert(said.topic, words);
                    }
                }
            });
        });
        Self { heard }
    }

    fn last(&self, topic: &str) -> String {
        self.heard.lock().unwrap().get(topic).cloned().unwrap_or_default()
    }

    fn wait_for(&self, topic: &str, words: &str) {
        wait_until(words, PATIENCE, || self.last(topic) == words);
    }
}

/// Whoever comes later hears it too (it is kept), and a death of any kind is told by the broker itself.
#[test]
fn the_broker_says_that_we_are_there_and_that_we_are_gone() {
    const STATE: &str = "rindwatch/hill-patch/state";
    for version in ["5", "3.1.1"] {
        let Some(broker) = Mosquitto::start("") else { return };
        let mut daemon = daemon(broker.port, "", "at-broker = \"on\"");
        let text = std::fs::read_to_string(daemon.settings()).unwrap();
        let text = text.replace("[broker]", &format!("[broker]\noverhear = \"#\"\nversion = \"{version}\""));
        std::fs::write(daemon.settings(), text).unwrap();
        daemon.start();
        let ear = Ear::new("ear", broker.port);
        ear.wait_for(STATE, "online");
        // On a busy machine a beat may miss its second.
        let well = || ear.last("rindwatch/hill-patch/status").contains(r#""well":true"#);
        wait_until("its status", PATIENCE, well);
        let status: serde_json::Value =
            serde_json::from_str(&ear.last("rindwatch/hill-patch/status")).unwrap();
        assert_eq!(
            (&status["well"], &status["wrong"], &status["every-s"]),
            (&true.into(), &serde_json::Value::Null, &1.into())
        );
        assert!(status["at"].as_str().is_some_and(|at| at.ends_with('Z')), "{status}");
        daemon.kill();
        ear.wait_for(STATE, "offline");
        daemon.start();
        ear.wait_for(STATE, "online");
        let late = Ear::new("late", broker.port);
        late.wait_for(STATE, "online");
        // What we say there ourselves is no stranger.
        let strangers = daemon.status().unknown_topics;
        assert!(strangers.is_empty(), "{strangers:?}");
        assert!(daemon.stop().success());
        ear.wait_for(STATE, "offline");
    }
}
