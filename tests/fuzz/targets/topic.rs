#![no_main]
#![allow(clippy::unwrap_used, clippy::panic)] // a broken claim ends the run

#[path = "../claims/topic.rs"]
mod topic;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| topic::hold(bytes));
