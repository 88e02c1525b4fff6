//! The built program among real parts that fail: wires, disks, clocks, and the walls its unit puts around it.
//!
//! What needs root (mounts, limits lifted from outside) or a library of Debian says that it is left out; the test
//! command, as root on Debian, leaves none out.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[allow(dead_code)] // each binary uses its part
#[path = "support/card.rs"]
mod card;
#[allow(dead_code)] // each binary uses its part
#[path = "support/child.rs"]
mod child;
#[allow(dead_code)] // each binary uses its part
#[path = "support/daemon.rs"]
mod daemon;
#[allow(dead_code)] // each binary uses its part
#[path = "support/mosquitto.rs"]
mod mosquitto;
#[path = "support/proxy.rs"]
mod proxy;
#[allow(dead_code)] // each binary uses its part
#[path = "support/publisher.rs"]
mod publisher;
#[allow(dead_code)] // each binary uses its part
#[path = "support/smtp/mod.rs"]
mod smtp;

#[path = "faults/clock.rs"]
mod clock;
#[path = "faults/disk.rs"]
mod disk;
#[path = "faults/ends.rs"]
mod ends;
#[path = "faults/torn.rs"]
mod torn;
#[path = "faults/unit.rs"]
mod unit;
#[path = "faults/wires.rs"]
mod wires;

use std::process::Command;

/// Whether mounts may be made here.
fn may_mount() -> bool {
    let may = Command::new("unshare").args(["-m", "true"]).output().is_ok_and(|done| done.status.success());
    if !may {
        eprintln!("LEFT OUT: no mounts here (needs root)");
    }
    may
}

/// Waits until so many readings are stored, and not one more.
fn all_stored(daemon: &daemon::Daemon, wanted: u64) {
    daemon.wait_for(&format!("{wanted} are stored"), |_| daemon.stored() >= wanted);
    assert_eq!(daemon.stored(), wanted, "nothing twice");
}
