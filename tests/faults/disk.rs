//! The disk under the store: full, limited, gone read-only. Nothing is acknowledged meanwhile, `status` says why,
//! and afterwards all of it arrives, once.

use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::Command;

use crate::card::Card;
use crate::daemon::{Daemon, PROBES, timed};
use crate::mosquitto::Mosquitto;
use crate::publisher::{Post, publish};
use crate::{all_stored, may_mount};

/// A small file system of its own on the daemon's data folder; unmounted with the test.
pub struct Small<'a>(&'a Path);

impl<'a> Small<'a> {
    pub fn mount(place: &'a Path, kib: u32) -> Self {
        fs::create_dir(place).unwrap();
        let size = format!("size={kib}k");
        let done =
            Command::new("mount").args(["-t", "tmpfs", "-o", &size, "none"]).arg(place).status().unwrap();
        assert!(done.success());
        Self(place)
    }

    /// Fills what is left; the file that does it.
    pub fn fill(&self) -> std::path::PathBuf {
        let path = self.0.join("full");
        let mut file = fs::File::create(&path).unwrap();
        let mut piece = 65_536;
        while piece > 0 {
            if file.write_all(&vec![7; piece]).is_err() {
                piece /= 2;
            }
        }
        path
    }
}

impl Drop for Small<'_> {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("--lazy").arg(self.0).status();
    }
}

pub fn row(begin_ms: i64, from: usize, to: usize) -> Vec<Post> {
    (from..to).map(|n| timed(n % PROBES, begin_ms + (n / PROBES) as i64, (n % 400) as f64 / 10.0)).collect()
}

/// Publishes from message `from` on until a fault of the store is told; how many there are then in all. The log of the
/// store is laid out in advance, so it takes some.
pub fn publish_until_told(daemon: &Daemon, broker: &Mosquitto, begin_ms: i64, from: usize) -> usize {
    for to in (from + 2000..from + 60_000).step_by(2000) {
        publish(broker.port, row(begin_ms, to - 2000, to));
        daemon.wait_for("all is settled, or told why not", |status| {
            status.store.is_some() || status.counts.settled >= to as u64
        });
        if daemon.status().store.is_some() {
            return to;
        }
    }
    panic!("60,000 messages fill it not: {:?}", daemon.status());
}

/// Publishes until the store's fault is told, in these words; then not all is settled.
fn fault_is_told(daemon: &Daemon, broker: &Mosquitto, words: &str) -> u64 {
    let to = publish_until_told(daemon, broker, begin_ms(daemon), 100) as u64;
    let status = daemon.status();
    assert!(status.store.as_ref().is_some_and(|told| told.contains(words)), "{:?}", status.store);
    assert!(status.counts.settled < to, "what is not stored is not acknowledged");
    to
}

fn all_is_there(daemon: &Daemon, wanted: u64) {
    daemon.wait_for("the store is good again", |status| status.store.is_none());
    all_stored(daemon, wanted);
}

/// The same begin for all rows of one daemon.
fn begin_ms(daemon: &Daemon) -> i64 {
    let made = fs::metadata(daemon.settings()).unwrap().modified().unwrap();
    made.duration_since(std::time::UNIX_EPOCH).unwrap().as_millis() as i64 - 7_200_000
}

#[test]
fn a_full_disk_is_told_and_all_comes_once_there_is_room() {
    if !may_mount() {
        return;
    }
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    let data = daemon.data();
    let small = Small::mount(&data, 12_288);
    daemon.start();
    publish(broker.port, row(begin_ms(&daemon), 0, 100));
    daemon.wait_for_settled(100);
    let full = small.fill();
    let sent = fault_is_told(&daemon, &broker, "the disk is full");
    let refused = daemon.once("jot", &["watered", "long", "3", "cans"]);
    assert!(!refused.status.success(), "a line that is not kept is not said to be kept");
    fs::remove_file(full).unwrap();
    all_is_there(&daemon, sent);
    let mut log = daemon.log();
    log.retain(|c| c != '\u{1b}');
    assert_eq!(
        log.lines().filter(|line| line.contains("ERROR")).count(),
        1,
        "one line for the fault:\n{log}"
    );
    assert!(daemon.stop().success());
}

/// A write past `ulimit -f` raises SIGXFSZ, which ends whoever does not listen.
#[test]
fn a_limit_on_file_size_is_a_write_that_fails_and_no_end() {
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    daemon.start();
    publish(broker.port, row(begin_ms(&daemon), 0, 100));
    daemon.wait_for_settled(100);
    let limit = |bytes: &str| {
        let id = daemon.id().to_string();
        let done =
            Command::new("prlimit").args(["--pid", &id, &format!("--fsize={bytes}:")]).output().unwrap();
        assert!(done.status.success(), "{done:?}");
    };
    // Inside the log, which has its whole length already: past its end a commit reached the limit by luck alone, since
    // the log begins anew at a thousand pages.
    limit("1000000");
    let sent = fault_is_told(&daemon, &broker, "the disk reports an error");
    limit("unlimited");
    all_is_there(&daemon, sent);
    assert!(daemon.stop().success());
}

/// A card that fails goes read-only under the daemon. It says so, ends when told, and after the card was looked
/// over all comes again.
#[test]
fn a_card_gone_read_only_is_told_and_nothing_is_lost_or_doubled() {
    if !may_mount() {
        return;
    }
    let Some(card) = Card::insert(24, "defaults") else { return };
    let Some(broker) = Mosquitto::start("") else { return };
    let mut daemon = Daemon::new(broker.port, "", 1);
    std::os::unix::fs::symlink(card.place(), daemon.data()).unwrap();
    daemon.start();
    publish(broker.port, row(begin_ms(&daemon), 0, 100));
    daemon.wait_for_settled(100);
    card.give_up();
    publish(broker.port, row(begin_ms(&daemon), 100, 400));
    daemon.wait_for("the fault is told", |status| status.store.is_some());
    let told = daemon.status().store.unwrap();
    assert!(told.contains("cannot be written") || told.contains("the disk reports an error"), "{told}");
    assert_eq!(daemon.stop().code(), Some(1), "it says that not all could be stored");
    // A start on such a card is one line that says what to do.
    let run = daemon.command("run").output().unwrap();
    let said = String::from_utf8_lossy(&run.stderr).into_owned();
    assert_eq!(run.status.code(), Some(1), "{said}");
    assert_eq!(said.lines().filter(|line| line.starts_with("rindwatch: ")).count(), 1, "{said}");
    card.again();
    daemon.start();
    all_is_there(&daemon, 400);
    assert!(daemon.stop().success());
}
