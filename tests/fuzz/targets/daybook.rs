#![no_main]
#![allow(clippy::unwrap_used, clippy::panic)] // a broken claim ends the run

#[path = "../claims/daybook.rs"]
mod daybook;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| daybook::hold(bytes));
