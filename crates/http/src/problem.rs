//! Errors as the API says them: `application/problem+json` (RFC 9457).

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;

/// The media type of RFC 9457.
const MEDIA_TYPE: &str = "application/problem+json";

/// What went wrong, for a program and for a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Problem {
    /// The status again, so that a saved body tells it.
    pub status: u16,
    /// The status in words.
    pub title: String,
    /// One sentence for a person: what is wrong, and what to do.
    pub detail: String,
}

impl Problem {
    /// A problem with the status' own words as its title.
    pub fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self {
            status: status.as_u16(),
            title: status.canonical_reason().unwrap_or("Error").to_owned(),
            detail: detail.into(),
        }
    }

    /// The request cannot be answered as it stands.
    pub fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, detail)
    }

    /// There is no such thing.
    pub fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, detail)
    }

    /// As many as are allowed are already being served.
    pub fn busy(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, detail)
    }

    /// Something failed inside. The log gets the chain of causes, the reader a sentence.
    pub fn internal(what: &str, error: &dyn std::error::Error) -> Self {
        tracing::error!(error = %chain(error), "{what}");
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            format!(
                "{what}: {error}. The log has the details; recording does not depend on this answer."
            ),
        )
    }
}

/// An error with its causes, as one line.
fn chain(error: &dyn std::error::Error) -> String {
    let causes = std::iter::successors(Some(error), |error| error.source());
    causes
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join(": ")
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, Json(self)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(MEDIA_TYPE));
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        if status == StatusCode::SERVICE_UNAVAILABLE {
            headers.insert(header::RETRY_AFTER, HeaderValue::from_static("5"));
        }
        response
    }
}
