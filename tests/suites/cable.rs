//! A serial cable pulled and plugged in again, and a device that falls silent: the gap has its
//! cause, the station comes back by itself, and no stale answer is taken for a new one.

use anyhow::{Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::Station;
use zonda_tests::ledger;
use zonda_tests::modbus::{Device, RtuDevice};
use zonda_tests::port::Port;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};

const MODULE: Module = Module { name: "A", unit: 1 };
const ANSWERS: usize = 8;

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Python];
    vec![
        test("cable::pulled_and_plugged_in_again", &needs, pulled),
        test("cable::absent_at_the_start", &needs, absent),
        test("cable::a_silent_device_comes_back", &needs, silent),
    ]
}

fn gap_of(bench: &Bench, cause: &str) -> Result<()> {
    Record::await_in(
        &bench.data(),
        &format!("a gap with the cause {cause}"),
        |record| (!record.gaps_by(cause).is_empty()).then_some(()),
    )
}

fn pulled(bench: &Bench) -> Result<()> {
    let (name, device) = (bench.path("tty-module"), Device::default());
    let config = config::write(bench, &Wire::Rtu(&name), &[MODULE])?;
    let mut end = RtuDevice::connect(&device, Port::plug(&name)?);
    let station = Station::start(bench, &config)?;
    for _ in 0..2 {
        device.await_answers(ANSWERS)?;
        drop(end);
        gap_of(bench, "unplugged")?;
        end = RtuDevice::connect(&device, Port::plug(&name)?);
        device.await_answers(ANSWERS)?;
    }
    finish(bench, station, &device, "unplugged")
}

fn absent(bench: &Bench) -> Result<()> {
    let (name, device) = (bench.path("tty-module"), Device::default());
    let config = config::write(bench, &Wire::Rtu(&name), &[MODULE])?;
    let station = Station::start(bench, &config)?;
    gap_of(bench, "unplugged")?;
    let _end = RtuDevice::connect(&device, Port::plug(&name)?);
    device.await_answers(ANSWERS)?;
    finish(bench, station, &device, "unplugged")
}

fn silent(bench: &Bench) -> Result<()> {
    let (name, device) = (bench.path("tty-module"), Device::default());
    let config = config::write(bench, &Wire::Rtu(&name), &[MODULE])?;
    let _end = RtuDevice::connect(&device, Port::plug(&name)?);
    let station = Station::start(bench, &config)?;
    device.await_answers(ANSWERS)?;
    device.set_silent(true);
    gap_of(bench, "timeout")?;
    device.set_silent(false);
    device.await_answers(ANSWERS)?;
    finish(bench, station, &device, "timeout")
}

/// Stops the station and expects every answer stored or explained, and every gap of this cause closed.
fn finish(bench: &Bench, station: Station, device: &Device, cause: &str) -> Result<()> {
    station.stop()?;
    let record = Record::read(&bench.data())?;
    let counts = ledger::compare(&device.ledger(), &record, &MODULE)?;
    println!("cable, {cause}: {counts}; {} gaps", record.gaps.len());
    ensure!(counts.cut <= 1, "{counts}");
    let open: Vec<_> = record
        .gaps_by(cause)
        .into_iter()
        .filter(|gap| gap.to.is_none())
        .collect();
    ensure!(open.is_empty(), "gaps left open: {open:?}");
    Ok(())
}
