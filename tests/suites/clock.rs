//! The wall clock is stepped, back an hour and forward three, while the station records: the
//! record's axis never runs backwards, nothing is lost, and a table says how far it is from UTC. A run
//! across the steps says so, and is evaluated where there is time that was.

use std::ffi::OsStr;
use std::fs;
use std::path::Path;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::{self, Station};
use zonda_tests::modbus::TcpDevice;
use zonda_tests::peer;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};

const MODULE: Module = Module { name: "A", unit: 1 };
const ANSWERS: usize = 12;

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Faketime, Need::Python];
    vec![test("clock::stepped_back_and_forward", &needs, stepped)]
}

/// Shows the station a wall clock that is off by this; replaced in one step, as it reads it at any time.
fn set_clock(file: &Path, offset: &str) -> Result<()> {
    let fresh = file.with_extension("new");
    fs::write(&fresh, offset)?;
    Ok(fs::rename(fresh, file)?)
}

fn stepped(bench: &Bench) -> Result<()> {
    let device = TcpDevice::start()?;
    let config = config::write(bench, &Wire::Tcp(&device.address.to_string()), &[MODULE])?;
    let file = bench.path("clock");
    set_clock(&file, "+0")?;
    let library = peer::faketime().context("no faketime")?;
    let station = Station::start_with(bench, &config, |command| {
        command
            .env("LD_PRELOAD", library)
            .env("FAKETIME_TIMESTAMP_FILE", &file)
            .env("FAKETIME_NO_CACHE", "1")
            .env("FAKETIME_DONT_FAKE_MONOTONIC", "1");
    })?;
    order(&bench.data(), &["run", "start", "night", "--by", "suite"])?;
    device.device.await_answers(ANSWERS)?;
    for offset in ["-3600", "+10800"] {
        set_clock(&file, offset)?;
        device.device.await_answers(ANSWERS)?;
    }
    order(&bench.data(), &["run", "stop", "night", "--by", "suite"])?;
    station.stop()?;
    check_run(&bench.data())?;

    let record = Record::read(&bench.data())?;
    let stored = check_axis(&record, device.device.ledger().len())?;
    let steps = Record::query(
        &bench.data(),
        "SELECT at, axis_minus_utc_us, cause FROM clock ORDER BY at",
    )?;
    println!("clock: {stored} scans in order; steps {steps:?}");
    check_true_time(&bench.data())?;
    Ok(())
}

/// Every answer is stored once, in the order in which the device gave them.
fn check_axis(record: &Record, served: usize) -> Result<usize> {
    let channels = MODULE.channels();
    let scans = record.scans(&channels);
    ensure!(
        scans.len() + 1 >= served,
        "{served} answers served, {} scans stored",
        scans.len()
    );
    let mut first: Vec<f64> = Vec::new();
    for rows in scans.values() {
        first.push(rows[0].code.context("a code")?);
    }
    ensure!(
        first.windows(2).all(|pair| pair[0] < pair[1]),
        "the device counts upwards, the record does not: {first:?}"
    );
    Ok(scans.len())
}

/// By the wall clock as the station saw it: an hour back at the first step, three forward at the end.
fn check_true_time(data: &Path) -> Result<()> {
    let rows = Record::query(data, "SELECT min(utc), max(utc) FROM reading")?;
    let stamp = |index: usize| -> Result<i64> {
        let text = rows[0][index].as_str().context("a time")?.to_owned();
        let sql = format!("SELECT unixepoch('{}')", text.trim_end_matches('Z'));
        Record::query(data, &sql)?[0][0].as_i64().context("seconds")
    };
    let spread = stamp(1)? - stamp(0)?;
    // Four hours between the earliest and the latest, and the few seconds that the test took.
    ensure!(
        (14_390..14_520).contains(&spread),
        "true time spreads over {spread} s"
    );
    Ok(())
}

fn order(data: &Path, words: &[&str]) -> Result<Value> {
    let mut all: Vec<&OsStr> = words.iter().map(OsStr::new).collect();
    all.extend([OsStr::new("--data"), data.as_os_str()]);
    let done = daemon::run(&all)?;
    let said = String::from_utf8_lossy(&done.stderr);
    ensure!(done.status.success(), "{words:?}: {said}");
    Ok(serde_json::from_slice(&done.stdout).unwrap_or_default())
}

/// The run began before the first step and ended after the second. The step back is no matter; the three hours that the axis
/// was set forward over never were, count against coverage, and that is said; up to there it is evaluated as ever.
fn check_run(data: &Path) -> Result<()> {
    let run = order(data, &["run", "show", "night", "--json"])?;
    let says = |list: &Value, words: &str| list.to_string().contains(words);
    ensure!(says(&run["remarks"], "was stepped several times"), "{run}");
    let mean = ["evaluate", "night", "--kind", "mean", "--json"];
    let whole = order(data, &mean)?[0]["outcome"].clone();
    ensure!(
        says(&whole["warnings"], "the clock was stepped twice"),
        "{whole}"
    );
    ensure!(
        says(&whole["warnings"], "3 h of the stretch never were"),
        "{whole}"
    );
    ensure!(whole["results"][0]["value"].is_null(), "{whole}");
    let tally = &whole["inputs"][0]["tally"];
    ensure!(
        tally["missing"]["clock_stepped"].as_u64() > Some(43_000),
        "{tally}"
    );
    let before = [&mean[..], &["--to", "5 s"]].concat();
    let before = order(data, &before)?[0]["outcome"].clone();
    ensure!(
        says(&before["warnings"], "the clock was stepped once"),
        "{before}"
    );
    ensure!(before["stretch"]["length_s"] == 5.0, "{before}");
    ensure!(before["results"][0]["value"].is_f64(), "{before}");
    Ok(())
}
