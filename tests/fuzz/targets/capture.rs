#![no_main]
#![allow(clippy::unwrap_used, clippy::panic)] // a broken claim ends the run

#[path = "../claims/capture.rs"]
mod capture;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| capture::hold(bytes));
