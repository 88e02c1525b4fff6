//! The demo: a broker, a mail server and a made season in one process with the real daemon, which hears
//! every hour by MQTT and mails as it would; a made grower follows the letters.
//!
//! `cargo run --release --example demo`

mod broker;
mod driver;
mod grower;
mod letter;
mod mail_sink;
#[allow(dead_code, unused_imports)] // the tests use more of it
mod season_maker;

use clap::Parser;

/// What went wrong; the demo says it and ends.
type Trouble = Box<dyn std::error::Error + Send + Sync>;

/// A made season through the real daemon, letters and all.
#[derive(Debug, Clone, Parser)]
#[command(name = "demo")]
pub struct Args {
    /// Another number, another season
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Hours of the season lived in one second; 0 = as fast as it goes
    #[arg(long, default_value_t = 0)]
    speed: u32,
    /// End after the summary instead of keeping the page open
    #[arg(long)]
    no_wait: bool,
}

fn main() -> std::process::ExitCode {
    match driver::live(&Args::parse()) {
        Ok(()) => std::process::ExitCode::SUCCESS,
        Err(trouble) => {
            eprintln!("demo: {trouble}");
            std::process::ExitCode::FAILURE
        }
    }
}
