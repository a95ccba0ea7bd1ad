//! Who is answered, and with which headers.
//!
//! A loopback address is no wall: any page in a browser can send requests there, and by rebinding a
//! name it can even read the answers. So a request must call us by a name that is ours.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::header::{self, HeaderName};
use axum::http::{HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::problem::Problem;

/// The names that a request may call us by, without ports.
#[derive(Clone, Debug)]
pub(crate) struct Hosts(Arc<[String]>);

impl Hosts {
    /// The loopback names, and these.
    pub(crate) fn new(more: impl IntoIterator<Item = String>) -> Self {
        let loopback = ["localhost", "127.0.0.1", "[::1]"].map(str::to_owned);
        let more = more.into_iter().map(|name| name.to_ascii_lowercase());
        Self(loopback.into_iter().chain(more).collect())
    }

    /// True where `host`, with or without a port, is one of them.
    pub(crate) fn allows(&self, host: &str) -> bool {
        let name = without_port(host).to_ascii_lowercase();
        let name = name.strip_suffix('.').unwrap_or(&name);
        self.0.iter().any(|ours| ours == name)
    }
}

/// `host` of `host:port`; an IPv6 address keeps its brackets.
fn without_port(host: &str) -> &str {
    match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|c| c.is_ascii_digit()) && !name.ends_with(':') => {
            name
        }
        _ => host,
    }
}

/// Refuses requests that call us by another's name.
pub(crate) async fn check_host(
    State(hosts): State<Hosts>,
    request: Request,
    next: Next,
) -> Response {
    let named = request
        .headers()
        .get(header::HOST)
        .and_then(|host| host.to_str().ok());
    let target = request
        .uri()
        .authority()
        .map(axum::http::uri::Authority::as_str);
    match target.or(named) {
        Some(host) if hosts.allows(host) && named.is_none_or(|named| hosts.allows(named)) => {
            next.run(request).await
        }
        _ => Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "This station is not known by that host name. Use its address, or add the name to `hosts` under `[http]` in the configuration.",
        )
        .into_response(),
    }
}

/// Headers of every answer: nothing from elsewhere is loaded, and nobody frames the page.
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
];

/// Adds them, and says of everything that does not say otherwise that it is not to be kept.
pub(crate) async fn add_headers(mut response: Response) -> Response {
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_our_own_names_are_allowed() {
        let hosts = Hosts::new(["Oven3.lab.example".to_owned(), "192.0.2.7".to_owned()]);
        for ours in [
            "localhost",
            "LOCALHOST:7360",
            "127.0.0.1:7360",
            "[::1]",
            "[::1]:7360",
            "oven3.lab.example.:7360",
            "192.0.2.7",
        ] {
            assert!(hosts.allows(ours), "{ours}");
        }
        for other in [
            "",
            "evil.example",
            "localhost.evil.example",
            "127.0.0.1.evil.example:7360",
            "[::2]:7360",
            "::1",
            "localhost:7360:7360",
            "localhost:x",
            "local host",
        ] {
            assert!(!hosts.allows(other), "{other}");
        }
    }

    #[test]
    fn no_host_breaks_the_check() {
        let hosts = Hosts::new([]);
        bolero::check!()
            .with_type::<String>()
            .for_each(|host: &String| {
                let is_allowed = hosts.allows(host);
                assert!(!is_allowed || host.to_ascii_lowercase().starts_with(['l', '1', '[']));
            });
    }
}
