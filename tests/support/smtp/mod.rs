//! Starts the mail server of the tests, and makes its certificate.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair, date_time_ymd};

/// A certificate for a server, and the authority that signed it.
pub struct Papers {
    folder: tempfile::TempDir,
}

impl Papers {
    /// Papers made out for `name`, a host name or an address.
    pub fn made(name: &str) -> Self {
        Self::written(name, false)
    }

    /// The same, of which the server's ran out in 2020.
    pub fn run_out(name: &str) -> Self {
        Self::written(name, true)
    }

    fn written(name: &str, run_out: bool) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        // The same name for each authority: one that signed something else is known by the signature alone.
        params.distinguished_name.push(DnType::CommonName, "authority of the test");
        let key = KeyPair::generate().unwrap();
        let authority = params.self_signed(&key).unwrap();
        let issuer = Issuer::new(params, key);
        let own_key = KeyPair::generate().unwrap();
        let mut own = CertificateParams::new(vec![name.to_owned()]).unwrap();
        if run_out {
            own.not_after = date_time_ymd(2020, 12, 31);
        }
        let own = own.signed_by(&own_key, &issuer).unwrap();
        let write = |file: &str, words: String| std::fs::write(folder.path().join(file), words).unwrap();
        write("authority.pem", authority.pem());
        write("server.pem", own.pem());
        write("server.key", own_key.serialize_pem());
        Self { folder }
    }

    /// The authority's certificate.
    pub fn authority(&self) -> PathBuf {
        self.folder.path().join("authority.pem")
    }
}

/// A mail server; ends with the value.
pub struct Server {
    child: Child,
    lines: Receiver<String>,
    pub port: u16,
}

impl Server {
    /// Starts one that behaves as `behaviour` says on `port`, 0 for any.
    pub fn start(behaviour: &str, papers: Option<&Papers>, port: u16) -> Self {
        Self::with(behaviour, papers, port, None)
    }

    /// Starts a good one that keeps the letters it takes in `folder`, as `NNNN.eml` in their order.
    pub fn keeping(papers: &Papers, folder: &Path) -> Self {
        Self::keeping_at("good", papers, 0, folder)
    }

    /// The same with a behaviour and a port.
    pub fn keeping_at(behaviour: &str, papers: &Papers, port: u16, folder: &Path) -> Self {
        Self::with(behaviour, Some(papers), port, Some(folder))
    }

    /// Changes its behaviour; what it said until then that was not asked for yet.
    pub fn behave(&mut self, behaviour: &str) -> Vec<String> {
        writeln!(self.child.stdin.as_mut().unwrap(), "{behaviour}").unwrap();
        let mut said = Vec::new();
        loop {
            match self.line() {
                line if line == format!("now {behaviour}") => return said,
                line => said.push(line),
            }
        }
    }

    fn with(behaviour: &str, papers: Option<&Papers>, port: u16, folder: Option<&Path>) -> Self {
        let mut command = Command::new(python());
        command.arg("tests/support/smtp/server.py").arg(port.to_string()).arg(behaviour);
        if let Some(papers) = papers {
            command.arg(papers.folder.path().join("server.pem")).arg(papers.folder.path().join("server.key"));
        }
        command.args(folder);
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (say, lines) = channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                if say.send(line).is_err() {
                    return;
                }
            }
        });
        let mut server = Self { child, lines, port: 0 };
        server.port = server.line().strip_prefix("port ").unwrap().parse().unwrap();
        server
    }

    /// The next thing it says.
    pub fn line(&mut self) -> String {
        self.lines.recv_timeout(Duration::from_secs(20)).expect("a word from the mail server")
    }

    /// Ends it; what it said that was not asked for yet.
    pub fn end(&mut self) -> Vec<String> {
        drop(self.child.stdin.take());
        self.child.wait().unwrap();
        self.lines.iter().collect()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A Python that has aiosmtpd: the one the test command names, else one made once under `target/`.
fn python() -> &'static Path {
    static MADE: OnceLock<PathBuf> = OnceLock::new();
    MADE.get_or_init(|| match std::env::var_os("RINDWATCH_PYTHON") {
        Some(path) => PathBuf::from(path),
        None => made(),
    })
}

fn made() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("python");
    let python = folder.join("bin/python");
    let has_it = |python: &Path| {
        let asked = Command::new(python).args(["-c", "import aiosmtpd"]).stderr(Stdio::null()).status();
        asked.is_ok_and(|status| status.success())
    };
    if !has_it(&python) {
        let run = |command: &mut Command| assert!(command.status().unwrap().success(), "{command:?}");
        run(Command::new("python3").args(["-m", "venv", "--clear"]).arg(&folder));
        run(Command::new(&python)
            .args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--require-hashes"])
            .args(["--only-binary", ":all:", "-r", "tests/python/requirements.txt"]));
    }
    python
}
