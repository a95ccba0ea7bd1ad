//! Killed, stopped and started again: what was committed stays, what is missing has its cause.

use std::time::{SystemTime, UNIX_EPOCH};

use anyhow::{Result, ensure};
use libtest_mimic::Trial;
use nix::sys::signal::Signal;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::{STOPPED_WITHIN, Station};
use zonda_tests::ledger::{self, Counts};
use zonda_tests::modbus::TcpDevice;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};

const MODULE: Module = Module { name: "A", unit: 1 };
const KILLS: usize = 3;
const ANSWERS: usize = 12;
/// What a kill may take: a commit interval of 1 s, one that is under way, and the tick of the answer itself.
const LOST_S_MAX: f64 = 2.25;

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Python];
    vec![
        test(
            "power::a_kill_takes_at_most_the_last_commit",
            &needs,
            kill_loop,
        ),
        test("power::a_stop_loses_nothing", &needs, stop_mid_run),
        test("power::a_second_stop_does_no_harm", &needs, second_stop),
    ]
}

struct Rig {
    device: TcpDevice,
    config: std::path::PathBuf,
}

fn rig(bench: &Bench) -> Result<Rig> {
    let device = TcpDevice::start()?;
    let config = config::write(bench, &Wire::Tcp(&device.address.to_string()), &[MODULE])?;
    Ok(Rig { device, config })
}

/// Starts a station and lets it take some more answers.
fn work(bench: &Bench, rig: &Rig) -> Result<Station> {
    let station = Station::start(bench, &rig.config)?;
    rig.device.device.await_answers(ANSWERS)?;
    Ok(station)
}

fn kill_loop(bench: &Bench) -> Result<()> {
    let rig = rig(bench)?;
    for cycle in 1..=KILLS {
        work(bench, &rig)?.kill()?;
        let killed_at = now();
        let served = rig.device.device.ledger();
        let record = Record::read(&bench.data())?;
        // What went before the last commit interval of this life must be there.
        let last = record.samples.last().map_or(0.0, |row| micros_to_s(row.at));
        ensure!(
            killed_at - last <= LOST_S_MAX,
            "cycle {cycle}: killed at {killed_at}, the record ends at {last}"
        );
        println!(
            "power, kill {cycle}: {} served, {:.2} s before the kill stored",
            served.len(),
            killed_at - last
        );
    }
    work(bench, &rig)?.stop()?;
    let record = Record::read(&bench.data())?;
    let stopped = record.gaps_by("daemon_stopped");
    ensure!(
        stopped.len() == KILLS * MODULE.channels().len(),
        "expected a gap for each channel and kill, found {stopped:?}"
    );
    let counts = ledger::compare(&rig.device.device.ledger(), &record, &MODULE)?;
    println!("power, killed {KILLS} times: {counts}");
    ensure!(counts.cut <= 1, "{counts}");
    Ok(())
}

fn stop_mid_run(bench: &Bench) -> Result<()> {
    let rig = rig(bench)?;
    work(bench, &rig)?.stop()?;
    expect_all(bench, &rig, "stopped")?;
    // The time between two lives is a gap with its cause.
    work(bench, &rig)?.stop()?;
    let record = Record::read(&bench.data())?;
    let stopped = record.gaps_by("daemon_stopped");
    ensure!(
        stopped.len() == MODULE.channels().len(),
        "found {stopped:?}"
    );
    ensure!(
        stopped
            .iter()
            .all(|gap| gap.to.is_some_and(|to| gap.from < to)),
        "{stopped:?}"
    );
    Ok(())
}

fn second_stop(bench: &Bench) -> Result<()> {
    let rig = rig(bench)?;
    let mut station = work(bench, &rig)?;
    station.signal(Signal::SIGTERM)?;
    station.signal(Signal::SIGTERM)?;
    let status = station.wait(STOPPED_WITHIN)?;
    ensure!(status.success(), "ended with {status}");
    expect_all(bench, &rig, "stopped twice")?;
    Ok(())
}

fn expect_all(bench: &Bench, rig: &Rig, what: &str) -> Result<Counts> {
    let record = Record::read(&bench.data())?;
    let counts = ledger::compare(&rig.device.device.ledger(), &record, &MODULE)?;
    println!("power, {what}: {counts}");
    ensure!(counts.cut <= 1 && counts.stored + 1 >= ANSWERS, "{counts}");
    Ok(counts)
}

fn now() -> f64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0.0, |since| since.as_secs_f64())
}

#[expect(
    clippy::cast_precision_loss,
    reason = "microseconds of this century fit a double"
)]
fn micros_to_s(at: i64) -> f64 {
    at as f64 / 1e6
}
