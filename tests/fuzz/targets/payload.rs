#![no_main]
#![allow(clippy::unwrap_used, clippy::panic)] // a broken claim ends the run

#[path = "../claims/payload.rs"]
mod payload;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| payload::hold_in_turn(bytes));
