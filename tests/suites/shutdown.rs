//! A stop that nobody can hold up: not a stream whose reader has stalled, not requests that were
//! begun and never ended.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use anyhow::{Result, ensure};
use libtest_mimic::Trial;
use nix::sys::signal::Signal;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::{STOPPED_WITHIN, Station};
use zonda_tests::modbus::TcpDevice;
use zonda_tests::suite::test;

/// A service manager that waits 15 s has 10 s left.
const STOP_MAX: Duration = Duration::from_secs(5);

pub(crate) fn tests() -> Vec<Trial> {
    vec![test("shutdown::clients_cannot_hold_it_up", &[], held_up)]
}

fn held_up(bench: &Bench) -> Result<()> {
    let device = TcpDevice::start()?;
    let modules = [Module { name: "A", unit: 1 }];
    let config = config::write(bench, &Wire::Tcp(&device.address.to_string()), &modules)?;
    let mut station = Station::start(bench, &config)?;

    let stream = open(
        &station,
        "GET /api/v1/live/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    )?;
    expect_ok(&stream)?;
    // Never read again: its buffers fill.
    let half: Vec<TcpStream> = (0..3)
        .map(|_| open(&station, "GET /api/v1/station HTTP/1.1\r\nHost: 127"))
        .collect::<Result<_>>()?;

    let asked = Instant::now();
    station.signal(Signal::SIGTERM)?;
    let status = station.wait(STOPPED_WITHIN)?;
    let took = asked.elapsed();
    println!(
        "shutdown: {took:.2?} with a stalled stream and {} half requests",
        half.len()
    );
    ensure!(status.success(), "ended with {status}");
    ensure!(took < STOP_MAX, "took {took:?}");
    Ok(())
}

fn open(station: &Station, request: &str) -> Result<TcpStream> {
    let mut stream = TcpStream::connect(station.address())?;
    stream.write_all(request.as_bytes())?;
    Ok(stream)
}

fn expect_ok(mut stream: &TcpStream) -> Result<()> {
    stream.set_read_timeout(Some(Duration::from_secs(10)))?;
    let mut head = [0; 15];
    stream.read_exact(&mut head)?;
    let head = String::from_utf8_lossy(&head);
    ensure!(
        head.starts_with("HTTP/1.1 200"),
        "the stream answered {head}"
    );
    Ok(())
}
