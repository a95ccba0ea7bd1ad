//! The routes with what stands before them, and the description of the API made from the same list.

use std::any::Any;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::{StatusCode, header};
use axum::middleware;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;
use tower_http::CompressionLevel;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::timeout::TimeoutLayer;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::access::{self, Door};
use crate::api::{self, Inner, Shared};
use crate::guard::{self, Hosts};
use crate::problem::Problem;
use crate::stream::{Feed, Frame, Hello, STREAMS_MAX};
use crate::view::View;
use crate::{page, stream};

/// Bytes of a request's body: room for a mapping with its certificate.
const BODY_MAX: usize = 64 << 10;
/// How long a handler may take until its answer begins; streams go on after that.
const ANSWER_WAIT: Duration = Duration::from_secs(30);
/// Readings of history at once; further ones wait their turn.
const HISTORIES_MAX: usize = 4;

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Zonda",
        description = "What a station records, live and past. Everything the page shows comes from here.",
        license(name = "Apache-2.0", identifier = "Apache-2.0")
    ),
    tags(
        (name = "station", description = "The station and its lines"),
        (name = "channels", description = "What is recorded"),
        (name = "live", description = "Values as they come"),
        (name = "record", description = "What was recorded"),
        (name = "instruments", description = "Whether they can be trusted"),
        (name = "runs", description = "Named stretches of the recording"),
        (name = "operation", description = "For service managers and monitoring"),
    ),
    components(schemas(Problem, Hello, Frame))
)]
struct Described;

/// The HTTP side, ready to be served.
#[derive(Debug)]
pub struct App {
    shared: Shared,
    runs: api::runs::Desk,
    hosts: Hosts,
}

impl App {
    /// For a station. Requests may call it by the loopback names and by `hosts`; `stop` ends the live
    /// streams.
    pub fn new(
        view: View,
        hosts: impl IntoIterator<Item = String>,
        stop: CancellationToken,
    ) -> Self {
        let listen = view.config.http.listen;
        let runs = api::runs::Desk::new(view.runs.clone());
        let shared = Inner {
            feed: Feed::new(&view),
            view,
            streams: Arc::new(Semaphore::new(STREAMS_MAX)),
            exports: Arc::new(Semaphore::new(api::export::EXPORTS_MAX)),
            histories: Semaphore::new(HISTORIES_MAX),
            stop,
        };
        Self {
            shared: Arc::new(shared),
            runs,
            hosts: Hosts::new(hosts, listen),
        }
    }

    /// Builds the live frames until the app is stopped. Without it the stream has a `hello` and
    /// nothing more.
    pub fn feed(&self) -> impl Future<Output = ()> + Send + 'static {
        let shared = Arc::clone(&self.shared);
        shared
            .feed
            .clone()
            .run(shared.view.clone(), shared.stop.clone())
    }

    /// Keeps the evaluations of runs that go on up to date until `stop`, which comes before the record is closed. Without it they
    /// are worked out where somebody asks.
    pub fn evaluations(
        &self,
        stop: CancellationToken,
    ) -> impl Future<Output = ()> + Send + 'static {
        self.runs.clone().keep_up(stop)
    }

    /// The routes.
    pub fn router(&self) -> Router {
        let runs = api::runs::routes(self.runs.clone());
        let (router, description) = described().merge(runs).split_for_parts();
        let description = description.to_pretty_json().unwrap_or_default();
        let json = [(header::CONTENT_TYPE, "application/json")];
        let router = router
            .route(
                "/openapi.json",
                get(move || async move { (json, description) }),
            )
            .fallback(page::asset)
            .method_not_allowed_fallback(|| async {
                Problem::new(
                    StatusCode::METHOD_NOT_ALLOWED,
                    "This address can only be read (GET).",
                )
            })
            .with_state(Arc::clone(&self.shared));
        // From the inside out: the last one sees a request first and an answer last, so that also the
        // answer to a panic has its headers, and nobody unknown gets further than the check.
        router
            .layer(CompressionLayer::new().quality(CompressionLevel::Fastest))
            .layer(DefaultBodyLimit::max(BODY_MAX))
            .layer(TimeoutLayer::with_status_code(
                StatusCode::GATEWAY_TIMEOUT,
                ANSWER_WAIT,
            ))
            .layer(middleware::from_fn(guard::check_write))
            .layer(middleware::from_fn_with_state(
                Door::of(&self.shared.view),
                access::check_access,
            ))
            .layer(middleware::from_fn_with_state(
                self.hosts.clone(),
                guard::check_host,
            ))
            .layer(CatchPanicLayer::custom(answer_to_panic))
            .layer(middleware::map_response(guard::add_headers))
    }
}

/// The routes of the API. What is listed here is documented, and what is documented is listed here.
fn described() -> OpenApiRouter<Shared> {
    OpenApiRouter::with_openapi(Described::openapi())
        .routes(routes!(api::station::station))
        .routes(routes!(api::templates::templates))
        .routes(routes!(api::configuration::configuration))
        .routes(routes!(
            api::session::session,
            api::session::sign_in,
            api::session::sign_out
        ))
        .routes(routes!(api::channels::channels))
        .routes(routes!(api::channels::channel))
        .routes(routes!(api::live::live))
        .routes(routes!(stream::live_stream))
        .routes(routes!(api::history::history))
        .routes(routes!(api::export::export))
        .routes(routes!(api::export::export_run))
        .routes(routes!(api::report::report_on))
        .routes(routes!(api::events::events))
        .routes(routes!(api::gaps::gaps))
        .routes(routes!(
            api::corrections::corrections,
            api::corrections::correct
        ))
        .routes(routes!(api::corrections::undo))
        .routes(routes!(api::lines::lines))
        .routes(routes!(api::meters::meters))
        .routes(routes!(api::layouts::layouts))
        .routes(routes!(api::prestart::prestart))
        .routes(routes!(api::agreement::agreement))
        .routes(routes!(api::loopchecks::loopchecks, api::loopchecks::begin))
        .routes(routes!(api::loopchecks::loopcheck))
        .routes(routes!(api::loopchecks::applied))
        .routes(routes!(api::loopchecks::end))
        .routes(routes!(api::health::healthz))
        .routes(routes!(api::health::readyz))
        .routes(routes!(api::metrics::metrics))
}

#[expect(
    clippy::needless_pass_by_value,
    reason = "the layer hands over what was thrown"
)]
fn answer_to_panic(panic: Box<dyn Any + Send>) -> Response {
    let text = panic.downcast_ref::<&str>().copied().map(str::to_owned);
    let text = text.or_else(|| panic.downcast_ref::<String>().cloned());
    tracing::error!(
        panic = text.as_deref().unwrap_or("unknown"),
        "a handler panicked"
    );
    Problem::new(
        StatusCode::INTERNAL_SERVER_ERROR,
        "This answer failed by a fault of the program; the log has the details. Recording goes on.",
    )
    .into_response()
}
