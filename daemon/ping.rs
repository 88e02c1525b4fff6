//! One request to an address elsewhere, which says to whoever keeps it that we are well.
//!
//! Nothing of the garden goes out: no body, no words of ours in the head. No redirect is followed: the secret in the
//! address is for that machine alone. Neither address nor answer is ever put into words.

use std::sync::Arc;
use std::time::Duration;

use hyper::Request;
use hyper::header::{HOST, HeaderValue};
use hyper_util::rt::TokioIo;
use rustls::ClientConfig;
use rustls::crypto::ring;
use rustls::pki_types::ServerName;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;

use crate::authorities;
use crate::settings::signs::{Address, Ping};

/// Longest time for one request, from looking the name up to the answer's head.
pub const LIMIT: Duration = Duration::from_secs(20);

/// Asks once, with at most `limit` of time.
///
/// # Errors
/// One line that holds nothing of the address.
pub async fn ask(ping: &Ping, limit: Duration) -> Result<(), String> {
    let Some(address) = &ping.address else { return Err("it has no address".to_owned()) };
    let asking = async {
        let connection = TcpStream::connect((address.host.as_str(), address.port));
        let stream =
            connection.await.map_err(|error| format!("its host is not reached ({})", error.kind()))?;
        if !address.tls {
            return send(address, stream).await;
        }
        let config = client(ping)?;
        let name =
            ServerName::try_from(address.host.clone()).map_err(|_| "its host is no name".to_owned())?;
        let secured = TlsConnector::from(Arc::new(config)).connect(name, stream).await;
        send(address, secured.map_err(|error| refused(&error))?).await
    };
    timeout(limit, asking).await.unwrap_or_else(|_| Err(format!("no answer within {} s", limit.as_secs())))
}

fn client(ping: &Ping) -> Result<ClientConfig, String> {
    let roots = authorities::roots("sign-of-life", "its", ping.ca_file.as_deref())?;
    let builder = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| format!("TLS cannot be set up: {error}"))?;
    Ok(builder.with_root_certificates(roots).with_no_client_auth())
}

/// A handshake that failed: which rule, without the names in the certificate.
fn refused(error: &std::io::Error) -> String {
    let inner = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>());
    match inner {
        Some(rustls::Error::InvalidCertificate(fault)) => {
            let words = format!("{fault:?}");
            let rule = words.split([' ', '(', '{']).next().unwrap_or_default();
            format!("its certificate is not good ({rule}); is this board's clock right?")
        }
        _ => format!("it does not speak TLS with us ({})", error.kind()),
    }
}

async fn send<S>(address: &Address, stream: S) -> Result<(), String>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let broken = |error: hyper::Error| {
        if error.is_parse() {
            return "its answer is no HTTP".to_owned();
        }
        let ended = error.is_incomplete_message() || error.is_canceled() || error.is_closed();
        if ended { "it hangs up without an answer" } else { "the connection breaks off" }.to_owned()
    };
    let (mut sender, connection) =
        hyper::client::conn::http1::handshake::<_, String>(TokioIo::new(stream)).await.map_err(broken)?;
    let host = HeaderValue::from_str(&address.host_header()).map_err(|_| "its host is no name".to_owned())?;
    let mut request = Request::new(String::new());
    *request.uri_mut() = address.target.reveal().parse().map_err(|_| "its path cannot be sent".to_owned())?;
    request.headers_mut().insert(HOST, host);
    let mut answer = std::pin::pin!(sender.send_request(request));
    // Whoever keeps the line open is left with it: the head of the answer is all we want.
    let answer = tokio::select! {
        biased;
        answer = &mut answer => answer,
        // What it brought stands in the answer, good or bad.
        _ = connection => answer.await,
    };
    let status = answer.map_err(broken)?.status();
    if status.is_success() {
        return Ok(());
    }
    let sent_on = if status.is_redirection() { "; it sends us elsewhere, where we do not go" } else { "" };
    Err(format!("it answers {}{sent_on}", status.as_u16()))
}
