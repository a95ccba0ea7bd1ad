//! A run as an SQLite file of its own: made whole in the folder for temporary files, then sent.

use axum::body::Body;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use futures::stream;
use tokio::fs::File;
use tokio::io::AsyncReadExt as _;
use tokio::sync::OwnedSemaphorePermit;
use zonda_model::ChannelName;
use zonda_report::{RunFacts, cut_ask};

use super::file_name;
use crate::api::Shared;
use crate::api::disposition::disposition;
use crate::problem::Problem;

/// What SQLite's own registration calls it (IANA, `application/vnd.sqlite3`).
const SQLITE: &str = "application/vnd.sqlite3";

/// A chunk on its way.
const CHUNK: usize = 64 << 10;

/// The run, or the chosen channels of it. Whoever leaves meanwhile leaves nothing behind.
pub(super) async fn answer(
    shared: &Shared,
    run: &RunFacts,
    channels: Option<&[ChannelName]>,
    permit: OwnedSemaphorePermit,
) -> Result<Response, Problem> {
    let record = &shared.view.record;
    let ask = cut_ask(record, run, channels, shared.view.now()).await?;
    let name = file_name(&format!("zonda_{}.sqlite", run.name()), channels, shared);
    let failed = |error: std::io::Error| {
        Problem::internal(
            "the cut-out failed in the folder for temporary files",
            &error,
        )
    };
    let folder = tempfile::tempdir().map_err(failed)?;
    let path = folder.path().join("run.sqlite");
    record.cut_out_into(&ask, &path, |_| {}).await?;
    let file = File::open(&path).await.map_err(failed)?;
    let size = file.metadata().await.map_err(failed)?.len();
    // Open, it lasts as long as somebody reads; its name and folder need not.
    folder.close().map_err(failed)?;
    let headers = [
        (header::CONTENT_TYPE, SQLITE.to_owned()),
        (header::CONTENT_LENGTH, size.to_string()),
        disposition("attachment", &name),
    ];
    Ok((headers, body_of(file, permit)).into_response())
}

fn body_of(file: File, permit: OwnedSemaphorePermit) -> Body {
    let chunks = stream::try_unfold((file, permit), |(mut file, permit)| async move {
        let mut chunk = Vec::with_capacity(CHUNK);
        file.read_buf(&mut chunk).await?;
        let more = (!chunk.is_empty()).then_some((chunk, (file, permit)));
        Ok::<_, std::io::Error>(more)
    });
    Body::from_stream(chunks)
}
