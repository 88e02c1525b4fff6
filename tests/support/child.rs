//! A child process that is ended, by its id, whatever becomes of the test.

use std::process::{Child, Command, ExitStatus};
use std::time::Duration;

/// A running child.
pub struct Running(Child);

impl Running {
    pub fn start(command: &mut Command) -> Self {
        Self(command.spawn().unwrap_or_else(|error| panic!("{command:?}: {error}")))
    }

    pub fn id(&self) -> u32 {
        self.0.id()
    }

    /// What it writes, where that is piped.
    pub fn stdout(&mut self) -> std::process::ChildStdout {
        self.0.stdout.take().unwrap()
    }

    /// Sends a signal by its name: TERM, KILL, STOP, CONT.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill").arg(format!("-{name}")).arg(self.id().to_string()).status().unwrap();
        assert!(sent.success(), "kill -{name} {}", self.id());
    }

    /// Kills it, and waits for its end.
    pub fn kill(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }

    /// Waits for its end at most so long; `None` = it still runs.
    pub fn wait(&mut self, patience: Duration) -> Option<ExitStatus> {
        let steps = patience.as_millis() / 10;
        for _ in 0..=steps {
            if let Some(status) = self.0.try_wait().unwrap() {
                return Some(status);
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        None
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Waits until `true`, at most `patience`; panics with `what` else.
pub fn wait_until(what: &str, patience: Duration, mut holds: impl FnMut() -> bool) {
    for _ in 0..=patience.as_millis() / 20 {
        if holds() {
            return;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    panic!("waited {patience:?} in vain until {what}");
}

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}
