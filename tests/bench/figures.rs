//! The release figures, each with its ceiling: `cargo bench --features test-clock`.
//!
//! Rates of messages a second are bounded by the broker, so ingest is held by our processor time a
//! message, beside a subscriber of the same client library that only counts. Ends with 1 if a figure is
//! past its ceiling.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a bench may stop where it stands

#[allow(dead_code)] // each binary uses its part
#[path = "../support/child.rs"]
mod child;
#[allow(dead_code)] // each binary uses its part
#[path = "../support/mosquitto.rs"]
mod mosquitto;
#[allow(dead_code)] // each binary uses its part
#[path = "../support/publisher.rs"]
mod publisher;

mod bare;
mod bed_day;
mod garden;
mod ingest;
mod process;
mod replay;

use std::process::ExitCode;

/// One figure against its ceiling or floor.
pub(crate) struct Figure {
    pub(crate) what: &'static str,
    pub(crate) value: f64,
    pub(crate) unit: &'static str,
    /// The most (`Ok`) or the least (`Err`) it may be; `None` = for comparison only.
    pub(crate) bound: Option<Result<f64, f64>>,
}

impl Figure {
    fn holds(&self) -> bool {
        match self.bound {
            None => true,
            Some(Ok(most)) => self.value <= most,
            Some(Err(least)) => self.value >= least,
        }
    }
}

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if let [role, port, count] = words.as_slice()
        && role == bare::ROLE
    {
        bare::subscribe(port.parse().unwrap(), count.parse().unwrap());
        return ExitCode::SUCCESS;
    }
    let mut figures = bed_day::figures();
    figures.extend(replay::figures());
    match ingest::figures() {
        Some(more) => figures.extend(more),
        None => println!("left out: ingest, memory and start (no mosquitto here)"),
    }
    println!();
    for Figure { what, value, unit, bound } in &figures {
        let bound = match bound {
            None => String::new(),
            Some(Ok(most)) => format!("at most {most}"),
            Some(Err(least)) => format!("at least {least}"),
        };
        println!("{what:<58} {value:>12.1} {unit:<10} {bound}");
    }
    let past: Vec<&Figure> = figures.iter().filter(|figure| !figure.holds()).collect();
    for figure in &past {
        println!("PAST ITS BOUND: {}", figure.what);
    }
    if past.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
