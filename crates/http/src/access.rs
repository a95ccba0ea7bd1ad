//! Who may do what: on this machine everybody everything, from beyond it whoever has a token.
//!
//! A token comes as `Authorization: Bearer` from programs and as a cookie from the page. A cookie, since
//! the live stream and downloads carry no header of ours; `HttpOnly`, so that no script reads it, and
//! `SameSite=Strict`, so that no other site's page sends it. Whoever shows a token is taken at that
//! token's role also on this machine, so that a viewer's page can be tried there. What a proxy on this machine passes on
//! is from beyond it.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use tokio::time::Instant;
use zonda_store::{Role, TokenError, Tokens};

use crate::guard;
use crate::problem::Problem;
use crate::view::View;

/// The cookie's name.
pub(crate) const COOKIE: &str = "zonda_token";

/// Where a connection comes from. A request without one was made within this process.
#[derive(Clone, Copy, Debug)]
pub struct Peer(pub SocketAddr);

/// Where the tokens are.
#[derive(Clone, Debug)]
pub(crate) struct Door(Arc<PathBuf>);

/// A token by which somebody came in and stays, as a reader of the live stream does.
pub(crate) struct Pass {
    door: Door,
    secret: String,
    asked: Instant,
}

/// How long a token that was revoked may still be read by.
const PASS_FRESH: Duration = Duration::from_secs(2);

impl Pass {
    /// False once the token was revoked. Looks no more often than every two seconds. Where the tokens cannot be read, nobody
    /// is let on by them.
    pub(crate) fn is_valid(&mut self) -> bool {
        if self.asked.elapsed() < PASS_FRESH {
            return true;
        }
        self.asked = Instant::now();
        matches!(self.door.find(&self.secret), Ok(Some(_)))
    }
}

/// Who asks, as far as is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Who {
    /// What they may do; `None` is nothing.
    pub(crate) role: Option<Role>,
    /// The token's name, where one was shown.
    pub(crate) token: Option<String>,
}

impl Door {
    pub(crate) fn of(view: &View) -> Self {
        Self(Arc::new(view.config.station.data.clone()))
    }

    /// What was shown, where it was a token that is known: to ask again later whether it still is.
    pub(crate) fn pass(&self, headers: &HeaderMap) -> Option<Pass> {
        let secret = bearer(headers).or_else(|| cookie(headers))?;
        let pass = Pass {
            door: self.clone(),
            secret: secret.to_owned(),
            asked: Instant::now(),
        };
        self.find(secret).ok().flatten().map(|_| pass)
    }

    /// Who asks. A token that is not known counts as none, unless it was shown on purpose.
    ///
    /// # Errors
    /// The tokens cannot be read, or a program shows one that is unknown.
    pub(crate) fn who(&self, headers: &HeaderMap, peer: Option<Peer>) -> Result<Who, Problem> {
        if let Some(secret) = bearer(headers) {
            let known = self.find(secret)?;
            return known
                .ok_or_else(|| unauthorised("This token is not known here, or was revoked."));
        }
        if let Some(secret) = cookie(headers)
            && let Some(known) = self.find(secret)?
        {
            return Ok(known);
        }
        let is_here = peer.is_none_or(|Peer(peer)| {
            peer.ip().to_canonical().is_loopback() && !is_passed_on(headers)
        });
        Ok(Who {
            role: is_here.then_some(Role::Operate),
            token: None,
        })
    }

    /// Whose secret this is, if anybody's.
    pub(crate) fn find(&self, secret: &str) -> Result<Option<Who>, Problem> {
        let tokens = Tokens::load(&self.0)?;
        Ok(tokens.find(secret).map(|token| Who {
            role: Some(token.role),
            token: Some(token.name.to_string()),
        }))
    }
}

/// Whether a request comes through a proxy on this machine: then it is not the machine itself that asks. A proxy says
/// so itself, or it passes on the name that it was called by.
fn is_passed_on(headers: &HeaderMap) -> bool {
    let host = headers
        .get(header::HOST)
        .and_then(|host| host.to_str().ok());
    PROXIED.iter().any(|name| headers.contains_key(*name))
        || !host.is_none_or(guard::is_loopback_name)
}

/// By RFC 7239 and RFC 9110, and what was usual before them.
const PROXIED: [&str; 4] = ["forwarded", "via", "x-forwarded-for", "x-real-ip"];

impl From<TokenError> for Problem {
    fn from(error: TokenError) -> Self {
        Self::internal("the tokens could not be read", &error)
    }
}

/// Refuses what the one who asks may not do.
pub(crate) async fn check_access(
    State(door): State<Door>,
    mut request: Request,
    next: Next,
) -> Response {
    let peer = request.extensions().get::<Peer>().copied();
    let who = match door.who(request.headers(), peer) {
        Ok(who) => who,
        Err(problem) => return problem.into_response(),
    };
    if let Some(refusal) = refusal(&request, who.role) {
        return refusal.into_response();
    }
    request.extensions_mut().insert(who);
    next.run(request).await
}

fn refusal(request: &Request, role: Option<Role>) -> Option<Problem> {
    let path = request.uri().path();
    if !is_guarded(path) {
        return None;
    }
    match role {
        None => Some(unauthorised(
            "From beyond its own machine this station answers whoever has a token: sign in on the page, or send `Authorization: Bearer`. `zonda token add` makes one.",
        )),
        Some(Role::View) if !request.method().is_safe() => Some(Problem::new(
            StatusCode::FORBIDDEN,
            "This token is for looking (`view`). To change something, sign in with one whose role is `operate`.",
        )),
        Some(_) => None,
    }
}

/// The page's own files, health and the way in are for everybody; what is measured is not.
fn is_guarded(path: &str) -> bool {
    (path.starts_with("/api/") && path != "/api/v1/session") || path == "/metrics"
}

fn unauthorised(detail: &str) -> Problem {
    Problem::new(StatusCode::UNAUTHORIZED, detail)
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let said = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, secret) = said.split_once(' ')?;
    scheme
        .eq_ignore_ascii_case("bearer")
        .then_some(secret.trim())
}

/// RFC 6265, section 5.4: pairs, separated by `; `.
fn cookie(headers: &HeaderMap) -> Option<&str> {
    let all = headers.get_all(header::COOKIE).into_iter();
    let texts = all.filter_map(|value| value.to_str().ok());
    texts
        .flat_map(|text| text.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find_map(|(name, value)| (name == COOKIE).then_some(value))
}
