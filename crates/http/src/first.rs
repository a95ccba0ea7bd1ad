//! Before there is a configuration: a page that says what to do, what is plugged in, and that takes a first file.
//!
//! Nothing is recorded and no line is opened but to search it. It is served on this machine alone, with the same
//! guards as the station's own page. Whoever runs it waits for the file and then starts the station in its place.

use std::fmt;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use axum::extract::{DefaultBodyLimit, State};
use axum::http::{StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router, middleware};
use futures::future::BoxFuture;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use tower_http::catch_panic::CatchPanicLayer;

use crate::api::Body;
use crate::api::configuration::{Mistake, mistakes};
use crate::guard::{self, Hosts};
use crate::page;
use crate::problem::Problem;

/// Bytes of a first configuration; a bench of hundreds of channels has less.
const TEXT_MAX: usize = 1 << 20;

/// Looks for what is plugged in. `true` also sends requests; `false` only lists and listens.
pub type Search = Arc<dyn Fn(bool) -> BoxFuture<'static, Result<Value, String>> + Send + Sync>;

/// The way to a first configuration.
#[derive(Clone)]
pub struct FirstRun {
    file: Arc<Path>,
    /// What asking would send, and what to mind, for people.
    announcement: Arc<str>,
    search: Search,
    found: Arc<Mutex<Found>>,
}

impl fmt::Debug for FirstRun {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("FirstRun")
            .field("file", &self.file)
            .finish_non_exhaustive()
    }
}

/// How the search stands.
#[derive(Clone, Debug, Serialize)]
struct Found {
    /// `listening`, `asking`, or `done`.
    state: &'static str,
    /// What the last search found, as `zonda discover --json` says it.
    findings: Option<Value>,
    /// Why it could not.
    trouble: Option<String>,
}

/// What the page shows.
#[derive(Debug, Serialize)]
struct Standing {
    /// The program's version.
    version: &'static str,
    /// Where the configuration is looked for.
    file: String,
    /// What a check says of the file there; empty while there is none.
    mistakes: Vec<Mistake>,
    /// What asking for devices would send.
    announcement: String,
    search: Found,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Wish {
    /// Whether requests may be sent.
    ask: bool,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Text {
    text: String,
    /// Whether it is only looked through.
    #[serde(default)]
    check: bool,
}

impl FirstRun {
    /// For a file that is not there yet. `announcement` says what asking would send.
    pub fn new(file: PathBuf, announcement: &str, search: Search) -> Self {
        Self {
            file: file.into(),
            announcement: announcement.into(),
            search,
            found: Arc::new(Mutex::new(Found {
                state: "done",
                findings: None,
                trouble: None,
            })),
        }
    }

    /// Looks for what is plugged in, unless that is under way.
    pub async fn look(self, asks: bool) {
        {
            let mut found = self.lock();
            if found.state != "done" {
                return;
            }
            found.state = if asks { "asking" } else { "listening" };
        }
        let outcome = (self.search)(asks).await;
        let mut found = self.lock();
        found.state = "done";
        match outcome {
            Ok(findings) => (found.findings, found.trouble) = (Some(findings), None),
            Err(why) => found.trouble = Some(why),
        }
    }

    /// The routes.
    pub fn router(self, hosts: impl IntoIterator<Item = String>) -> Router {
        let listen = std::net::SocketAddr::from(([127, 0, 0, 1], 0));
        Router::new()
            .route("/api/v1/first-run", get(standing))
            .route("/api/v1/first-run/search", post(search))
            .route("/api/v1/first-run/configuration", post(take))
            .route("/healthz", get(|| async { "alive\n" }))
            .route("/readyz", get(not_ready))
            .fallback(files)
            .with_state(self)
            .layer(DefaultBodyLimit::max(TEXT_MAX))
            .layer(middleware::from_fn(guard::check_write))
            .layer(middleware::from_fn_with_state(
                Hosts::new(hosts, listen),
                guard::check_host,
            ))
            .layer(CatchPanicLayer::new())
            .layer(middleware::map_response(guard::add_headers))
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Found> {
        self.found.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

async fn standing(State(first): State<FirstRun>) -> Json<Standing> {
    let text = std::fs::read_to_string(&first.file).ok();
    let search = first.lock().clone();
    Json(Standing {
        version: env!("CARGO_PKG_VERSION"),
        file: first.file.display().to_string(),
        mistakes: text.map_or_else(Vec::new, |text| mistakes_in(&first.file, &text)),
        announcement: first.announcement.to_string(),
        search,
    })
}

async fn search(State(first): State<FirstRun>, Body(wish): Body<Wish>) -> StatusCode {
    tokio::spawn(first.look(wish.ask));
    StatusCode::ACCEPTED
}

/// Puts a configuration that has no mistakes where it is looked for. One that is there is never written over.
async fn take(
    State(first): State<FirstRun>,
    Body(Text { text, check }): Body<Text>,
) -> Result<(StatusCode, Json<Value>), Problem> {
    let mistakes = mistakes_in(&first.file, &text);
    if check || !mistakes.is_empty() {
        let found = serde_json::json!({ "mistakes": mistakes });
        return Ok((StatusCode::OK, Json(found)));
    }
    let (file, shown) = (Arc::clone(&first.file), first.file.display().to_string());
    tokio::task::spawn_blocking(move || write_new(&file, &text))
        .await
        .map_err(|error| Problem::internal("the configuration could not be written", &error))?
        .map_err(|error| {
            Problem::new(
                StatusCode::CONFLICT,
                format!("{shown} could not be written: {error}. Save the text there yourself; the recorder begins as soon as the file is there."),
            )
        })?;
    let saved = serde_json::json!({ "mistakes": [], "saved": first.file.display().to_string() });
    Ok((StatusCode::CREATED, Json(saved)))
}

/// Written beside its place and then linked there, so that nobody reads half of it and nothing is written over.
fn write_new(file: &Path, text: &str) -> std::io::Result<()> {
    let folder = file
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder)?;
    let beside = folder.join(".zonda-first.toml");
    let mut written = std::fs::File::create(&beside)?;
    written.write_all(text.as_bytes())?;
    written.sync_all()?;
    let linked = std::fs::hard_link(&beside, file);
    std::fs::remove_file(&beside)?;
    linked
}

fn mistakes_in(file: &Path, text: &str) -> Vec<Mistake> {
    let folder = file.parent().unwrap_or(Path::new(""));
    let table =
        |path: &str| std::fs::read_to_string(folder.join(path)).map_err(|error| error.to_string());
    match zonda_config::check_with(&file.display().to_string(), text, &table) {
        Ok(_) => Vec::new(),
        Err(faults) => mistakes(&faults),
    }
}

async fn not_ready() -> Problem {
    Problem::busy("There is no configuration yet, so nothing is recorded.")
}

/// The page's files, with another one in front.
async fn files(uri: Uri, headers: axum::http::HeaderMap) -> Response {
    if uri.path().starts_with("/api/") {
        return Problem::not_found(
            "There is no configuration yet: only /api/v1/first-run answers.",
        )
        .into_response();
    }
    if uri.path() == "/" {
        let no_store = [(header::CACHE_CONTROL, "no-store")];
        let first = page::asset(
            Uri::from_static("/first.html"),
            axum::http::HeaderMap::new(),
        );
        return (no_store, first.await).into_response();
    }
    page::asset(uri, headers).await
}
