//! Words to the service manager: ready, alive, stopping, and one line of status.
//!
//! The protocol is one datagram to the socket that `NOTIFY_SOCKET` names (sd_notify(3)); without the
//! variable nothing is sent.

use std::os::linux::net::SocketAddrExt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::time::Duration;

/// The line to the service manager, if there is one.
#[derive(Debug)]
pub struct Notify {
    to: Option<(UnixDatagram, SocketAddr)>,
}

impl Notify {
    /// Finds the service manager by the environment.
    pub fn from_env() -> Self {
        Self { to: find() }
    }

    /// The daemon does its work from now on.
    pub fn ready(&self) {
        self.send("READY=1");
    }

    /// The daemon is about to end.
    pub fn stopping(&self) {
        self.send("STOPPING=1");
    }

    /// The daemon is alive.
    pub fn alive(&self) {
        self.send("WATCHDOG=1");
    }

    /// One line for `systemctl status`.
    pub fn status(&self, words: &str) {
        self.send(&format!("STATUS={}", words.replace('\n', " ")));
    }

    fn send(&self, words: &str) {
        if let Some((socket, address)) = &self.to {
            // The manager may be gone or busy; neither is a reason to stop watching a garden.
            let _ = socket.send_to_addr(words.as_bytes(), address);
        }
    }
}

fn find() -> Option<(UnixDatagram, SocketAddr)> {
    let name = std::env::var_os("NOTIFY_SOCKET")?;
    let address = match name.as_bytes() {
        [b'@', rest @ ..] => SocketAddr::from_abstract_name(rest).ok()?,
        _ => SocketAddr::from_pathname(&name).ok()?,
    };
    let socket = UnixDatagram::unbound().ok()?;
    socket.set_nonblocking(true).ok()?;
    Some((socket, address))
}

/// How often the service manager wants to hear [`Notify::alive`], if at all.
pub fn watchdog() -> Option<Duration> {
    let micros: u64 = std::env::var("WATCHDOG_USEC").ok()?.parse().ok()?;
    (micros > 0).then(|| Duration::from_micros(micros))
}
