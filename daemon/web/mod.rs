//! Serves the page: what stands, the beds, the probes, the letters. It only shows; nothing can be changed
//! here, and nothing is decided here.
//!
//! It answers only to names of this machine, so that a page elsewhere cannot read it through a visitor's
//! browser (DNS rebinding), and its content policy forbids scripts and anything from other places.

mod pages;
mod strip;
mod words;

use std::future::Future;
use std::io;
use std::net::IpAddr;

use axum::Router;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use chrono_tz::Tz;
use tokio::net::TcpListener;

use crate::local::Status;
use crate::store::KeptLetter;

/// All a page shows.
#[derive(Debug, Clone)]
pub struct PageModel {
    /// The garden's name.
    pub garden: String,
    /// Its civil time.
    pub zone: Tz,
    /// Beds, probes, matters, and how the daemon fares.
    pub status: Status,
    /// The latest letters, newest first.
    pub letters: Vec<KeptLetter>,
}

/// Where pages get what they show. An error is a line of words for the visitor.
pub trait Source: Send + Sync + Clone + 'static {
    /// What stands now.
    fn page(&self) -> impl Future<Output = Result<PageModel, String>> + Send;
    /// The plain text of letter `number`; `None` if there is none.
    fn letter(&self, number: u32) -> impl Future<Output = Result<Option<String>, String>> + Send;
}

/// Headers of every answer.
const HEADERS: [(HeaderName, HeaderValue); 5] = [
    (
        header::CONTENT_SECURITY_POLICY,
        HeaderValue::from_static(
            "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        ),
    ),
    (header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff")),
    (header::REFERRER_POLICY, HeaderValue::from_static("no-referrer")),
    (header::CACHE_CONTROL, HeaderValue::from_static("no-store")),
    (HeaderName::from_static("cross-origin-resource-policy"), HeaderValue::from_static("same-origin")),
];

/// Serves the page on `listener` until `shutdown` comes true.
pub async fn serve<S: Source>(
    listener: TcpListener,
    source: S,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    let own = listener.local_addr()?.ip();
    let guard = middleware::from_fn(move |request, next| guarded(own, request, next));
    let router = Router::new()
        .route("/", get(now::<S>))
        .route("/letters/{number}", get(letter::<S>))
        .route("/page.css", get(|| async { ([(header::CONTENT_TYPE, "text/css; charset=utf-8")], STYLE) }))
        .layer(guard)
        .with_state(source);
    axum::serve(listener, router).with_graceful_shutdown(shutdown).await
}

const STYLE: &str = include_str!("page.css");

async fn now<S: Source>(State(source): State<S>) -> Response {
    match source.page().await {
        Ok(model) => Html(pages::now::page(&model)).into_response(),
        Err(words) => (StatusCode::SERVICE_UNAVAILABLE, words).into_response(),
    }
}

async fn letter<S: Source>(State(source): State<S>, Path(number): Path<String>) -> Response {
    let Ok(number) = number.parse() else {
        return (StatusCode::NOT_FOUND, "letters have numbers").into_response();
    };
    match source.letter(number).await {
        Ok(Some(text)) => text.into_response(),
        Ok(None) => (StatusCode::NOT_FOUND, "no letter of that number").into_response(),
        Err(words) => (StatusCode::SERVICE_UNAVAILABLE, words).into_response(),
    }
}

/// Lets a request through if it names this machine, and sets the headers of the answer.
async fn guarded(own: IpAddr, request: Request, next: Next) -> Response {
    let host = request.headers().get(header::HOST).and_then(|host| host.to_str().ok());
    let mut response = if host.is_some_and(|host| names_us(host, own)) {
        next.run(request).await
    } else {
        (StatusCode::MISDIRECTED_REQUEST, "this page answers to localhost only").into_response()
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(name, value);
    }
    response
}

/// The host of a request, with or without a port, is this machine by a name that no one else can give out.
fn names_us(host: &str, own: IpAddr) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => host.split(':').next().unwrap_or_default(),
    };
    let is_us = |ip: IpAddr| ip.is_loopback() || (ip == own && !own.is_unspecified());
    name.eq_ignore_ascii_case("localhost") || name.parse().is_ok_and(is_us)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_this_machine_are_ours() {
        let own: IpAddr = "192.168.7.5".parse().unwrap();
        for host in ["localhost", "LOCALHOST:8080", "127.0.0.1:80", "[::1]:8080", "[::1]", "192.168.7.5:80"] {
            assert!(names_us(host, own), "{host}");
        }
        for host in
            ["", "garden.example", "localhost.example.org", "192.168.7.6", "127.0.0.1.example", "[::2]"]
        {
            assert!(!names_us(host, own), "{host}");
        }
        assert!(!names_us("0.0.0.0:80", "0.0.0.0".parse().unwrap()));
    }
}
