//! One line for each way a broker connection fails: what is wrong, and what to do about it.

use std::io;

/// The broker answered and did not take us in; `code` as the client names it.
pub(super) fn refused(code: &str) -> String {
    match code {
        "BadUserNamePassword" | "NotAuthorized" => "the broker refuses the user name or the password: \
            set `user` under [broker] and its password file to what the broker knows"
            .to_owned(),
        "RefusedProtocolVersion" | "UnsupportedProtocolVersion" => {
            "the broker does not speak this version of MQTT: set `version = \"3.1.1\"` under [broker]"
                .to_owned()
        }
        "BadClientId" | "ClientIdentifierNotValid" => {
            "the broker does not accept our client id: set another `client-id` under [broker]".to_owned()
        }
        "Banned" => "the broker has banned this client: ask who keeps the broker".to_owned(),
        _ => format!("the broker does not take us in ({code}); its log says why"),
    }
}

/// The broker ended a running connection with a reason.
pub(super) fn sent_away(code: &str) -> String {
    match code {
        "SessionTakenOver" => "another client took over our client id: give each its own `client-id` under \
            [broker]"
            .to_owned(),
        "ServerShuttingDown" => "the broker was shut down; nothing to do once it is back".to_owned(),
        "KeepAliveTimeout" => {
            "the broker heard nothing from us in time; the line or the board is slow".to_owned()
        }
        _ => format!("the broker ended the connection ({code}); its log says why"),
    }
}

/// The broker took us in and refused some of our subscriptions.
pub(super) fn not_read(topics: &[&str]) -> String {
    format!("the broker does not let us read {}: allow it for our user at the broker", topics.join(", "))
}

/// No answer in time.
pub(super) fn silent() -> String {
    "the broker does not answer: see whether it runs and whether a firewall lies between".to_owned()
}

/// What is known of the line when it breaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Line {
    /// It wants TLS.
    pub(super) tls: bool,
    /// The broker had taken us in.
    pub(super) taken_in: bool,
}

/// Closed without a word.
pub(super) fn closed(line: Line) -> String {
    match line {
        Line { taken_in: true, .. } => {
            "the broker closed the connection without a word: it was stopped, or another client uses our client \
             id; give each its own `client-id` under [broker]"
        }
        Line { tls: true, .. } => {
            "the broker closed the connection at the first word of TLS: its port does not speak TLS: set the `port` \
             that does (usually 8883), or, on this machine, `security = \"plain\"` under [broker]"
        }
        Line { tls: false, .. } => {
            "the broker closed the connection at our first word: its port wants TLS; set `security = \"tls\"` under \
             [broker], or the `port` without (usually 1883)"
        }
    }
    .to_owned()
}

/// A fault below MQTT.
pub(super) fn socket(error: &io::Error, line: Line) -> String {
    let inner = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>());
    if let Some(fault) = inner {
        return tls(fault);
    }
    match error.kind() {
        io::ErrorKind::ConnectionRefused => {
            "nothing listens at the broker's address: start the broker or correct `host` and `port` under \
             [broker]"
                .to_owned()
        }
        io::ErrorKind::ConnectionReset
        | io::ErrorKind::ConnectionAborted
        | io::ErrorKind::BrokenPipe
        | io::ErrorKind::UnexpectedEof => closed(line),
        io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
            "the broker's address cannot be reached from here: see to the network of this board".to_owned()
        }
        io::ErrorKind::TimedOut => silent(),
        _ if error.to_string().contains("lookup") || error.raw_os_error().is_none() => {
            format!("the broker's host name is not known ({error}): correct `host` under [broker]")
        }
        _ => format!("the connection to the broker failed: {error}"),
    }
}

/// A fault of TLS.
pub(super) fn tls(fault: &rustls::Error) -> String {
    use rustls::{AlertDescription as Alert, CertificateError as Fault, Error};
    match fault {
        // The second: an authority of that name is known, and it is not the one that signed.
        Error::InvalidCertificate(Fault::UnknownIssuer | Fault::BadSignature) => {
            "the broker's certificate is signed by no authority this board knows: if the broker is your own, name \
             its authority's file in `ca-file` under [broker]"
                .to_owned()
        }
        Error::InvalidCertificate(Fault::NotValidForName | Fault::NotValidForNameContext { .. }) => {
            "the broker's certificate is made out for another name: write `host` under [broker] as the certificate \
             has it"
                .to_owned()
        }
        Error::InvalidCertificate(Fault::Expired | Fault::ExpiredContext { .. }) => {
            "the broker's certificate has run out, or this board's clock is wrong: renew the certificate at the \
             broker, or set the clock"
                .to_owned()
        }
        Error::InvalidCertificate(Fault::NotValidYet | Fault::NotValidYetContext { .. }) => {
            "the broker's certificate is not valid yet, or this board's clock is wrong: set the clock".to_owned()
        }
        Error::InvalidCertificate(other) => {
            format!("the broker's certificate is not good ({other:?}): have a new one made for the broker")
        }
        Error::InvalidMessage(_) => {
            "the broker's port does not speak TLS: set the `port` that does (usually 8883), or, on this machine, \
             `security = \"plain\"` under [broker]"
                .to_owned()
        }
        Error::AlertReceived(Alert::CertificateRequired | Alert::HandshakeFailure) => {
            "the broker asks for a certificate of ours: set `own-certificate` and `own-key` under [broker]"
                .to_owned()
        }
        Error::AlertReceived(
            Alert::UnknownCA | Alert::DecryptError | Alert::BadCertificate | Alert::CertificateExpired | Alert::CertificateUnknown,
        ) => {
            "the broker does not take our certificate: have one signed by the authority the broker trusts and set \
             it as `own-certificate` under [broker]"
                .to_owned()
        }
        other => format!("TLS with the broker failed ({other}); its log says why"),
    }
}

/// A packet is larger than we take.
pub(super) fn too_large(bytes: usize) -> String {
    format!(
        "a message of {bytes} bytes is in the way: set `message_size_limit 65536` at the broker (mosquitto)"
    )
}

/// What came is no MQTT.
pub(super) fn garbled(words: &str, line: Line) -> String {
    if line == (Line { tls: false, taken_in: false }) {
        return format!(
            "what came from the broker's port is not MQTT ({words}): it may want TLS (set `security = \"tls\"`), or \
             correct `port` under [broker]"
        );
    }
    format!("what came from the broker's port is not MQTT ({words}): correct `port` under [broker]")
}

/// Anything else.
pub(super) fn other(words: &str) -> String {
    format!("the connection to the broker failed: {words}")
}
