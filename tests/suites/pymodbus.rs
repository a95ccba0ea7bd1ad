//! Modbus against pymodbus as the device: what it served and what was recorded, sample by sample.

use std::fs;
use std::path::Path;

use anyhow::{Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::Station;
use zonda_tests::ledger;
use zonda_tests::modbus::Served;
use zonda_tests::peer::Peer;
use zonda_tests::port::{Cable, Port};
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};

/// Answers of both units to wait for; at four a second and unit, some eight seconds.
const ANSWERS: usize = 64;
const MODULES: [Module; 2] = [Module { name: "A", unit: 1 }, Module { name: "B", unit: 2 }];

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Peers, Need::Python];
    vec![
        test("pymodbus::tcp_sample_by_sample", &needs, tcp),
        test("pymodbus::rtu_sample_by_sample", &needs, rtu),
    ]
}

fn tcp(bench: &Bench) -> Result<()> {
    let log = bench.path("served.jsonl");
    let peer = Peer::start(bench, "modbus_device.py", device("--tcp", &log))?;
    let address = format!("127.0.0.1:{}", peer.said);
    record_and_compare(bench, &Wire::Tcp(&address), &log)
}

fn rtu(bench: &Bench) -> Result<()> {
    let log = bench.path("served.jsonl");
    let (ours, theirs) = (bench.path("tty-station"), bench.path("tty-device"));
    let _cable = Cable::join(Port::plug(&ours)?, Port::plug(&theirs)?);
    let way = format!("--serial={}", theirs.display());
    let mut arguments = device(&way, &log);
    arguments.push("--settings=115200 8N1".to_owned());
    let _peer = Peer::start(bench, "modbus_device.py", arguments)?;
    record_and_compare(bench, &Wire::Rtu(&ours), &log)
}

fn device(way: &str, log: &Path) -> Vec<String> {
    let log = format!("--log={}", log.display());
    [way, &log, "--units", "1", "2"].map(str::to_owned).to_vec()
}

fn record_and_compare(bench: &Bench, wire: &Wire, log: &Path) -> Result<()> {
    let config = config::write(bench, wire, &MODULES)?;
    let station = Station::start(bench, &config)?;
    until(PATIENCE, "the answers of pymodbus", || {
        Ok((served(log)?.len() >= ANSWERS).then_some(()))
    })?;
    station.stop()?;
    let (served, record) = (served(log)?, Record::read(&bench.data())?);
    for module in &MODULES {
        let counts = ledger::compare(&served, &record, module)?;
        println!("pymodbus, module {}: {counts}", module.name);
        ensure!(counts.stored >= ANSWERS / 2 - 2, "too few scans: {counts}");
        ensure!(counts.cut <= 1, "answers lost at the stop: {counts}");
    }
    Ok(())
}

/// What pymodbus has logged; a line that is still being written is left for the next look.
pub(crate) fn served(log: &Path) -> Result<Vec<Served>> {
    let text = fs::read_to_string(log)?;
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    whole
        .lines()
        .map(|line| Ok(serde_json::from_str(line)?))
        .collect()
}
