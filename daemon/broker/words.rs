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

/// No answer in time.
pub(super) fn silent() -> String {
    "the broker does not answer: see whether it runs and whether a firewall lies between".to_owned()
}

/// Closed without a word.
pub(super) fn closed() -> String {
    "the broker closed the connection without a word: it was stopped, another client uses our client id, or \
     its port wants TLS"
        .to_owned()
}

/// A fault below MQTT.
pub(super) fn socket(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => {
            "nothing listens at the broker's address: start the broker or correct `host` and `port` under \
             [broker]"
                .to_owned()
        }
        io::ErrorKind::ConnectionReset
        | io::ErrorKind::ConnectionAborted
        | io::ErrorKind::BrokenPipe
        | io::ErrorKind::UnexpectedEof => closed(),
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

/// A packet is larger than we take.
pub(super) fn too_large(bytes: usize) -> String {
    format!(
        "a message of {bytes} bytes is in the way: set `message_size_limit 65536` at the broker (mosquitto)"
    )
}

/// What came is no MQTT.
pub(super) fn garbled(words: &str) -> String {
    format!("what came from the broker's port is not MQTT ({words}): correct `port` under [broker]")
}

/// Anything else.
pub(super) fn other(words: &str) -> String {
    format!("the connection to the broker failed: {words}")
}
