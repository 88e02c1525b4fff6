//! The program `rindwatch`: arguments to a command, its outcome to an exit code. Nothing else.

use std::io::{self, Write};
use std::process::ExitCode;

use clap::Parser;
use rindwatch::commands::{Cli, Exit, Failure, one_line};
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

/// One line an event on standard error; `RINDWATCH_LOG` filters (`info` unless told). The journal adds its own
/// times.
fn log_to_stderr() {
    let filter = EnvFilter::try_from_env("RINDWATCH_LOG")
        .unwrap_or_else(|_| EnvFilter::new("info,rumqttc=error,lettre=warn"));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(|| OneLine(io::stderr()))
        .with_ansi(false)
        .with_target(false);
    // A second subscriber cannot be there already; if it is, it logs.
    let _ = if std::env::var_os("JOURNAL_STREAM").is_some() {
        log.without_time().try_init()
    } else {
        log.try_init()
    };
}

/// Takes one event at a time and makes it one line.
struct OneLine<W>(W);

impl<W: Write> Write for OneLine<W> {
    fn write(&mut self, event: &[u8]) -> io::Result<usize> {
        let mut line = one_line(String::from_utf8_lossy(event).trim_end_matches('\n'));
        line.push('\n');
        self.0.write_all(line.as_bytes())?;
        Ok(event.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test may stop where it stands
    use super::*;

    #[test]
    fn an_event_is_one_line_whatever_is_in_it() {
        let mut log = OneLine(Vec::new());
        log.write_all("WARN bad topic=a\nERROR forged\r\u{1b}[2J\u{9b}m\u{202e}\u{2028}\t°C\n".as_bytes())
            .unwrap();
        log.write_all(b"INFO not UTF-8: \xff\x1b\n").unwrap();
        assert_eq!(
            String::from_utf8(log.0).unwrap(),
            "WARN bad topic=a\\u{a}ERROR forged\\u{d}\\u{1b}[2J\\u{9b}m\\u{202e}\\u{2028}\\u{9}°C\n\
             INFO not UTF-8: \u{fffd}\\u{1b}\n"
        );
    }
}
