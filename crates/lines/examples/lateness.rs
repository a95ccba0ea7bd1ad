//! How late ticks begin, and how long a round takes: 8 lines of 8 channels at 10 Hz, each a server
//! of tokio-modbus on loopback, for a minute (or as many seconds as the first argument says).
//!
//! `cargo run --release -p zonda-lines --example lateness -- 60`
#![allow(clippy::unwrap_used, reason = "an example that measures")]

use std::future;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio_modbus::server::{Service, tcp};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_util::sync::CancellationToken;
use zonda_config::{DriverPlan, LinePlan, ModulePlan, TcpPlan};
use zonda_lines::{Axis, Lateness, SystemClocks, spawn};
use zonda_model::{Period, SourceId};
use zonda_protocol::modbus::{RegisterInput, Table, UnitId, Width};

#[derive(Clone, Copy)]
struct Server;

impl Service for Server {
    type Request = SlaveRequest<'static>;
    type Response = Response;
    type Exception = ExceptionCode;
    type Future = future::Ready<Result<Response, ExceptionCode>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        future::ready(match request.request {
            Request::ReadInputRegisters(first, count) => Ok(Response::ReadInputRegisters(
                (first..first + count).collect(),
            )),
            _ => Err(ExceptionCode::IllegalFunction),
        })
    }
}

fn module(index: usize) -> ModulePlan {
    ModulePlan {
        source: SourceId(index),
        name: format!("module-{index}").parse().unwrap(),
        unit: UnitId::tcp(1),
        table: Table::Input,
        timeout: Duration::from_millis(50),
        retries: 0,
        registers_max: 125,
        identity: None,
        inputs: (0..8)
            .map(|register| RegisterInput::new(register, Width::One).unwrap())
            .collect(),
    }
}

fn plan(index: usize, port: u16, every_ms: u64, modules: Vec<ModulePlan>) -> LinePlan {
    LinePlan {
        name: format!("line-{index}").parse().unwrap(),
        every: Period::new(Duration::from_millis(every_ms)).unwrap(),
        driver: DriverPlan::ModbusTcp(TcpPlan {
            host: "127.0.0.1".to_owned(),
            port,
            modules,
        }),
    }
}

/// A server of its own for each line; gives its port.
async fn serve() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    tokio::spawn(async move {
        let connected = |stream, address| async move {
            tcp::accept_tcp_connection(stream, address, |_| Ok(Some(Server)))
        };
        tcp::Server::new(listener)
            .serve(&connected, |error| eprintln!("{error}"))
            .await
    });
    port
}

/// Requests a second on one connection: a thousand modules asked in one round.
async fn rate(axis: Axis) -> f64 {
    const MODULES: u16 = 1000;
    let (sender, mut scans) = mpsc::channel(1024);
    let stop = CancellationToken::new();
    let modules = (0..usize::from(MODULES)).map(module).collect();
    let mut line = spawn(
        &plan(0, serve().await, 2000, modules),
        axis,
        sender,
        stop.clone(),
    );
    let taking = tokio::spawn(async move { while scans.recv().await.is_some() {} });
    let health = line.health.wait_for(|health| health.cycle.is_some()).await;
    let took = health.unwrap().cycle.unwrap().took;
    stop.cancel();
    taking.await.unwrap();
    f64::from(MODULES) / took.as_secs_f64()
}

#[tokio::main]
async fn main() {
    let seconds = std::env::args()
        .nth(1)
        .and_then(|text| text.parse().ok())
        .unwrap_or(60);
    let axis = Axis::new(SystemClocks, None);
    println!(
        "{:.0} requests a second on one connection",
        rate(axis.clone()).await
    );
    let stop = CancellationToken::new();
    let (sender, mut scans) = mpsc::channel(1024);
    let mut lines = Vec::new();
    for index in 0..8 {
        lines.push(spawn(
            &plan(index, serve().await, 100, vec![module(index)]),
            axis.clone(),
            sender.clone(),
            stop.clone(),
        ));
    }
    drop(sender);
    let end = tokio::time::Instant::now() + Duration::from_secs(seconds);
    let (mut good, mut missed) = (0u64, 0u64);
    while let Ok(Some(scan)) = tokio::time::timeout_at(end, scans.recv()).await {
        match scan.outcome {
            Ok(codes) => good += codes.len() as u64,
            Err(miss) => missed += u64::from(miss.ticks),
        }
    }
    let mut lateness = Lateness::default();
    for line in &lines {
        lateness.merge(&line.health.borrow().lateness);
    }
    stop.cancel();
    println!(
        "{good} codes, {missed} ticks missed, {} ticks begun",
        lateness.count()
    );
    for (name, permille) in [("p50", 500), ("p99", 990), ("p99.9", 999)] {
        println!("{name} late by {:?}", lateness.permille(permille));
    }
    println!("max late by {:?}", lateness.max());
    for line in lines {
        let cycle = line.health.borrow().cycle;
        println!(
            "{}: last round {:?}",
            line.name,
            cycle.map(|cycle| cycle.took)
        );
        line.task.await.unwrap();
    }
}
