//! The crate against the world: published libraries reckon thousands of made days and seasons beside it.
//!
//! Rust makes the questions with a seeded generator, a small script in `tests/oracles/` puts them to the library,
//! and the answers are compared here. Each comparison prints its worst difference, must hold within a stated
//! bound, and must turn red when one of our values is altered by little more than that bound ([`asked::prove`]).
//! `tests/run` makes the Python environment, every file of it by its hash (`tests/python/oracles.txt`), and names
//! it in `RINDWATCH_ORACLES`; without it these tests fail.
//!
//! Open data that others measured stands beside the made days (`open_data.rs`, `decades.rs`).
//!
//! Known faults of the libraries are kept out of the questions and named where they would bite.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test may stop where it stands

#[path = "oracles/air.rs"]
mod air;
#[path = "oracles/asked.rs"]
mod asked;
#[path = "oracles/decades.rs"]
mod decades;
#[path = "oracles/degree_days.rs"]
mod degree_days;
#[path = "oracles/made.rs"]
mod made;
#[path = "oracles/open_data.rs"]
mod open_data;
#[path = "oracles/profiles.rs"]
mod profiles;
#[path = "oracles/reference.rs"]
mod reference;
#[path = "oracles/seasons.rs"]
mod seasons;
#[path = "oracles/sun.rs"]
mod sun;
