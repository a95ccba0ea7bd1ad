//! Lines against servers that are not ours: those of the library tokio-modbus 0.17.
#![allow(clippy::unwrap_used, reason = "tests")]

mod bench;

use std::fs::File;
use std::future;

use bench::{Run, is_good, module, rtu, tcp, told};
use tokio::net::TcpListener;
use tokio_modbus::server::{Service, rtu as rtu_server, tcp as tcp_server};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_serial::SerialStream;
use zonda_model::Cause;

/// Input register `n` holds `n * n`; there are a hundred.
#[derive(Clone, Copy)]
struct Squares;

impl Squares {
    fn answer(request: &Request<'_>) -> Result<Response, ExceptionCode> {
        match *request {
            Request::ReadInputRegisters(first, count) if first + count <= 100 => Ok(
                Response::ReadInputRegisters((first..first + count).map(|n| n * n).collect()),
            ),
            Request::ReadInputRegisters(..) => Err(ExceptionCode::IllegalDataAddress),
            _ => Err(ExceptionCode::IllegalFunction),
        }
    }
}

impl Service for Squares {
    type Request = SlaveRequest<'static>;
    type Response = Response;
    type Exception = ExceptionCode;
    type Future = future::Ready<Result<Response, ExceptionCode>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        future::ready(Self::answer(&request.request))
    }
}

async fn check(mut run: Run) {
    run.until(is_good).await;
    for _ in 0..10 {
        let scan = run.scan().await;
        match scan.source.0 {
            0 => assert_eq!(told(&scan), Ok(vec![25, 36, 49, 64])),
            _ => assert_eq!(told(&scan), Err(Cause::DeviceError)),
        }
    }
    run.end().await;
}

#[tokio::test]
async fn rtu_reads_what_the_librarys_server_holds() {
    let (server, device) = SerialStream::pair().unwrap();
    let path = tokio_serial::SerialPort::name(&device).unwrap();
    // The line opens the terminal by its path and alone; a plain file keeps it alive until then.
    let held = File::open(&path).unwrap();
    drop(device);
    let serving =
        tokio::spawn(async move { rtu_server::Server::new(server).serve_forever(Squares).await });
    let run = Run::new(&rtu(
        path,
        100,
        vec![module(0, 1, 5, 4), module(1, 1, 98, 4)],
    ));
    check(run).await;
    drop(held);
    serving.abort();
}

#[tokio::test]
async fn tcp_reads_what_the_librarys_server_holds() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let serving = tokio::spawn(async move {
        let server = tcp_server::Server::new(listener);
        let connected = |stream, address| async move {
            tcp_server::accept_tcp_connection(stream, address, |_| Ok(Some(Squares)))
        };
        server.serve(&connected, |error| println!("{error}")).await
    });
    check(Run::new(&tcp(
        port,
        100,
        vec![module(0, 1, 5, 4), module(1, 1, 98, 4)],
    )))
    .await;
    serving.abort();
}
