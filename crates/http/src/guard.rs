//! Who is answered, and with which headers.
//!
//! A loopback address is no wall: any page in a browser can send requests there, and by rebinding a
//! name it can even read the answers. So a request must call us by a name that is ours, and one that
//! changes something must come from our own page or from a program that is no browser. Whether it may is a
//! matter of [`access`](crate::access).

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::header::{self, HeaderName};
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::problem::Problem;

/// The names that a request may call us by, without ports.
#[derive(Clone, Debug)]
pub(crate) struct Hosts {
    names: Arc<[String]>,
    /// Beyond the machine itself we have addresses that we cannot know; another site's trick needs a name.
    any_address: bool,
}

impl Hosts {
    /// The loopback names, these, and where it listens: beyond loopback, every address.
    pub(crate) fn new(more: impl IntoIterator<Item = String>, listen: SocketAddr) -> Self {
        let loopback = LOOPBACK_NAMES.map(str::to_owned);
        let more = more.into_iter().map(|name| name.to_ascii_lowercase());
        Self {
            names: loopback.into_iter().chain(more).collect(),
            any_address: !listen.ip().is_loopback(),
        }
    }

    /// True where `host`, with or without a port, is one of them.
    pub(crate) fn allows(&self, host: &str) -> bool {
        let name = name_of(host);
        let bare = name.trim_start_matches('[').trim_end_matches(']');
        let is_address = self.any_address && bare.parse::<IpAddr>().is_ok();
        is_address || self.names.contains(&name)
    }
}

const LOOPBACK_NAMES: [&str; 3] = ["localhost", "127.0.0.1", "[::1]"];

/// True where `host`, with or without a port, is this machine to itself.
pub(crate) fn is_loopback_name(host: &str) -> bool {
    LOOPBACK_NAMES.contains(&name_of(host).as_str())
}

/// The name in `host:port`, as names are compared.
fn name_of(host: &str) -> String {
    let name = without_port(host).to_ascii_lowercase();
    name.strip_suffix('.').map(str::to_owned).unwrap_or(name)
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

/// Refuses requests that would change something and come from another site's page.
///
/// A browser says where a request comes from (`Origin`, `Sec-Fetch-Site`), and a page cannot change
/// what it says; other programs say nothing. What is sent has to be JSON: a form of another site can
/// send texts and forms without asking, but JSON only after asking, and we allow nobody.
pub(crate) async fn check_write(request: Request, next: Next) -> Response {
    if request.method().is_safe() {
        return next.run(request).await;
    }
    let headers = request.headers();
    if !is_from_here(headers, request.uri()) {
        return Problem::new(
            StatusCode::FORBIDDEN,
            "This request comes from another site's page. Changes are made from this station's own page, or by a program.",
        )
        .into_response();
    }
    if !is_json(headers) {
        return Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "Send JSON, with the header `content-type: application/json`.",
        )
        .into_response();
    }
    next.run(request).await
}

fn is_from_here(headers: &HeaderMap, uri: &Uri) -> bool {
    let said = |name: &HeaderName| headers.get(name).map(HeaderValue::to_str);
    let is_our_page = match said(&SEC_FETCH_SITE) {
        None => true,
        Some(site) => matches!(site, Ok("same-origin" | "none")),
    };
    let is_our_origin = match said(&header::ORIGIN) {
        None => true,
        Some(Err(_)) => false,
        Some(Ok(origin)) => {
            let host = match uri.authority() {
                Some(authority) => Some(authority.as_str()),
                None => said(&header::HOST).and_then(Result::ok),
            };
            let from = origin.split_once("://").map(|(_, authority)| authority);
            from.zip(host)
                .is_some_and(|(from, host)| from.eq_ignore_ascii_case(host))
        }
    };
    is_our_page && is_our_origin
}

const SEC_FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// `application/json`, whatever its parameters.
fn is_json(headers: &HeaderMap) -> bool {
    let said = headers
        .get(header::CONTENT_TYPE)
        .and_then(|said| said.to_str().ok());
    let media = said.and_then(|said| said.split(';').next());
    media.is_some_and(|media| media.trim().eq_ignore_ascii_case("application/json"))
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
    // A handler that answers with a document of its own says what that may load.
    for (name, value) in HEADERS {
        headers
            .entry(name)
            .or_insert(HeaderValue::from_static(value));
    }
    headers
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOOPBACK: SocketAddr = SocketAddr::new(IpAddr::V4(std::net::Ipv4Addr::LOCALHOST), 0);

    #[test]
    fn beyond_the_machine_every_address_is_ours_and_no_name_of_another() {
        let hosts = Hosts::new([], "0.0.0.0:7360".parse().unwrap());
        for ours in [
            "192.0.2.7",
            "192.0.2.7:7360",
            "[2001:db8::7]:7360",
            "localhost",
        ] {
            assert!(hosts.allows(ours), "{ours}");
        }
        for other in ["oven3.lab.example", "192.0.2.7.evil.example", "192.0.2", ""] {
            assert!(!hosts.allows(other), "{other}");
        }
    }

    #[test]
    fn only_our_own_names_are_allowed() {
        let hosts = Hosts::new(
            ["Oven3.lab.example".to_owned(), "192.0.2.7".to_owned()],
            LOOPBACK,
        );
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

    /// The matrix of Fetch Metadata (W3C, section 2.3) and of RFC 6454, section 7.
    #[test]
    fn only_our_own_page_and_programs_may_change_something() {
        let from_here = |origin: Option<&str>, site: Option<&str>| {
            let mut headers = HeaderMap::new();
            headers.insert(header::HOST, HeaderValue::from_static("localhost:7360"));
            let named = [(header::ORIGIN, origin), (SEC_FETCH_SITE, site)];
            for (name, value) in named {
                value.map(|value| headers.insert(name, value.parse().unwrap()));
            }
            is_from_here(&headers, &Uri::from_static("/api/v1/corrections"))
        };
        assert!(from_here(None, None));
        assert!(from_here(
            Some("http://localhost:7360"),
            Some("same-origin")
        ));
        assert!(from_here(Some("https://LOCALHOST:7360"), None));
        for (origin, site) in [
            (Some("http://evil.example"), None),
            (Some("http://localhost"), None),
            (Some("http://localhost:7361"), Some("same-site")),
            (Some("null"), None),
            (None, Some("cross-site")),
            (None, Some("same-site")),
            (Some("http://localhost:7360"), Some("cross-site")),
            (Some("http://localhost:7360.evil.example"), None),
        ] {
            assert!(!from_here(origin, site), "{origin:?} {site:?}");
        }
    }

    #[test]
    fn only_json_is_taken() {
        let is_taken = |said: &'static str| {
            let said = HeaderValue::from_static(said);
            is_json(&HeaderMap::from_iter([(header::CONTENT_TYPE, said)]))
        };
        assert!(is_taken("application/json"));
        assert!(is_taken("Application/JSON; charset=utf-8"));
        for other in [
            "text/plain",
            "application/x-www-form-urlencoded",
            "application/jsonp",
            "",
            "text/plain; application/json",
        ] {
            assert!(!is_taken(other), "{other}");
        }
        assert!(!is_json(&HeaderMap::new()));
    }

    #[test]
    fn no_host_breaks_the_check() {
        let hosts = Hosts::new([], LOOPBACK);
        bolero::check!()
            .with_type::<String>()
            .for_each(|host: &String| {
                let is_allowed = hosts.allows(host);
                assert!(!is_allowed || host.to_ascii_lowercase().starts_with(['l', '1', '[']));
            });
    }
}
