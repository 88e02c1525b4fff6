//! The built program against a real mosquitto: what is acknowledged is stored, what goes wrong is said in
//! one line, and what still works goes on.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[path = "support/certificates.rs"]
mod certificates;
#[allow(dead_code)] // each binary uses its part
#[path = "support/child.rs"]
mod child;
#[allow(dead_code)] // each binary uses its part
#[path = "support/daemon.rs"]
mod daemon;
#[allow(dead_code)] // each binary uses its part
#[path = "support/mosquitto.rs"]
mod mosquitto;
#[allow(dead_code)] // each binary uses its part
#[path = "support/publisher.rs"]
mod publisher;
#[allow(dead_code)] // each binary uses its part
#[path = "support/smtp/mod.rs"]
mod smtp;

#[path = "binary/commands.rs"]
mod commands;
#[path = "binary/deploy.rs"]
mod deploy;
#[path = "binary/faults.rs"]
mod faults;
#[path = "binary/flood.rs"]
mod flood;
#[path = "binary/good_path.rs"]
mod good_path;
#[path = "binary/keeping.rs"]
mod keeping;
#[path = "binary/kills.rs"]
mod kills;
#[path = "binary/lines.rs"]
mod lines;
#[path = "binary/more_traps.rs"]
mod more_traps;
#[path = "binary/signs.rs"]
mod signs;
#[path = "binary/strangers.rs"]
mod strangers;
#[path = "binary/tls.rs"]
mod tls;
#[path = "binary/traps.rs"]
mod traps;
#[path = "binary/wills.rs"]
mod wills;
