//! `/api/v1/session`: who the one at the page is, and signing in and out.

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{Body, Shared};
use crate::access::{COOKIE, Door, Who};
use crate::problem::Problem;

/// How long a browser stays signed in, s: a month.
const KEPT_S: u32 = 31 * 24 * 3600;

/// Who asks.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Session {
    /// `operate`, `view`, or `null` for whoever has to sign in first.
    role: Option<&'static str>,
    /// Name of the token that was shown; `null` without one.
    token: Option<String>,
}

/// A token that is shown.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct SignIn {
    /// The token, as `zonda token add` printed it.
    token: String,
}

impl From<Who> for Session {
    fn from(who: Who) -> Self {
        Self {
            role: who.role.map(zonda_store::Role::word),
            token: who.token,
        }
    }
}

/// Who the one who asks is, and what they may do.
#[utoipa::path(get, path = "/api/v1/session", tag = "station", responses((status = 200, body = Session)))]
pub(crate) async fn session(Extension(who): Extension<Who>) -> Json<Session> {
    Json(who.into())
}

/// Signs a browser in: the token goes into a cookie that no script can read.
#[utoipa::path(post, path = "/api/v1/session", tag = "station", request_body = SignIn,
    responses((status = 200, body = Session), (status = 400, body = Problem, content_type = "application/problem+json"), (status = 401, body = Problem, content_type = "application/problem+json")))]
pub(crate) async fn sign_in(
    State(shared): State<Shared>,
    Body(asked): Body<SignIn>,
) -> Result<Response, Problem> {
    let secret = asked.token.trim();
    let who = Door::of(&shared.view).find(secret)?.ok_or_else(|| {
        Problem::new(
            StatusCode::UNAUTHORIZED,
            "This token is not known here, or was revoked. Look whether all of it was copied.",
        )
    })?;
    Ok((set(secret, KEPT_S), Json(Session::from(who))).into_response())
}

/// Signs a browser out.
#[utoipa::path(delete, path = "/api/v1/session", tag = "station", responses((status = 204, description = "The cookie is taken away.")))]
pub(crate) async fn sign_out() -> Response {
    (StatusCode::NO_CONTENT, set("", 0)).into_response()
}

fn set(value: &str, seconds: u32) -> [(header::HeaderName, String); 1] {
    [(
        header::SET_COOKIE,
        format!("{COOKIE}={value}; Path=/; HttpOnly; SameSite=Strict; Max-Age={seconds}"),
    )]
}
