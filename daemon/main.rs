//! The program `rindwatch`: arguments to a command, its outcome to an exit code. Nothing else.

use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use clap::Parser;
use rindwatch::commands::{Cli, Exit, Failure};
use tracing_subscriber::EnvFilter;

fn main() -> ExitCode {
    // Wrong usage ends here, with code 2.
    let cli = Cli::parse();
    log_to_stderr();
    match cli.command.main() {
        Ok(Exit::Done) => ExitCode::SUCCESS,
        Ok(Exit::PartsLeftOut) => ExitCode::from(3),
        Err(Failure::Said(code)) => ExitCode::from(code),
        Err(failure) => {
            // Nobody reads it? The code still tells.
            let _ = writeln!(std::io::stderr(), "rindwatch: {failure}");
            ExitCode::from(failure.code())
        }
    }
}

/// One line an event on standard error; `RINDWATCH_LOG` filters (`info` unless told). The journal adds
/// its own times, a terminal gets colours.
fn log_to_stderr() {
    let filter = EnvFilter::try_from_env("RINDWATCH_LOG")
        .unwrap_or_else(|_| EnvFilter::new("info,rumqttc=error,lettre=warn"));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false);
    // A second subscriber cannot be there already; if it is, it logs.
    let _ = if std::env::var_os("JOURNAL_STREAM").is_some() {
        log.without_time().try_init()
    } else {
        log.try_init()
    };
}
