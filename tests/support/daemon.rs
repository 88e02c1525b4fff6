//! The built daemon on a data folder of its own.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Output, Stdio};
use std::time::Duration;

use rindwatch::local::{self, Answer, Request, Status};
use rindwatch::settings::{self, garden::Garden};
use rindwatch::store::{Kept, Reader, Store};

use crate::child::{Running, wait_until};

/// Twelve probes that send their own times: `{"t": MILLISECONDS, "v": VALUE}` on `bed/N`.
pub const PROBES: usize = 12;

/// How long anything is waited for. It bounds a failure and measures nothing: on a machine with other work a start
/// may take seconds.
const PATIENCE: Duration = Duration::from_secs(90);

/// A garden's settings and data, and the daemon that may run on them.
pub struct Daemon {
    pub folder: tempfile::TempDir,
    /// It tells all that it can tell.
    pub loud: bool,
    running: Option<Running>,
}

impl Daemon {
    /// Settings with these lines in `[broker]` and this commit delay in seconds; nothing runs yet.
    pub fn new(port: u16, broker: &str, commit_delay_s: u32) -> Self {
        Self::with_settings(&settings_text(port, broker, commit_delay_s))
    }

    /// With settings of one's own; nothing runs yet. Where they say nothing of the clock it is believed: a machine
    /// that runs tests need have no time service.
    pub fn with_settings(text: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let clock = if text.contains("[clock]") { "" } else { "\n[clock]\nkept-by = \"host\"\n" };
        fs::write(folder.path().join("garden.toml"), format!("{text}{clock}")).unwrap();
        Self { folder, loud: false, running: None }
    }

    pub fn settings(&self) -> PathBuf {
        self.folder.path().join("garden.toml")
    }

    pub fn data(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    pub fn log(&self) -> String {
        fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// The command with settings and data, to be given more words.
    pub fn command(&self, name: &str) -> Command {
        command(name, &self.settings(), &self.data())
    }

    /// Runs a command to its end.
    pub fn once(&self, name: &str, words: &[&str]) -> Output {
        self.command(name).args(words).output().unwrap()
    }

    /// Runs a command that only needs the settings, and tells all it can.
    pub fn once_loud(&self, name: &str) -> Output {
        self.command(name).env("RINDWATCH_LOG", "trace").output().unwrap()
    }

    /// Its process.
    pub fn id(&self) -> u32 {
        self.running.as_ref().unwrap().id()
    }

    /// Starts the daemon and waits until it is connected.
    pub fn start(&mut self) {
        self.start_with(&[]);
        self.wait_for("the broker is connected", |status| status.broker.is_none());
    }

    /// Starts the daemon and waits until it answers.
    pub fn start_with(&mut self, words: &[&str]) {
        let mut command = self.command("run");
        command.args(words);
        self.start_as(command);
    }

    /// Starts it by a command of one's own, and waits until it answers.
    pub fn start_as(&mut self, mut command: Command) {
        let log = File::options().create(true).append(true).open(self.folder.path().join("log")).unwrap();
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
        command.env("RINDWATCH_LOG", if self.loud { "trace" } else { "info,rumqttc=error" });
        self.running = Some(Running::start(&mut command));
        wait_until("the daemon answers", PATIENCE, || self.ask(&Request::Status).is_some());
    }

    pub fn kill(&mut self) {
        if let Some(mut running) = self.running.take() {
            running.kill();
        }
    }

    /// Memory it holds, KiB.
    pub fn resident_kb(&self) -> i64 {
        let status =
            fs::read_to_string(format!("/proc/{}/status", self.running.as_ref().unwrap().id())).unwrap();
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
        line.trim().trim_end_matches("kB").trim().parse().unwrap()
    }

    /// Tells it to end, as a service manager does, and waits for that.
    pub fn stop(&mut self) -> ExitStatus {
        self.stop_within(PATIENCE)
    }

    /// As [`Daemon::stop`], where it matters how long it takes.
    pub fn stop_within(&mut self, patience: Duration) -> ExitStatus {
        let mut running = self.running.take().unwrap();
        running.signal("TERM");
        running.wait(patience).unwrap_or_else(|| panic!("the daemon has not ended after {patience:?}"))
    }

    pub fn ask(&self, request: &Request) -> Option<Answer> {
        local::ask(&self.data(), request, Duration::from_secs(60)).ok()
    }

    pub fn status(&self) -> Status {
        match self.ask(&Request::Status) {
            Some(Answer::Status(status)) => *status,
            other => panic!("no status but {other:?}; log:\n{}", self.log()),
        }
    }

    /// Waits until the status is as wanted.
    pub fn wait_for(&self, what: &str, mut holds: impl FnMut(&Status) -> bool) {
        let mut last = None;
        for _ in 0..PATIENCE.as_millis() / 20 {
            let status = self.status();
            if holds(&status) {
                return;
            }
            last = Some(status);
            std::thread::sleep(Duration::from_millis(20));
        }
        panic!("waited in vain until {what}; {last:#?}; log:\n{}", self.log());
    }

    /// Waits until so many messages are stored and acknowledged.
    pub fn wait_for_settled(&self, messages: u64) {
        self.wait_for(&format!("{messages} messages are settled"), |status| {
            status.counts.settled >= messages
        });
    }

    pub fn garden(&self) -> Garden {
        settings::read(&self.settings()).unwrap()
    }

    pub fn reader(&self) -> Reader {
        Store::open_to_read(&self.data()).unwrap()
    }

    /// All stored readings of the probe of topic `bed/N`, in the order of time.
    pub fn readings(&self, n: usize) -> Vec<Kept> {
        self.readings_of(&format!("bed/{n}"))
    }

    /// All stored readings of the probe of a topic, in the order of time.
    pub fn readings_of(&self, topic: &str) -> Vec<Kept> {
        let (garden, reader) = (self.garden(), self.reader());
        let probe = garden.probes.iter().find(|probe| probe.topic == topic).unwrap();
        match reader.series_of(probe).unwrap() {
            Some(series) => reader.raw(&series, i64::MIN, i64::MAX, u32::MAX).unwrap(),
            None => Vec::new(),
        }
    }

    /// Stored readings of all probes of the garden.
    pub fn stored(&self) -> u64 {
        self.reader().counts().unwrap().readings()
    }
}

/// A message of `bed/N` with its own time.
pub fn timed(n: usize, at_ms: i64, value: f64) -> crate::publisher::Post {
    crate::publisher::Post::new(&format!("bed/{n}"), format!(r#"{{"t": {at_ms}, "v": {value}}}"#))
}

/// A time two hours ago, so that payload times count up from there without coming into the future.
pub fn two_hours_ago_ms() -> i64 {
    rindwatch::clock::Clock::real().wall_ms() - 7_200_000
}

/// A command of the built program.
pub fn command(name: &str, settings: &Path, data: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_rindwatch"));
    command.arg(name).arg("--config").arg(settings).arg("--data").arg(data);
    command.env_remove("CREDENTIALS_DIRECTORY").env_remove("NOTIFY_SOCKET").env_remove("STATE_DIRECTORY");
    command
}

fn settings_text(port: u16, broker: &str, commit_delay_s: u32) -> String {
    let mut text = format!(
        r#"
[garden]
name = "hill-patch"
latitude = 44.5
longitude = -93.2
altitude = "290 m"
time-zone = "America/Chicago"
[people.grower]
address = "grower@example.org"
morning-note = false
[broker]
host = "127.0.0.1"
port = {port}
{broker}
[page]
listen = "off"
[store]
commit-delay = "{commit_delay_s} s"
[bed.long]
rooted = "7 m2"
soil = "loam"
crop = "giant-pumpkin"
planted = 2027-05-20
[probe.bare]
measures = "soil-temperature"
depth = "5 cm"
topic = "bare"
unit = "C"
[probe.dusty]
measures = "soil-temperature"
depth = "5 cm"
topic = "dusty"
unit = "C"
qos = 0
[probe.gauge]
measures = "rain"
topic = "gauge"
unit = "mm"
form = "counter"
"#
    );
    for n in 0..PROBES {
        text += &format!(
            r#"
[probe.p{n}]
measures = "soil-temperature"
depth = "10 cm"
topic = "bed/{n}"
unit = "C"
value = "/v"
time = "epoch-ms"
time-at = "/t"
"#
        );
    }
    text
}
