//! The accept loop: connections within limits, and an end within seconds.
//!
//! Hand-made on hyper, because an orderly end must not wait for a reader who never reads or a
//! request whose headers never come. The limits:
//!
//! | what | limit | when it is reached |
//! | --- | --- | --- |
//! | connections | [`CONNECTIONS_MAX`] | further ones wait in the kernel's queue |
//! | headers, and idling between requests | [`HEADER_WAIT`] | closed |
//! | a reader that takes nothing | [`WRITE_WAIT`] | closed |
//! | unsent bytes of a connection | [`BUFFER_MAX`] | the answer is not asked for more |
//! | requests under way at the end | [`DRAIN_MAX`] | cut off |

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::task::JoinSet;
use tokio_io_timeout::TimeoutStream;
use tokio_util::sync::CancellationToken;

use crate::access::Peer;

/// Connections at once.
pub const CONNECTIONS_MAX: usize = 64;
/// How long the headers of a request may take to come.
pub const HEADER_WAIT: Duration = Duration::from_secs(10);
/// How long a reader may take nothing while bytes wait for it.
pub const WRITE_WAIT: Duration = Duration::from_secs(30);
/// Bytes that wait for one reader inside this process.
pub const BUFFER_MAX: usize = 64 << 10;
/// How long an orderly end waits for answers under way.
pub const DRAIN_MAX: Duration = Duration::from_secs(3);
/// Pause after a failed accept, such as with no file descriptors left: trying at once would only
/// burn the processor until one is free.
const ACCEPT_PAUSE: Duration = Duration::from_secs(1);

/// Serves until `stop` is cancelled, and ends [`DRAIN_MAX`] later at the latest.
pub async fn serve(listener: TcpListener, app: Router, stop: CancellationToken) {
    let permits = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let graceful = GracefulShutdown::new();
    let mut tasks = JoinSet::new();
    let mut is_failing = false;
    while let Some(accepted) = stop.run_until_cancelled(accept(&listener, &permits)).await {
        tell_change(&mut is_failing, accepted.as_ref().err());
        let Ok((stream, peer, permit)) = accepted else {
            let _ = stop
                .run_until_cancelled(tokio::time::sleep(ACCEPT_PAUSE))
                .await;
            continue;
        };
        let app = app.clone().layer(Extension(Peer(peer)));
        let connection = graceful.watch(connection(stream, app));
        tasks.spawn(async move {
            if let Err(error) = connection.await {
                tracing::debug!(%error, "connection ended early");
            }
            drop(permit);
        });
        while tasks.try_join_next().is_some() {}
    }
    drop(listener);
    if tokio::time::timeout(DRAIN_MAX, graceful.shutdown())
        .await
        .is_err()
    {
        tracing::info!("cut off readers that did not finish in time");
    }
    tasks.shutdown().await;
}

async fn accept(
    listener: &TcpListener,
    permits: &Arc<Semaphore>,
) -> io::Result<(TcpStream, SocketAddr, OwnedSemaphorePermit)> {
    let permit = Arc::clone(permits).acquire_owned().await;
    let permit = permit.map_err(io::Error::other)?;
    let (stream, peer) = listener.accept().await?;
    Ok((stream, peer, permit))
}

/// Logs when accepting begins to fail and when it works again, not every try in between.
fn tell_change(is_failing: &mut bool, error: Option<&io::Error>) {
    match error {
        Some(error) if !*is_failing => {
            tracing::warn!(%error, "cannot accept connections; trying again every second");
        }
        None if *is_failing => tracing::info!("connections are accepted again"),
        _ => {}
    }
    *is_failing = error.is_some();
}

type Io = TokioIo<std::pin::Pin<Box<TimeoutStream<TcpStream>>>>;

fn connection(
    stream: TcpStream,
    app: Router,
) -> http1::Connection<Io, TowerToHyperService<Router>> {
    // Frames are small and due; a socket that refuses the option works all the same.
    let _ = stream.set_nodelay(true);
    let mut stream = TimeoutStream::new(stream);
    stream.set_write_timeout(Some(WRITE_WAIT));
    http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_WAIT)
        .max_buf_size(BUFFER_MAX)
        .serve_connection(
            TokioIo::new(Box::pin(stream)),
            TowerToHyperService::new(app),
        )
}
