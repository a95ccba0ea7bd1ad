//! Logs: for a person on a terminal, as JSON for anything else.

use std::io::IsTerminal;

use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::time::FormatTime;

/// The time in UTC, as everywhere in the record.
struct Utc;

impl FormatTime for Utc {
    fn format_time(
        &self,
        writer: &mut tracing_subscriber::fmt::format::Writer<'_>,
    ) -> std::fmt::Result {
        write!(writer, "{:.3}", jiff::Timestamp::now())
    }
}

/// Starts logging to standard error. Lines say when something changes, never that it goes on: a
/// line that is dead all night writes a handful of them.
pub(crate) fn start() {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    let builder = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_timer(Utc)
        .with_writer(std::io::stderr);
    if std::io::stderr().is_terminal() {
        builder.with_target(false).init();
    } else {
        builder.json().init();
    }
}
