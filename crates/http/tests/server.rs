//! The accept loop under readers who do not read, requests that never come, and an end in between.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

mod bench;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::Body;
use axum::routing::get;
use bench::{Bench, until};
use futures::{StreamExt, stream};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Notify;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use zonda_http::server::{CONNECTIONS_MAX, WRITE_WAIT, serve};

async fn start(router: Router, stop: CancellationToken) -> (SocketAddr, JoinHandle<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    (address, tokio::spawn(serve(listener, router, stop)))
}

async fn send(address: SocketAddr, text: &str) -> TcpStream {
    let mut socket = TcpStream::connect(address).await.unwrap();
    socket.write_all(text.as_bytes()).await.unwrap();
    socket
}

fn request(path: &str) -> String {
    format!("GET {path} HTTP/1.1\r\nhost: localhost\r\n\r\n")
}

async fn answers(address: SocketAddr) -> bool {
    let mut socket = send(address, &request("/healthz")).await;
    let mut text = [0; 12];
    let read = tokio::time::timeout(Duration::from_secs(5), socket.read_exact(&mut text)).await;
    read.is_ok_and(|read| read.is_ok()) && &text == b"HTTP/1.1 200"
}

/// A stalled reader of the stream, three requests whose headers never end, and a stop: over in less
/// than five seconds, with a farewell for whoever listens.
#[tokio::test]
async fn an_end_waits_for_nobody() {
    let bench = Bench::new().await;
    let (address, serving) = start(bench.app.router(), bench.stop.clone()).await;
    let _stalled = send(address, &request("/api/v1/live/stream")).await;
    let mut halves = Vec::new();
    for _ in 0..3 {
        halves.push(send(address, "GET /api/v1/live HTTP/1.1\r\nhost: loc").await);
    }
    let mut listening = send(address, &request("/api/v1/live/stream")).await;
    let mut seen = vec![0; 64];
    listening.read_exact(&mut seen).await.unwrap();
    let begin = Instant::now();
    bench.stop.cancel();
    let mut rest = String::new();
    listening.read_to_string(&mut rest).await.unwrap();
    assert!(rest.contains("event: bye\ndata: {}\n\n"), "{rest}");
    assert!(
        begin.elapsed() < Duration::from_secs(1),
        "a listener is told at once"
    );
    serving.await.unwrap();
    assert!(
        begin.elapsed() < Duration::from_secs(5),
        "{:?}",
        begin.elapsed()
    );
    assert!(
        TcpStream::connect(address).await.is_err(),
        "nobody listens any more"
    );
}

#[tokio::test]
async fn an_end_lets_an_answer_under_way_finish() {
    let stop = CancellationToken::new();
    let finish = Arc::new(Notify::new());
    let (ending, finished) = (stop.clone(), Arc::clone(&finish));
    let slow = || async move {
        ending.cancel();
        finished.notified().await;
        "done"
    };
    let (address, serving) = start(Router::new().route("/", get(slow)), stop).await;
    let mut socket = send(address, &request("/")).await;
    until("nobody listens any more", async || {
        TcpStream::connect(address).await.is_err()
    })
    .await;
    finish.notify_one();
    let mut text = String::new();
    socket.read_to_string(&mut text).await.unwrap();
    assert!(text.ends_with("done"), "{text}");
    serving.await.unwrap();
}

/// Readers that never read: what waits for them is bounded, whoever measures is not delayed, and
/// other requests are answered.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn readers_that_never_read_cost_nothing() {
    let bench = Bench::new().await;
    let (address, _) = start(bench.app.router(), bench.stop.clone()).await;
    let mut readers = Vec::new();
    for _ in 0..40 {
        readers.push(send(address, &request("/api/v1/live/stream")).await);
    }
    assert!(answers(address).await);
    let before = resident_bytes();
    let mut longest = Duration::ZERO;
    for _ in 0..300 {
        let begin = Instant::now();
        bench.show((0..4).map(|channel| bench.sample(channel, 1.0)).collect());
        longest = longest.max(begin.elapsed());
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    assert!(
        longest < Duration::from_millis(50),
        "a hand-over took {longest:?}"
    );
    let grown = resident_bytes().saturating_sub(before);
    assert!(grown < 16 << 20, "{grown} bytes more");
    assert!(answers(address).await);
}

fn resident_bytes() -> usize {
    let text = std::fs::read_to_string("/proc/self/statm").unwrap();
    text.split(' ').nth(1).unwrap().parse::<usize>().unwrap() * 4096
}

#[tokio::test]
async fn one_connection_too_many_waits_until_another_leaves() {
    let stop = CancellationToken::new();
    let router = Router::new().route("/healthz", get(|| async { "alive" }));
    let (address, _) = start(router, stop).await;
    let mut held = Vec::new();
    for _ in 0..CONNECTIONS_MAX {
        held.push(send(address, "GET / HTTP/1.1\r\n").await);
    }
    let mut late = send(address, &request("/healthz")).await;
    let mut text = [0; 12];
    let early = tokio::time::timeout(Duration::from_millis(300), late.read_exact(&mut text)).await;
    assert!(early.is_err(), "the limit does not hold");
    held.pop();
    tokio::time::timeout(Duration::from_secs(5), late.read_exact(&mut text))
        .await
        .unwrap()
        .unwrap();
    assert_eq!(&text, b"HTTP/1.1 200");
}

/// On a clock that jumps to the next timer: ten seconds for headers, thirty for a reader that takes
/// nothing of an answer without an end.
#[tokio::test(start_paused = true)]
async fn headers_that_never_come_and_readers_that_never_read_are_cut_off() {
    let endless = || async {
        Body::from_stream(stream::repeat_with(|| {
            Ok::<_, std::io::Error>(vec![b'x'; 4096])
        }))
    };
    let (address, _) = start(
        Router::new().route("/", get(endless)),
        CancellationToken::new(),
    )
    .await;
    let mut half = send(address, "GET / HTTP/1.1\r\nhost: loc").await;
    let begin = tokio::time::Instant::now();
    let mut rest = Vec::new();
    let _ = half.read_to_end(&mut rest).await;
    assert!(
        begin.elapsed() >= Duration::from_secs(10),
        "{:?}",
        begin.elapsed()
    );

    let reader = send(address, &request("/")).await;
    tokio::time::sleep(WRITE_WAIT * 2).await;
    let mut reader = reader;
    let mut bytes = 0;
    let mut buffer = vec![0; 1 << 16];
    while let Ok(read @ 1..) = reader.read(&mut buffer).await {
        bytes += read;
    }
    assert!(bytes > 0, "the answer had begun");
}

/// An answer that breaks off must not look whole: the chunk that says "the end" never comes.
#[tokio::test]
async fn an_answer_that_fails_midway_has_no_end() {
    let broken = || async {
        let chunks = stream::iter([
            Ok("time,channel\r\n"),
            Err(std::io::Error::other("the disk is gone")),
        ]);
        Body::from_stream(chunks.then(|chunk| async {
            tokio::task::yield_now().await;
            chunk
        }))
    };
    let (address, _) = start(
        Router::new().route("/", get(broken)),
        CancellationToken::new(),
    )
    .await;
    let mut socket = send(address, &request("/")).await;
    let mut text = Vec::new();
    let _ = socket.read_to_end(&mut text).await;
    let text = String::from_utf8(text).unwrap();
    assert!(text.contains("transfer-encoding: chunked"), "{text}");
    assert!(!text.ends_with("0\r\n\r\n"), "{text}");
}
