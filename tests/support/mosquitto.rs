//! A real mosquitto on a free port of the loopback, with files of its own.

use std::fs;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::child::{Running, free_port, wait_until};

/// A mosquitto that is ended with the test.
pub struct Mosquitto {
    program: PathBuf,
    folder: tempfile::TempDir,
    pub port: u16,
    running: Option<Running>,
}

/// The program: `RINDWATCH_MOSQUITTO`, else from the PATH or the folders of servers.
pub fn program() -> Option<PathBuf> {
    if let Some(named) = std::env::var_os("RINDWATCH_MOSQUITTO") {
        return Some(PathBuf::from(named));
    }
    let path = std::env::var_os("PATH").unwrap_or_default();
    let folders = std::env::split_paths(&path).chain(["/usr/sbin".into(), "/usr/local/sbin".into()]);
    folders.map(|folder| folder.join("mosquitto")).find(|file| file.is_file())
}

impl Mosquitto {
    /// Starts one, with these lines beside the usual ones in its settings; `None` where there is none,
    /// which `tests/run` reports.
    pub fn start(lines: &str) -> Option<Self> {
        Self::with(lines, "log_type all")
    }

    /// As [`Mosquitto::start`], without a line in its log for each message.
    pub fn quiet(lines: &str) -> Option<Self> {
        Self::with(lines, "log_type error")
    }

    fn with(lines: &str, log: &str) -> Option<Self> {
        let Some(program) = program() else {
            eprintln!("LEFT OUT: no mosquitto here (RINDWATCH_MOSQUITTO names it)");
            return None;
        };
        let folder = tempfile::tempdir().unwrap();
        let port = free_port();
        let place = folder.path().display();
        let anonymous = if lines.contains("allow_anonymous") { "" } else { "allow_anonymous true\n" };
        let settings = format!(
            "listener {port} 127.0.0.1\n{anonymous}max_queued_messages 100000\npersistence_location {place}/\n\
             log_dest file {place}/log\n{log}\nconnection_messages true\n{lines}\n"
        );
        fs::write(folder.path().join("mosquitto.conf"), settings).unwrap();
        // Started by root it becomes `nobody`, who must be able to write here.
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o777)).unwrap();
        let mut broker = Self { program, folder, port, running: None };
        broker.again();
        Some(broker)
    }

    /// Starts it again after [`Mosquitto::kill`] or [`Mosquitto::stop`].
    pub fn again(&mut self) {
        let mut command = Command::new(&self.program);
        command.arg("-c").arg(self.folder.path().join("mosquitto.conf"));
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        self.running = Some(Running::start(&mut command));
        let port = self.port;
        wait_until("mosquitto listens", Duration::from_secs(10), || {
            std::net::TcpStream::connect(("127.0.0.1", port)).is_ok()
        });
    }

    /// Kills it: what it had not saved is lost.
    pub fn kill(&mut self) {
        if let Some(mut running) = self.running.take() {
            running.kill();
        }
    }

    /// Ends it politely: it saves its sessions if persistence is on.
    pub fn stop(&mut self) {
        if let Some(mut running) = self.running.take() {
            running.signal("TERM");
            assert!(running.wait(Duration::from_secs(10)).is_some(), "mosquitto did not end");
        }
    }

    pub fn log(&self) -> String {
        fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// How often this client connected.
    pub fn connects_of(&self, client: &str) -> usize {
        let as_client = format!(" as {client} ");
        self.log()
            .lines()
            .filter(|line| line.contains("New client connected") && line.contains(&as_client))
            .count()
    }
}
