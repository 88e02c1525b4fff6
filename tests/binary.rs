//! The built program against a real mosquitto: what is acknowledged is stored, what goes wrong is said in
//! one line, and what still works goes on.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[path = "support/child.rs"]
mod child;
#[path = "support/daemon.rs"]
mod daemon;
#[path = "support/mosquitto.rs"]
mod mosquitto;
#[path = "support/publisher.rs"]
mod publisher;

#[path = "binary/commands.rs"]
mod commands;
#[path = "binary/faults.rs"]
mod faults;
#[path = "binary/good_path.rs"]
mod good_path;
#[path = "binary/kills.rs"]
mod kills;
#[path = "binary/traps.rs"]
mod traps;
