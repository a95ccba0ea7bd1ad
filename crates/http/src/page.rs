//! The page: hand-written files inside the binary. In a debug build they are read from the source
//! tree at each request, so that an edit shows on reload.

use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use rust_embed::{EmbeddedFile, RustEmbed};

use crate::problem::Problem;

#[derive(RustEmbed)]
#[folder = "page"]
#[include = "*.html"]
#[include = "*.css"]
#[include = "*.js"]
#[include = "*.svg"]
struct Files;

/// A file of the page, or a problem that says that there is none.
pub(crate) async fn asset(uri: Uri, headers: HeaderMap) -> Response {
    let path = match uri.path() {
        "/" => "index.html",
        path => path.trim_start_matches('/'),
    };
    match Files::get(path) {
        Some(file) => answer(path, &file, &headers),
        None => Problem::not_found(format!(
            "There is nothing at {}; /openapi.json lists what there is.",
            uri.path()
        ))
        .into_response(),
    }
}

fn answer(path: &str, file: &EmbeddedFile, headers: &HeaderMap) -> Response {
    let hash = file.metadata.sha256_hash();
    // Half of it tells versions of one small file apart.
    let short = hash
        .iter()
        .take(16)
        .fold(0_u128, |number, byte| number << 8 | u128::from(*byte));
    let tag = format!("\"{short:032x}\"");
    let shared = [
        (header::ETAG, tag.clone()),
        (header::CACHE_CONTROL, "no-cache".to_owned()),
    ];
    let is_known = headers
        .get(header::IF_NONE_MATCH)
        .is_some_and(|known| known.as_bytes() == tag.as_bytes());
    if is_known {
        return (StatusCode::NOT_MODIFIED, shared).into_response();
    }
    let mime = mime_guess::from_path(path).first_or_octet_stream();
    let kind = if mime.type_() == "text" {
        format!("{mime}; charset=utf-8")
    } else {
        mime.to_string()
    };
    (shared, [(header::CONTENT_TYPE, kind)], file.data.clone()).into_response()
}
