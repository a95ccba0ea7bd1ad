//! The exported CSV read back with pandas and compared, cell by cell, with the record; the Parquet
//! of the same with `DuckDB` and `pyarrow`, against the CSV.

use std::ffi::OsStr;
use std::path::Path;

use anyhow::{Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, EVERY_MS, Module, Wire};
use zonda_tests::daemon::{self, Station};
use zonda_tests::modbus::TcpDevice;
use zonda_tests::peer;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};

const ANSWERS: usize = 24;

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "csv_outside::pandas_reads_what_sqlite_holds",
        &[Need::Peers],
        pandas,
    )]
}

fn pandas(bench: &Bench) -> Result<()> {
    let device = TcpDevice::start()?;
    let modules = [Module { name: "A", unit: 1 }];
    let config = config::write(bench, &Wire::Tcp(&device.address.to_string()), &modules)?;
    let station = Station::start(bench, &config)?;
    device.device.await_answers(ANSWERS)?;
    // A silence in the middle: the wide layout must show it and stay a regular grid.
    device.device.set_silent(true);
    Record::await_in(&bench.data(), "the silence to be noticed", |record| {
        (!record.gaps.is_empty()).then_some(())
    })?;
    device.device.set_silent(false);
    device.device.await_answers(ANSWERS)?;
    station.stop()?;

    let (long, wide) = (bench.path("long.csv"), bench.path("wide.csv"));
    export(bench, "long", &long)?;
    export(bench, "wide", &wide)?;
    let step = format!("0.{EVERY_MS}");
    let data = bench.data();
    let arguments: [&OsStr; 4] = [
        data.as_os_str(),
        long.as_os_str(),
        wide.as_os_str(),
        step.as_ref(),
    ];
    println!(
        "csv_outside: pandas compared {}",
        peer::run("check_csv.py", &arguments)?.trim()
    );
    compare_parquet(bench, &long, &wide)
}

/// The same once more as Parquet, against the CSV.
fn compare_parquet(bench: &Bench, long: &Path, wide: &Path) -> Result<()> {
    let gaps = bench.path("gaps.csv");
    export(bench, "gaps", &gaps)?;
    let mut paths = Vec::new();
    for (layout, text) in [("long", long), ("wide", wide), ("gaps", &gaps)] {
        let columnar = text.with_extension("parquet");
        export(bench, layout, &columnar)?;
        paths.extend([text.to_owned(), columnar]);
    }
    let arguments: Vec<_> = paths.iter().map(|path| path.as_os_str()).collect();
    println!(
        "csv_outside: DuckDB and pyarrow compared {}",
        peer::run("check_parquet.py", &arguments)?.trim()
    );
    Ok(())
}

/// An export into a file, whose ending says the format.
fn export(bench: &Bench, layout: &str, file: &Path) -> Result<()> {
    let output = daemon::run(&[
        "export".as_ref(),
        "--data".as_ref(),
        bench.data().as_os_str(),
        "--layout".as_ref(),
        layout.as_ref(),
        "-o".as_ref(),
        file.as_os_str(),
    ])?;
    ensure!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    Ok(())
}
