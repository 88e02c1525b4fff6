//! What went wrong between us and a mail server, in one line that says what to do.

use std::error::Error as _;
use std::io::ErrorKind;

use lettre::transport::smtp::Error;
use rustls::CertificateError;

use crate::settings::garden::{MailSecurity, MailServer};

use super::catalogue::outside;
use super::post::Outcome;

/// Longest stretch of the server's own words.
const SERVER_WORDS: usize = 160;

/// How far a delivery had come when it failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Connecting, TLS, greeting: the server has seen nothing of us yet.
    Greeting,
    /// User name and password.
    SignIn,
    /// Our sender address.
    Sender,
    /// The receiver's address: from here on a refusal is about the letter.
    Letter,
    /// The letter itself: without an answer nobody knows whether the server has it.
    Text,
}

/// What `error` at `stage` means for the letter.
pub fn diagnose(error: &Error, stage: Stage, server: &MailServer) -> Outcome {
    let place = place(server);
    let said = outside(&own_words(error), SERVER_WORDS);
    if let Some(code) = error.status() {
        let code = code.to_string();
        // RFC 4954: these are about signing in, at whatever stage they come.
        if error.is_permanent()
            && (stage == Stage::SignIn || ["530", "534", "535", "538"].contains(&code.as_str()))
        {
            return Outcome::Closed { words: refused_sign_in(server, &code, &said) };
        }
        return match (error.is_permanent(), stage) {
            (false, Stage::Greeting | Stage::SignIn) => {
                Outcome::Away { words: format!("{place} put us off ({code} {said})") }
            }
            (false, _) => Outcome::Later { words: format!("{place} put us off ({code} {said})") },
            (true, Stage::Letter | Stage::Text) => {
                Outcome::Never { words: format!("{place} refused the letter ({code} {said})") }
            }
            (true, Stage::Sender) => Outcome::Closed {
                words: format!(
                    "{place} does not take letters from {} ({code} {said}): set `from` to an address this user may \
                     send from",
                    server.from
                ),
            },
            (true, Stage::Greeting | Stage::SignIn) => Outcome::Unfit {
                words: format!("{place} does not serve us ({code} {said}): ask whoever runs it"),
            },
        };
    }
    let words = match tls_words(error, server) {
        Some(words) => return Outcome::Unfit { words },
        None if error.is_client() => {
            return Outcome::Unfit { words: format!("{place}: {}", client_words(&said, server)) };
        }
        None => format!("{place}: {}", network_words(error, &said)),
    };
    match stage {
        Stage::Greeting | Stage::SignIn => Outcome::Away { words },
        Stage::Sender | Stage::Letter => Outcome::Later { words },
        Stage::Text => Outcome::Unsure { words },
    }
}

/// "mail server mail.example.org:587".
pub fn place(server: &MailServer) -> String {
    format!("mail server {}:{}", server.host, server.port)
}

/// The words for a server that gave no answer in time.
pub fn silent(server: &MailServer, seconds: f64) -> String {
    format!(
        "{}: no answer within {} s; is the port right for `{}`?",
        place(server),
        super::amounts::number(seconds, 1),
        security_word(server.security)
    )
}

/// The word the settings use.
fn security_word(security: MailSecurity) -> &'static str {
    match security {
        MailSecurity::StartTls => "starttls",
        MailSecurity::ImplicitTls => "tls",
        MailSecurity::PlainLoopback => "plain",
    }
}

fn refused_sign_in(server: &MailServer, code: &str, said: &str) -> String {
    let place = place(server);
    match &server.user {
        Some(user) => format!(
            "{place} refuses user {} ({code} {said}): check the user name and the password file; many providers \
             want a password made for this program alone",
            outside(user, 60)
        ),
        None => format!(
            "{place} wants a user name and a password ({code} {said}): set `user` and the password file"
        ),
    }
}

/// The innermost words of an error: a server's reply, or the system's.
fn own_words(error: &Error) -> String {
    let mut words = error.to_string();
    let mut source = error.source();
    while let Some(inner) = source {
        words = inner.to_string();
        source = inner.source();
    }
    words
}

/// What the TLS library found fault with, if it did. The mail library reports a bad certificate as a
/// connection error, so the chain of sources is searched.
fn tls_words(error: &Error, server: &MailServer) -> Option<String> {
    let fault = tls_fault(error)?;
    let place = place(server);
    Some(match fault {
        rustls::Error::InvalidCertificate(fault) => match fault {
            // The second: an authority of that name is known, and it is not the one that signed.
            CertificateError::UnknownIssuer | CertificateError::BadSignature => format!(
                "{place}: its certificate is signed by no authority this board knows; if the server is your own, \
                 name its authority's file in `ca-file` under [mail]"
            ),
            CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => format!(
                "{place}: its certificate is made out for another name; write `host` under [mail] as the certificate has it"
            ),
            CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
                format!("{place}: its certificate has run out, or this board's clock is wrong")
            }
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
                format!("{place}: its certificate is not valid yet, or this board's clock is wrong")
            }
            other => format!("{place}: its certificate is not good ({})", outside(&format!("{other:?}"), 80)),
        },
        rustls::Error::InvalidMessage(_) => format!(
            "{place} does not speak TLS from the first byte on this port: set `security` to starttls, or take the \
             port for TLS (often 465)"
        ),
        other => format!("{place}: TLS failed ({})", outside(&other.to_string(), 80)),
    })
}

fn tls_fault(error: &Error) -> Option<&rustls::Error> {
    let mut source = error.source();
    while let Some(inner) = source {
        if let Some(fault) = inner.downcast_ref::<rustls::Error>() {
            return Some(fault);
        }
        // An I/O error hides what it wraps from the chain: its `source` is the source of the wrapped one.
        let wrapped = inner.downcast_ref::<std::io::Error>().and_then(std::io::Error::get_ref);
        if let Some(fault) = wrapped.and_then(|wrapped| wrapped.downcast_ref::<rustls::Error>()) {
            return Some(fault);
        }
        source = inner.source();
    }
    None
}

fn client_words(said: &str, server: &MailServer) -> String {
    if said.contains("STARTTLS") {
        "offers no STARTTLS, so nothing was sent; set `security` to tls if the server has a port for it"
            .to_owned()
    } else if said.contains("authentication mechanism") {
        let user = if server.user.is_some() {
            "remove `user`, or ask whoever runs it"
        } else {
            "ask whoever runs it"
        };
        format!("offers no way to sign in that we know (PLAIN, LOGIN); {user}")
    } else {
        said.to_owned()
    }
}

fn network_words(error: &Error, said: &str) -> String {
    let mut source = error.source();
    while let Some(inner) = source {
        if let Some(io) = inner.downcast_ref::<std::io::Error>() {
            return match io.kind() {
                ErrorKind::ConnectionRefused => "nobody listens there".to_owned(),
                ErrorKind::ConnectionReset | ErrorKind::UnexpectedEof | ErrorKind::BrokenPipe => {
                    "hung up on us".to_owned()
                }
                ErrorKind::TimedOut => "no answer".to_owned(),
                _ => said.to_owned(),
            };
        }
        source = inner.source();
    }
    if said == "incomplete response" { "hung up on us".to_owned() } else { said.to_owned() }
}
