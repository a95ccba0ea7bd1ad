//! Modbus TCP lines against scripted servers.
#![allow(clippy::unwrap_used, reason = "tests")]

mod bench;

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use bench::{Run, addresses, causes, has, is_good, module, register, tcp, told};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use zonda_lines::LineState;
use zonda_model::{Cause, Quality, SourceId};

/// A request as a scripted server sees it: transaction number, unit, first register, count.
#[derive(Clone, Copy, Debug)]
struct Asked {
    transaction: u16,
    unit: u8,
    first: u16,
    count: u16,
    /// Counts the requests on this connection, from 1.
    number: u64,
    /// Counts the connections, from 1.
    connection: u64,
}

/// What to do about a request.
enum Deed {
    Send(Vec<u8>),
    SendAfter(Duration, Vec<u8>),
    /// Says no more, and lets the other side find out.
    HalfClose,
}

fn frame(transaction: u16, body: &[u8]) -> Vec<u8> {
    let length = u16::try_from(body.len()).unwrap();
    [
        &transaction.to_be_bytes()[..],
        &[0, 0],
        &length.to_be_bytes(),
        body,
    ]
    .concat()
}

fn answer(asked: Asked) -> Vec<u8> {
    let mut body = vec![asked.unit, 4, u8::try_from(asked.count * 2).unwrap()];
    for address in asked.first..asked.first + asked.count {
        body.extend(register(address, asked.number).to_be_bytes());
    }
    frame(asked.transaction, &body)
}

/// Serves for ever on a free port; gives the port, and how many connections there were.
async fn serve(script: impl Fn(Asked) -> Deed + Send + Sync + 'static) -> (u16, Arc<AtomicU64>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let connections = Arc::new(AtomicU64::new(0));
    let counter = Arc::clone(&connections);
    let script = Arc::new(script);
    tokio::spawn(async move {
        loop {
            let (stream, _) = listener.accept().await.unwrap();
            let connection = counter.fetch_add(1, Ordering::SeqCst) + 1;
            tokio::spawn(converse(stream, connection, Arc::clone(&script)));
        }
    });
    (port, connections)
}

async fn converse(mut stream: TcpStream, connection: u64, script: Arc<impl Fn(Asked) -> Deed>) {
    let mut request = [0; 12];
    let mut number = 0;
    while stream.read_exact(&mut request).await.is_ok() {
        number += 1;
        let pair = |at: usize| u16::from_be_bytes([request[at], request[at + 1]]);
        let asked = Asked {
            transaction: pair(0),
            unit: request[6],
            first: pair(8),
            count: pair(10),
            number,
            connection,
        };
        let bytes = match script(asked) {
            Deed::Send(bytes) => bytes,
            Deed::SendAfter(pause, bytes) => {
                tokio::time::sleep(pause).await;
                bytes
            }
            Deed::HalfClose => {
                stream.shutdown().await.unwrap();
                continue;
            }
        };
        if stream.write_all(&bytes).await.is_err() {
            return;
        }
    }
}

#[tokio::test]
async fn one_connection_serves_all_units() {
    let (port, connections) = serve(|asked| Deed::Send(answer(asked))).await;
    let mut run = Run::new(&tcp(
        port,
        50,
        vec![module(0, 1, 3, 2), module(1, 2, 40, 1)],
    ));
    run.until(is_good).await;
    for scan in run.scans(10).await {
        let expected = if scan.source == SourceId(0) {
            vec![3, 4]
        } else {
            vec![40]
        };
        assert_eq!(addresses(&scan), Some(expected));
    }
    assert_eq!(connections.load(Ordering::SeqCst), 1);
    run.end().await;
}

/// The answer to an older request comes first, or instead.
#[tokio::test]
async fn an_answer_with_an_older_number_is_passed_over() {
    let (port, connections) = serve(|asked| {
        let stale = Asked {
            transaction: asked.transaction.wrapping_sub(1),
            first: 99,
            ..asked
        };
        match asked.number % 3 {
            0 => Deed::Send(answer(stale)),
            _ => Deed::Send([answer(stale), answer(asked)].concat()),
        }
    })
    .await;
    let mut run = Run::new(&tcp(port, 100, vec![module(0, 1, 3, 2)]));
    run.until(is_good).await;
    let scans = run.scans(12).await;
    for scan in scans.iter().filter(|scan| is_good(scan)) {
        assert_eq!(addresses(scan), Some(vec![3, 4]));
    }
    assert_eq!(causes(&scans), [Cause::Timeout; 4]);
    assert!(run.health().resyncs >= 12);
    assert_eq!(
        connections.load(Ordering::SeqCst),
        1,
        "a silent moment is no reason to reconnect"
    );
    run.end().await;
}

#[tokio::test]
async fn a_late_answer_is_passed_over() {
    let (port, _) = serve(|asked| match asked.number {
        3 => Deed::SendAfter(Duration::from_millis(110), answer(asked)),
        _ => Deed::Send(answer(asked)),
    })
    .await;
    let mut run = Run::new(&tcp(
        port,
        100,
        vec![module(0, 1, 10, 2), module(1, 1, 20, 2)],
    ));
    run.until(is_good).await;
    let scans = run.scans(12).await;
    assert!(!causes(&scans).is_empty());
    for scan in scans.iter().filter(|scan| is_good(scan)) {
        let expected = if scan.source == SourceId(0) {
            vec![10, 11]
        } else {
            vec![20, 21]
        };
        assert_eq!(addresses(scan), Some(expected));
    }
    run.end().await;
}

#[tokio::test]
async fn what_is_not_modbus_costs_the_connection_and_a_new_one_is_made() {
    let (port, connections) = serve(|asked| match (asked.connection, asked.number) {
        (1, 3) => Deed::Send(b"HTTP/1.1 400 Bad Request\r\n\r\n".to_vec()),
        (2, 3) => Deed::Send(frame(asked.transaction, &[asked.unit, 4, 4, 0, 1])),
        (3, 3) => Deed::Send(frame(asked.transaction, &[asked.unit ^ 1, 4, 2, 0, 1])),
        _ => Deed::Send(answer(asked)),
    })
    .await;
    let mut run = Run::new(&tcp(port, 100, vec![module(0, 1, 3, 1)]));
    run.until(is_good).await;
    let mut scans = Vec::new();
    while connections.load(Ordering::SeqCst) < 4 {
        scans.push(run.scan().await);
    }
    scans.extend(run.until(is_good).await);
    for scan in scans.iter().filter(|scan| is_good(scan)) {
        assert_eq!(addresses(scan), Some(vec![3]));
    }
    let bad = causes(&scans)
        .into_iter()
        .filter(|cause| *cause == Cause::BadFrame);
    assert_eq!(bad.count(), 3);
    assert!(
        causes(&scans)
            .iter()
            .all(|cause| matches!(cause, Cause::BadFrame | Cause::Unplugged))
    );
    run.end().await;
}

#[tokio::test]
async fn a_connection_half_closed_by_the_other_side_is_let_go_at_once() {
    let (port, connections) = serve(|asked| match (asked.connection, asked.number) {
        (1, 2) => Deed::HalfClose,
        _ => Deed::Send(answer(asked)),
    })
    .await;
    let mut run = Run::new(&tcp(port, 100, vec![module(0, 1, 3, 1)]));
    run.until(is_good).await;
    let scans = run.until(|scan| !is_good(scan)).await;
    let miss = scans.last().unwrap().outcome.clone().unwrap_err();
    assert_eq!(
        (miss.cause, &*miss.detail),
        (Cause::Unplugged, "the other side closed the connection")
    );
    run.until(is_good).await;
    assert_eq!(connections.load(Ordering::SeqCst), 2);
    run.end().await;
}

#[tokio::test]
async fn a_server_that_comes_later_is_waited_for() {
    let placeholder = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = placeholder.local_addr().unwrap();
    drop(placeholder);
    let mut run = Run::new(&tcp(address.port(), 50, vec![module(0, 1, 3, 1)]));
    let scans = run.scans(3).await;
    assert_eq!(causes(&scans), [Cause::Unplugged; 3]);
    let health = run.health_until(|health| health.error.is_some()).await;
    assert_eq!(health.state, LineState::Waiting);
    let listener = TcpListener::bind(address).await.unwrap();
    let server = tokio::spawn(async move {
        let (stream, _) = listener.accept().await.unwrap();
        converse(stream, 1, Arc::new(|asked| Deed::Send(answer(asked)))).await;
    });
    run.until(is_good).await;
    run.end().await;
    server.await.unwrap();
}

/// Every exception code there is: never a value, always the device's own word.
#[tokio::test]
async fn no_exception_is_ever_data() {
    let (port, _) = serve(|asked| {
        let code = u8::try_from(asked.number.min(255)).unwrap();
        Deed::Send(frame(asked.transaction, &[asked.unit, 0x84, code]))
    })
    .await;
    // Each of many modules is asked once before it is left alone, so that each code has its turn.
    let modules = (0..255).map(|index| module(index, 1, 3, 1)).collect();
    let mut run = Run::new(&tcp(port, 2000, modules));
    let asked = run
        .until(|scan| told(scan) == Err(Cause::DeviceError))
        .await
        .len();
    let scans = run.scans(300 - asked).await;
    let kinds = causes(&scans);
    assert_eq!(kinds.len(), scans.len());
    assert!(
        kinds
            .iter()
            .all(|cause| matches!(cause, Cause::DeviceError | Cause::Unplugged)),
        "{kinds:?}"
    );
    assert!(!scans.iter().any(|scan| has(scan, Quality::empty())));
    run.end().await;
}
