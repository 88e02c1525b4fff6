//! The file of the store destroyed under the running daemon: what it cannot keep it does not acknowledge, it ends
//! when told, the next start sets the damage aside, and the broker brings what was not acknowledged.

use std::fs::{self, File};
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;

use crate::daemon::Daemon;
use crate::disk::row;
use crate::mosquitto::Mosquitto;
use crate::publisher::publish;

fn truncate(data: &Path) {
    let file = File::options().write(true).open(data.join("rindwatch.db")).unwrap();
    let half = file.metadata().unwrap().len() / 2;
    file.set_len(half).unwrap();
}

fn garble(data: &Path) {
    let path = data.join("rindwatch.db");
    let length = fs::metadata(&path).unwrap().len();
    let mut file = File::options().write(true).open(path).unwrap();
    // All but the first page, so that it still looks like a database.
    file.seek(SeekFrom::Start(4096)).unwrap();
    file.write_all(&vec![0xA5; usize::try_from(length - 4096).unwrap()]).unwrap();
}

#[test]
fn a_store_torn_under_the_running_daemon_costs_nothing_that_was_not_acknowledged() {
    for tear in [truncate, garble] {
        let Some(broker) = Mosquitto::start("") else { return };
        let mut daemon = Daemon::new(broker.port, "", 1);
        daemon.start();
        let begin_ms = crate::daemon::two_hours_ago_ms();
        publish(broker.port, row(begin_ms, 0, 600));
        daemon.wait_for_settled(600);
        // Stopped and started, so that what is kept lies in the file itself and not in the log beside it.
        assert!(daemon.stop().success());
        daemon.start();
        tear(&daemon.data());
        publish(broker.port, row(begin_ms, 600, 1200));
        daemon.wait_for("it is stored, or told why not", |status| {
            status.store.is_some() || status.counts.settled >= 600
        });
        let acknowledged = daemon.status().counts.settled;
        let words = daemon.status().store;
        daemon.stop();
        daemon.start();
        daemon.wait_for("what was not acknowledged is there", |_| daemon.stored() >= 600 - acknowledged);
        println!("{acknowledged} of 600 acknowledged on the torn store; told: {words:?}");
        publish(broker.port, row(begin_ms, 1200, 1300));
        daemon.wait_for("and it goes on", |status| status.counts.settled >= 700 - acknowledged);
        assert!(daemon.status().store.is_none());
        assert!(daemon.stop().success());
    }
}
