//! Who may do what: everybody here, whoever has a token from elsewhere.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

mod bench;

use std::net::SocketAddr;

use axum::http::request::Builder;
use axum::http::{Method, Request, StatusCode, header};
use axum::response::Response;
use bench::{Bench, body};
use futures::StreamExt;
use serde_json::Value;
use tower::ServiceExt;
use zonda_http::Peer;
use zonda_model::Stamp;
use zonda_store::{Role, Tokens};

/// RFC 5737: addresses for documentation.
const ELSEWHERE: &str = "192.0.2.7:40000";
const HERE: &str = "127.0.0.1:40000";

fn make(bench: &Bench, name: &str, role: Role) -> String {
    let mut tokens = Tokens::load(&bench.view.config.station.data).unwrap();
    let secret = tokens.add(name.parse().unwrap(), role, Stamp::from_millis(0));
    secret.unwrap().reveal().to_owned()
}

async fn ask(bench: &Bench, from: &str, request: Builder, sent: &str) -> Response {
    let is_named = request
        .headers_ref()
        .is_some_and(|headers| headers.contains_key(header::HOST));
    let request = if is_named {
        request
    } else {
        request.header(header::HOST, "localhost")
    };
    let request = request
        .header(header::CONTENT_TYPE, "application/json")
        .extension(Peer(from.parse::<SocketAddr>().unwrap()))
        .body(axum::body::Body::from(sent.to_owned()))
        .unwrap();
    bench.app.router().oneshot(request).await.unwrap()
}

async fn status(bench: &Bench, from: &str, request: Builder) -> StatusCode {
    ask(bench, from, request, "{}").await.status()
}

fn bearer(request: Builder, secret: &str) -> Builder {
    request.header(header::AUTHORIZATION, format!("Bearer {secret}"))
}

/// A change that is refused for what it says (422), once it is let in.
fn change() -> Builder {
    Request::post("/api/v1/runs")
}

#[tokio::test]
async fn here_nobody_is_asked_and_from_elsewhere_everybody() {
    let bench = Bench::new().await;
    for address in ["/api/v1/live", "/api/v1/station", "/metrics"] {
        let get = || Request::get(address);
        assert_eq!(status(&bench, HERE, get()).await, StatusCode::OK);
        assert_eq!(
            status(&bench, ELSEWHERE, get()).await,
            StatusCode::UNAUTHORIZED,
            "{address}"
        );
    }
    assert_eq!(
        status(&bench, HERE, change()).await,
        StatusCode::UNPROCESSABLE_ENTITY
    );
    assert_eq!(
        status(&bench, ELSEWHERE, change()).await,
        StatusCode::UNAUTHORIZED
    );
    for open in ["/", "/main.js", "/healthz", "/api/v1/session"] {
        let answer = status(&bench, ELSEWHERE, Request::get(open)).await;
        assert_eq!(answer, StatusCode::OK, "{open}");
    }
    // An IPv4 address in IPv6 clothes, as a socket for both sees it (RFC 4291, 2.5.5.2).
    let mapped = status(&bench, "[::ffff:192.0.2.7]:1", Request::get("/api/v1/live")).await;
    assert_eq!(mapped, StatusCode::UNAUTHORIZED);
    let mapped = status(&bench, "[::ffff:127.0.0.1]:1", Request::get("/api/v1/live")).await;
    assert_eq!(mapped, StatusCode::OK);
}

/// A proxy that stands on the same machine calls from there, too; whom it speaks for is asked.
#[tokio::test]
async fn what_a_proxy_passes_on_comes_from_elsewhere() {
    let bench = Bench::new().await;
    let secret = make(&bench, "desk", Role::Operate);
    for (name, value) in [
        ("forwarded", "for=192.0.2.7"),
        ("x-forwarded-for", "192.0.2.7"),
        ("x-real-ip", "192.0.2.7"),
        ("via", "1.1 door"),
        ("host", "oven3.lab.example"),
    ] {
        let get = || Request::get("/api/v1/live").header(name, value);
        assert_eq!(
            status(&bench, HERE, get()).await,
            StatusCode::UNAUTHORIZED,
            "{name}"
        );
        assert_eq!(
            status(&bench, HERE, bearer(get(), &secret)).await,
            StatusCode::OK,
            "{name}"
        );
    }
}

#[tokio::test]
async fn a_role_lets_look_or_change() {
    let bench = Bench::new().await;
    let (view, operate) = (
        make(&bench, "wall", Role::View),
        make(&bench, "desk", Role::Operate),
    );
    for (secret, looks, changes) in [
        (&view, StatusCode::OK, StatusCode::FORBIDDEN),
        (&operate, StatusCode::OK, StatusCode::UNPROCESSABLE_ENTITY),
        (
            &format!("{view}0"),
            StatusCode::UNAUTHORIZED,
            StatusCode::UNAUTHORIZED,
        ),
        (
            &String::new(),
            StatusCode::UNAUTHORIZED,
            StatusCode::UNAUTHORIZED,
        ),
    ] {
        let look = bearer(Request::get("/api/v1/live"), secret);
        assert_eq!(status(&bench, ELSEWHERE, look).await, looks, "{secret}");
        let change = bearer(change(), secret);
        assert_eq!(status(&bench, ELSEWHERE, change).await, changes, "{secret}");
    }
    let basic = Request::get("/api/v1/live").header(header::AUTHORIZATION, "Basic ZGVzazo=");
    assert_eq!(
        status(&bench, ELSEWHERE, basic).await,
        StatusCode::UNAUTHORIZED
    );
    for method in [Method::PUT, Method::PATCH, Method::DELETE] {
        let request = bearer(
            Request::builder()
                .method(method.clone())
                .uri("/api/v1/runs/1"),
            &view,
        );
        assert_eq!(
            status(&bench, ELSEWHERE, request).await,
            StatusCode::FORBIDDEN,
            "{method}"
        );
    }
}

#[tokio::test]
async fn a_browser_signs_in_and_out_and_a_revoked_token_is_refused_at_once() {
    let bench = Bench::new().await;
    let secret = make(&bench, "wall", Role::View);
    let wrong = ask(
        &bench,
        ELSEWHERE,
        Request::post("/api/v1/session"),
        r#"{"token": "zonda-1"}"#,
    )
    .await;
    assert_eq!(wrong.status(), StatusCode::UNAUTHORIZED);
    assert!(wrong.headers().get(header::SET_COOKIE).is_none());

    let sent = format!(r#"{{"token": " {secret} "}}"#);
    let answer = ask(&bench, ELSEWHERE, Request::post("/api/v1/session"), &sent).await;
    assert_eq!(answer.status(), StatusCode::OK);
    let cookie = answer.headers()[header::SET_COOKIE]
        .to_str()
        .unwrap()
        .to_owned();
    for needed in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(needed), "{cookie}");
    }
    let pair = cookie.split(';').next().unwrap();
    let signed = |request: Builder| request.header(header::COOKIE, format!("other=1; {pair}"));
    let get = || signed(Request::get("/api/v1/live"));
    assert_eq!(status(&bench, ELSEWHERE, get()).await, StatusCode::OK);

    // A viewer's page can be tried on this machine, too.
    let said = ask(&bench, HERE, signed(Request::get("/api/v1/session")), "").await;
    let said: Value = serde_json::from_slice(&body(said).await).unwrap();
    assert_eq!(said, serde_json::json!({"role": "view", "token": "wall"}));
    assert_eq!(
        status(&bench, HERE, signed(change())).await,
        StatusCode::FORBIDDEN
    );

    let out = ask(
        &bench,
        ELSEWHERE,
        signed(Request::delete("/api/v1/session")),
        "",
    )
    .await;
    assert_eq!(out.status(), StatusCode::NO_CONTENT);
    assert!(
        out.headers()[header::SET_COOKIE]
            .to_str()
            .unwrap()
            .contains("Max-Age=0")
    );

    let mut tokens = Tokens::load(&bench.view.config.station.data).unwrap();
    tokens.revoke(&"wall".parse().unwrap()).unwrap();
    assert_eq!(
        status(&bench, ELSEWHERE, get()).await,
        StatusCode::UNAUTHORIZED
    );
    // Whom this machine trusts anyway is not locked out by an old cookie.
    assert_eq!(status(&bench, HERE, get()).await, StatusCode::OK);
}

#[tokio::test]
async fn tokens_that_cannot_be_read_open_no_door() {
    let bench = Bench::new().await;
    let secret = make(&bench, "desk", Role::Operate);
    std::fs::write(bench.view.config.station.data.join("tokens"), "damaged\n").unwrap();
    let request = bearer(Request::get("/api/v1/live"), &secret);
    assert_eq!(
        status(&bench, ELSEWHERE, request).await,
        StatusCode::INTERNAL_SERVER_ERROR
    );
}

/// Who reads the live stream by a token is sent away soon after it was revoked, and not let in again.
#[tokio::test]
async fn a_revoked_token_cuts_the_stream() {
    let bench = Bench::new().await;
    let secret = make(&bench, "wall", Role::View);
    let feed = tokio::spawn(bench.app.feed());
    let stream = || bearer(Request::get("/api/v1/live/stream"), &secret);
    let answer = ask(&bench, ELSEWHERE, stream(), "").await;
    assert_eq!(answer.status(), StatusCode::OK);
    let mut events = answer.into_body().into_data_stream();
    assert!(events.next().await.is_some(), "it begins with a hello");

    // A time later it goes on, as long as the token is known.
    later().await;
    assert!(events.next().await.is_some());
    let mut tokens = Tokens::load(&bench.view.config.station.data).unwrap();
    tokens.revoke(&"wall".parse().unwrap()).unwrap();
    later().await;
    let rest = tokio::time::timeout(std::time::Duration::from_secs(10), async {
        while events.next().await.is_some() {}
    });
    rest.await.expect("the stream ends");
    assert_eq!(
        status(&bench, ELSEWHERE, stream()).await,
        StatusCode::UNAUTHORIZED
    );
    feed.abort();
}

async fn later() {
    tokio::time::pause();
    tokio::time::advance(std::time::Duration::from_secs(3)).await;
    tokio::time::resume();
}
