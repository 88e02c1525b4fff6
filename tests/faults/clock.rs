//! The clock of a board without a battery, moved under the built program by libfaketime: stuck at the last saved
//! hour, set at last, set back, a day ahead. The monotonic clock and the times of files stay the machine's.

use std::fs::{self, File};
use std::path::PathBuf;
use std::time::{Duration, UNIX_EPOCH};

use rindwatch::clock::Clock;
use rindwatch::rfc3339;

use crate::daemon::{Daemon, timed};
use crate::ends::with_mail;
use crate::mosquitto::Mosquitto;
use crate::publisher::{Post, publish};
use crate::smtp::{Papers, Server};

/// Ten seconds before a turn of the engine, at noon of the garden.
const NOON: &str = "2027-07-01T16:59:50Z";
const DAY_MS: i64 = 86_400_000;

/// A clock that a test moves, and the file under `/run` by which the machine says that it is right.
struct Moved {
    library: PathBuf,
    offset: PathBuf,
    run: PathBuf,
    /// What lies between the true time and the machine's.
    true_offset_ms: i64,
}

impl Moved {
    /// `None` without the library or root, which is said.
    fn new(folder: &std::path::Path) -> Option<Self> {
        let Some(library) = std::env::var_os("RINDWATCH_FAKETIME") else {
            eprintln!("LEFT OUT: no libfaketime here (RINDWATCH_FAKETIME names it)");
            return None;
        };
        let run = PathBuf::from(format!("/run/rindwatch-test-{}", std::process::id()));
        if fs::create_dir_all(&run).is_err() {
            eprintln!("LEFT OUT: /run cannot be written (needs root)");
            return None;
        }
        let noon_ms = rfc3339::parse(NOON).unwrap();
        let true_offset_ms = noon_ms - Clock::real().wall_ms();
        Some(Self { library: library.into(), offset: folder.join("offset"), run, true_offset_ms })
    }

    fn set_file(&self) -> PathBuf {
        self.run.join("clock-is-set")
    }

    /// The true time of now.
    fn now_ms(&self) -> i64 {
        Clock::real().wall_ms() + self.true_offset_ms
    }

    /// The daemon's system clock goes wrong by so much.
    fn wrong_by(&self, ms: i64) {
        let seconds = (self.true_offset_ms + ms) as f64 / 1000.0;
        // Read at each call, so it must never be seen half-written.
        let new = self.offset.with_extension("new");
        fs::write(&new, format!("{seconds:+.3}\n")).unwrap();
        fs::rename(new, &self.offset).unwrap();
    }

    /// The machine says that its clock, wrong by so much, was set just now.
    fn say_set(&self, wrong_by_ms: i64) {
        let at_ms = u64::try_from(self.now_ms() + wrong_by_ms).unwrap();
        let file = File::create(self.set_file()).unwrap();
        file.set_modified(UNIX_EPOCH + Duration::from_millis(at_ms)).unwrap();
    }

    fn start(&self, daemon: &mut Daemon) {
        let mut command = daemon.command("run");
        command
            .env("LD_PRELOAD", &self.library)
            .env("FAKETIME_TIMESTAMP_FILE", &self.offset)
            .env("FAKETIME_NO_CACHE", "1")
            .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
            .env("NO_FAKE_STAT", "1")
            .env("TZ", "UTC");
        daemon.start_as(command);
        daemon.wait_for("the broker is connected", |status| status.broker.is_none());
    }
}

impl Drop for Moved {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.run);
    }
}

/// Times of the stored readings of topic `bare`.
fn times(daemon: &Daemon) -> Vec<i64> {
    daemon.readings_of("bare").iter().map(|kept| kept.at_ms).collect()
}

fn letters(daemon: &Daemon) -> usize {
    daemon.reader().recent_letters(u32::MAX).unwrap().len()
}

/// Readings under times of their own; what is held is none.
fn readings(daemon: &Daemon) -> u64 {
    let of_bed = (0..crate::daemon::PROBES).map(|n| daemon.readings(n).len()).sum::<usize>();
    (of_bed + daemon.readings_of("bare").len()) as u64
}

fn nothing_closed_or_told(daemon: &Daemon) {
    assert_eq!(letters(daemon), 0);
    assert_eq!(daemon.reader().matters(i64::MIN, i64::MAX).unwrap().len(), 0);
    assert_eq!(readings(daemon), 0, "what is held is no reading yet");
}

#[test]
fn a_board_without_a_battery_holds_all_until_its_clock_is_set() {
    let Some(broker) = Mosquitto::start("") else { return };
    let papers = Papers::made("127.0.0.1");
    let folder = tempfile::tempdir().unwrap();
    let Some(moved) = Moved::new(folder.path()) else { return };
    let mut mail = Server::keeping(&papers, folder.path());
    let mut daemon = with_mail(broker.port, mail.port, &papers);
    let text = fs::read_to_string(daemon.settings()).unwrap();
    let clock = format!("set-file = {:?}", moved.set_file());
    fs::write(daemon.settings(), text.replace("kept-by = \"host\"", &clock)).unwrap();

    // Stuck at the last saved hour: three days behind, and running from there.
    moved.wrong_by(-3 * DAY_MS);
    moved.start(&mut daemon);
    assert!(!daemon.status().clock_trusted, "{}", daemon.status().clock);
    let sent_ms = moved.now_ms();
    let mut posts: Vec<_> = (0..4).map(|n| Post::new("bare", format!("{}", 18.0 + f64::from(n)))).collect();
    // A probe that says impossible things: once the time is known it is one letter.
    posts.extend((0..3).map(|n| timed(1, sent_ms - 1000 * (n + 1), 99.0)));
    posts.extend([0, 2, 3, 4].map(|n| timed(n, sent_ms - 500, 18.0)));
    let count = posts.len() as u64;
    publish(broker.port, posts);
    daemon.wait_for_settled(count);
    let came_ms = moved.now_ms();
    std::thread::sleep(Duration::from_secs(2));
    nothing_closed_or_told(&daemon);
    // Held through a kill as well.
    daemon.kill();
    moved.start(&mut daemon);
    std::thread::sleep(Duration::from_millis(500));
    nothing_closed_or_told(&daemon);

    // The clock is set, and the machine says so.
    moved.wrong_by(0);
    moved.say_set(0);
    daemon.wait_for("the time is known", |status| status.clock_trusted);
    daemon.wait_for("what was held is stored", |_| readings(&daemon) == count);
    let at = times(&daemon);
    assert_eq!(at.len(), 4);
    let about = sent_ms - 2000..=came_ms + 2000;
    assert!(at.iter().all(|ms| about.contains(ms)), "true times, not three days ago: {at:?} in {about:?}");
    daemon.wait_for("the probe is told of", |status| letters(&daemon) > 0 && status.letters_waiting == 0);

    // Set back an hour, and nobody says that this is right: what comes waits, nothing is told.
    moved.wrong_by(-3_600_000);
    daemon.wait_for("the jump is seen", |status| !status.clock_trusted);
    publish(broker.port, vec![Post::new("bare", "25.0")]);
    daemon.wait_for_settled(1);
    assert_eq!(readings(&daemon), count);
    moved.wrong_by(0);
    moved.say_set(0);
    daemon.wait_for("the time is known again", |status| status.clock_trusted);
    daemon.wait_for("what was held is stored", |_| readings(&daemon) == count + 1);
    let last = daemon.readings_of("bare").pop().unwrap();
    assert!(last.value == 25.0 && (last.at_ms - moved.now_ms()).abs() < 60_000, "{last:?}");

    // A leap of a day, with the machine's word for it: days close, and nothing of them is told again.
    moved.wrong_by(DAY_MS);
    moved.say_set(DAY_MS);
    publish(broker.port, vec![Post::new("bare", "26.0")]);
    daemon.wait_for("the message of after it is stored", |_| readings(&daemon) == count + 2);
    assert!(daemon.status().clock_trusted);
    let last = daemon.readings_of("bare").pop().unwrap();
    assert!((last.at_ms - moved.now_ms() - DAY_MS).abs() < 60_000, "{last:?}");
    std::thread::sleep(Duration::from_secs(7));
    assert_eq!(letters(&daemon), 1, "one letter in all");
    assert!(daemon.stop().success());
    let took = mail.end().iter().filter(|line| line.starts_with("took ")).count();
    assert_eq!(took, 1, "and the mail server has it once");
}
