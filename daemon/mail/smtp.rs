//! One delivery to the mail server over SMTP, step by step, so that a refusal is laid to what it is about.

use std::time::Duration;

use lettre::Address;
use lettre::transport::smtp::Error;
use lettre::transport::smtp::authentication::{Credentials, DEFAULT_MECHANISMS};
use lettre::transport::smtp::client::{AsyncSmtpConnection, Certificate, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail, Rcpt};
use lettre::transport::smtp::extension::ClientId;
use tokio::time::{timeout, timeout_at};

use crate::clock;
use crate::record::OutboxLetter;
use crate::settings::garden::{MailSecurity, MailServer};

use super::diagnosis::{self, Stage, diagnose};
use super::post::{Carrier, Outcome};

/// Longest time for one delivery, from connecting to the server's last word.
pub const LIMIT: Duration = Duration::from_secs(60);
/// Longest time for the connection alone: one that is away must be found again within two minutes.
const CONNECT: Duration = Duration::from_secs(25);
/// Longest time for a knock, from connecting to being signed in: with the wait between two it stays within them.
const KNOCK: Duration = Duration::from_secs(40);
/// Longest time for a polite end; the letter is accepted by then.
const FAREWELL: Duration = Duration::from_secs(2);

/// The mail server of the settings. A new connection for each letter: letters are few, and a kept
/// connection is a stale one by the next.
#[derive(Debug, Clone)]
pub struct Smtp {
    server: MailServer,
    limit: Duration,
}

impl Smtp {
    /// A carrier to `server` that gives each delivery at most `limit` (usually [`LIMIT`]).
    pub fn new(server: MailServer, limit: Duration) -> Self {
        // The first provider installed stays; main has usually done it.
        let _ = rustls::crypto::ring::default_provider().install_default();
        Self { server, limit }
    }

    async fn deliver(&self, letter: &OutboxLetter) -> Outcome {
        let (from, to) = match (address(&self.server.from), address(&letter.address)) {
            (Some(from), Some(to)) => (from, to),
            (None, _) => {
                let words = format!("`from` = {:?} is no mail address", self.server.from);
                return Outcome::Closed { words };
            }
            (_, None) => {
                let words = format!("{:?} of {:?} is no mail address", letter.address, letter.person);
                return Outcome::Never { words };
            }
        };
        if letter.eml.is_empty() {
            return Outcome::Never { words: "the letter is empty".to_owned() };
        }
        let until = clock::of_waits() + self.limit;
        let mut connection = match timeout_at(until, self.greet()).await {
            Ok(Ok(connection)) => connection,
            Ok(Err(outcome)) => return outcome,
            Err(_) => return Outcome::Away { words: self.silent(self.limit) },
        };
        let mut stage = Stage::Sender;
        let handing = hand_over(&mut connection, from, to, &letter.eml, &mut stage);
        let handed = timeout_at(until, handing).await;
        let _ = timeout(FAREWELL, connection.abort()).await;
        match handed {
            Ok(Ok(())) => Outcome::Accepted,
            Ok(Err(error)) => diagnose(&error, stage, &self.server),
            Err(_) if stage == Stage::Text => Outcome::Unsure { words: self.silent(self.limit) },
            Err(_) => Outcome::Later { words: self.silent(self.limit) },
        }
    }

    fn silent(&self, limit: Duration) -> String {
        diagnosis::silent(&self.server, limit.as_secs_f64())
    }

    /// Connects, secures the connection as the settings ask, and signs in.
    async fn greet(&self) -> Result<AsyncSmtpConnection, Outcome> {
        let server = &self.server;
        let hello = ClientId::default();
        let fails = |stage| move |error: Error| diagnose(&error, stage, server);
        let first_byte = match server.security {
            MailSecurity::ImplicitTls => Some(self.tls()?),
            MailSecurity::StartTls => None,
            MailSecurity::PlainLoopback => {
                self.only_loopback()?;
                None
            }
        };
        let place = (server.host.as_str(), server.port);
        let connecting = AsyncSmtpConnection::connect_tokio1(
            place,
            Some(self.limit.min(CONNECT)),
            &hello,
            first_byte,
            None,
        );
        let mut connection = connecting.await.map_err(fails(Stage::Greeting))?;
        if server.security == MailSecurity::StartTls {
            let secured = connection.starttls(self.tls()?, &hello).await;
            secured.map_err(fails(Stage::Greeting))?;
        }
        if let (Some(user), Some(password)) = (&server.user, &server.password) {
            let credentials = Credentials::new(user.clone(), password.reveal().to_owned());
            let signed_in = connection.auth(DEFAULT_MECHANISMS, &credentials).await;
            if let Err(error) = signed_in {
                let _ = timeout(FAREWELL, connection.abort()).await;
                return Err(fails(Stage::SignIn)(error));
            }
        }
        Ok(connection)
    }

    fn tls(&self) -> Result<TlsParameters, Outcome> {
        let closed = |words: String| Outcome::Closed { words };
        let mut parameters = TlsParameters::builder(self.server.host.clone());
        if let Some(path) = &self.server.ca_file {
            let shown = path.display();
            let pem = std::fs::read(path).map_err(|error| closed(format!("ca-file = {shown}: {error}")))?;
            let authority = Certificate::from_pem(&pem).ok().filter(|_| has_certificate(&pem));
            let authority = authority
                .ok_or_else(|| closed(format!("ca-file = {shown}: holds no certificate in PEM form")))?;
            parameters = parameters.add_root_certificate(authority);
        }
        parameters.build().map_err(|error| diagnose(&error, Stage::Greeting, &self.server))
    }

    /// Settings see to this already; a password in the clear over a network is worth a second look.
    fn only_loopback(&self) -> Result<(), Outcome> {
        let host = self.server.host.as_str();
        let loopback = host == "localhost" || host.parse().is_ok_and(|ip: std::net::IpAddr| ip.is_loopback());
        if loopback {
            return Ok(());
        }
        let place = diagnosis::place(&self.server);
        Err(Outcome::Closed {
            words: format!("{place}: `plain` is for this machine only; set starttls or tls"),
        })
    }
}

impl Carrier for Smtp {
    // The library's own time limit covers connecting only: a server that accepts and says nothing would hold it
    // for ever.
    async fn carry(&self, letter: &OutboxLetter) -> Outcome {
        self.deliver(letter).await
    }

    async fn knock(&self) -> Outcome {
        let limit = self.limit.min(KNOCK);
        match timeout(limit, self.greet()).await {
            Ok(Ok(mut connection)) => {
                let _ = timeout(FAREWELL, connection.abort()).await;
                Outcome::Accepted
            }
            Ok(Err(outcome)) => outcome,
            Err(_) => Outcome::Away { words: self.silent(limit) },
        }
    }
}

/// `stage` is how far it has come, also where it is given up half-way.
async fn hand_over(
    connection: &mut AsyncSmtpConnection,
    from: Address,
    to: Address,
    eml: &[u8],
    stage: &mut Stage,
) -> Result<(), Error> {
    connection.command(Mail::new(Some(from), Vec::new())).await?;
    *stage = Stage::Letter;
    connection.command(Rcpt::new(to, Vec::new())).await?;
    connection.command(Data).await?;
    *stage = Stage::Text;
    // The library ends the last line itself (RFC 5321, 4.1.1.4); with ours the letter would grow by a blank one.
    let unended = eml.strip_suffix(b"\r\n").unwrap_or(eml);
    connection.message(unended).await?;
    Ok(())
}

/// As the settings take it: other scripts in an address are an extension that few servers know (RFC 6531).
fn address(words: &str) -> Option<Address> {
    words.parse().ok().filter(|_| words.is_ascii())
}

fn has_certificate(pem: &[u8]) -> bool {
    String::from_utf8_lossy(pem).contains("-----BEGIN CERTIFICATE-----")
}
