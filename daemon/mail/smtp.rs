//! One delivery to the mail server over SMTP, step by step, so that a refusal is laid to what it is about.

use std::time::Duration;

use lettre::Address;
use lettre::transport::smtp::Error;
use lettre::transport::smtp::authentication::{Credentials, DEFAULT_MECHANISMS};
use lettre::transport::smtp::client::{AsyncSmtpConnection, Certificate, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail, Rcpt};
use lettre::transport::smtp::extension::ClientId;
use tokio::time::timeout;

use crate::record::OutboxLetter;
use crate::settings::garden::{MailSecurity, MailServer};

use super::diagnosis::{self, Stage, diagnose};
use super::post::{Carrier, Outcome};

/// Longest time for one delivery, from connecting to the server's last word.
pub const LIMIT: Duration = Duration::from_secs(60);
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
        let (from, to) = match (self.server.from.parse::<Address>(), letter.address.parse::<Address>()) {
            (Ok(from), Ok(to)) => (from, to),
            (Err(_), _) => {
                let words = format!("`from` = {:?} is no mail address", self.server.from);
                return Outcome::Closed { words };
            }
            (_, Err(_)) => {
                let words = format!("{:?} of {:?} is no mail address", letter.address, letter.person);
                return Outcome::Never { words };
            }
        };
        if letter.eml.is_empty() {
            return Outcome::Never { words: "the letter is empty".to_owned() };
        }
        let mut connection = match self.greet().await {
            Ok(connection) => connection,
            Err(outcome) => return outcome,
        };
        let failed = hand_over(&mut connection, from, to, &letter.eml).await.err();
        let _ = timeout(FAREWELL, connection.abort()).await;
        match failed {
            None => Outcome::Accepted,
            Some((error, stage)) => diagnose(&error, stage, &self.server),
        }
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
        let connecting =
            AsyncSmtpConnection::connect_tokio1(place, Some(self.limit), &hello, first_byte, None);
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
            let pem = std::fs::read(path).map_err(|error| closed(format!("ca_file = {shown}: {error}")))?;
            let authority = Certificate::from_pem(&pem).ok().filter(|_| has_certificate(&pem));
            let authority = authority
                .ok_or_else(|| closed(format!("ca_file = {shown}: holds no certificate in PEM form")))?;
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
    async fn carry(&self, letter: &OutboxLetter) -> Outcome {
        // The library's own time limit covers connecting only: a server that accepts and says nothing would
        // hold it for ever.
        match timeout(self.limit, self.deliver(letter)).await {
            Ok(outcome) => outcome,
            Err(_) => Outcome::Later { words: diagnosis::silent(&self.server, self.limit.as_secs_f64()) },
        }
    }
}

async fn hand_over(
    connection: &mut AsyncSmtpConnection,
    from: Address,
    to: Address,
    eml: &[u8],
) -> Result<(), (Error, Stage)> {
    connection.command(Mail::new(Some(from), Vec::new())).await.map_err(|error| (error, Stage::Sender))?;
    connection.command(Rcpt::new(to, Vec::new())).await.map_err(|error| (error, Stage::Letter))?;
    connection.command(Data).await.map_err(|error| (error, Stage::Letter))?;
    // The library ends the last line itself (RFC 5321, 4.1.1.4); with ours the letter would grow by a blank one.
    let unended = eml.strip_suffix(b"\r\n").unwrap_or(eml);
    connection.message(unended).await.map_err(|error| (error, Stage::Letter))?;
    Ok(())
}

fn has_certificate(pem: &[u8]) -> bool {
    String::from_utf8_lossy(pem).contains("-----BEGIN CERTIFICATE-----")
}
