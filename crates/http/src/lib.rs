//! The HTTP side: the API, the live stream, exports, metrics and the page.
//!
//! A reader is never allowed to cost the recording anything: handlers read the board and short pages
//! of the store, every reader pulls at its own pace from something bounded, and whoever is too slow
//! is disconnected ([`server`]). What is recorded is the station's business; nothing here writes.
//!
//! - [`View`]: what this side sees of the station.
//! - [`app::App`]: the routes, and the task that builds the live frames.
//! - [`FirstRun`]: what is served while there is no configuration yet.
//! - [`server::serve`]: the accept loop, its limits, and its end.

mod access;
mod api;
pub mod app;
mod first;
mod guard;
mod page;
mod problem;
pub mod server;
mod stream;
mod view;

pub use access::Peer;
pub use api::corrections::{changes as correction_changes, list as corrections};
pub use api::runs::answer_alone as answer_runs;
pub use app::App;
pub use first::{FirstRun, Search};
pub use problem::Problem;
pub use view::{LineView, View};
