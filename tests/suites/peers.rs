//! The devices of the other suites, checked before they judge: our own speaks Modbus as pymodbus
//! understands it, and a cable between two ports carries every byte.

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::modbus::{Device, RtuDevice, Served, TcpDevice};
use zonda_tests::peer::{self, Peer};
use zonda_tests::port::{Cable, Port};
use zonda_tests::suite::{Need, test};

use crate::pymodbus::served;

const TIMES: usize = 5;

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Peers];
    vec![
        test("peers::our_tcp_device_answers_pymodbus", &needs, our_tcp),
        test("peers::our_rtu_device_answers_pymodbus", &needs, our_rtu),
        test("peers::a_cable_carries_every_byte", &needs, cable),
    ]
}

fn our_tcp(_bench: &Bench) -> Result<()> {
    let device = TcpDevice::start()?;
    let read = read_with_pymodbus(&format!("--tcp={}", device.address))?;
    expect_same(&read, &device.device.ledger())
}

fn our_rtu(bench: &Bench) -> Result<()> {
    let (name, device) = (bench.path("tty"), Device::default());
    let _end = RtuDevice::connect(&device, Port::plug(&name)?);
    let read = read_with_pymodbus(&format!("--serial={}", name.display()))?;
    expect_same(&read, &device.ledger())
}

fn cable(bench: &Bench) -> Result<()> {
    let (master, slave) = (bench.path("tty-master"), bench.path("tty-device"));
    let _cable = Cable::join(Port::plug(&master)?, Port::plug(&slave)?);
    let log = bench.path("served.jsonl");
    let way = format!("--serial={}", slave.display());
    let settings = "--settings=115200 8N1".to_owned();
    let log_to = format!("--log={}", log.display());
    let _peer = Peer::start(bench, "modbus_device.py", [way, settings, log_to])?;
    let read = read_with_pymodbus(&format!("--serial={}", master.display()))?;
    expect_same(&read, &served(&log)?)
}

/// What pymodbus as the master read of unit 1.
fn read_with_pymodbus(way: &str) -> Result<Vec<Vec<u16>>> {
    let times = format!("--times={TIMES}");
    let arguments = [way, "--unit=1", "--count=16", &times].map(AsRef::as_ref);
    let text = peer::run("modbus_client.py", &arguments)?;
    text.lines()
        .map(|line| serde_json::from_str(line).context("not a list of registers"))
        .collect()
}

fn expect_same(read: &[Vec<u16>], served: &[Served]) -> Result<()> {
    let served: Vec<_> = served
        .iter()
        .map(|answer| answer.registers.clone())
        .collect();
    ensure!(read.len() == TIMES, "pymodbus read {} times", read.len());
    ensure!(read == served, "read {read:?}\nserved {served:?}");
    Ok(())
}
