#![no_main]
#![allow(clippy::unwrap_used, clippy::panic)] // a broken claim ends the run

#[path = "../claims/settings.rs"]
mod settings;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| settings::hold(bytes));
