//! Exports as CSV and Parquet, each read back with pandas and with `DuckDB`, and each compared, cell by cell,
//! with the record; a run as SQLite, sent by the daemon.

use std::ffi::OsString;
use std::path::Path;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, EVERY_MS, Module, Wire};
use zonda_tests::daemon::{self, Station, cut, well};
use zonda_tests::modbus::TcpDevice;
use zonda_tests::peer;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};

const ANSWERS: usize = 24;

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "csv_outside::pandas_and_duckdb_read_what_sqlite_holds",
        &[Need::Peers],
        read_back,
    )]
}

fn read_back(bench: &Bench) -> Result<()> {
    let device = TcpDevice::start()?;
    let modules = [Module {
        name: "תנור",
        unit: 1,
    }];
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
    cut_out(bench, &station)?;
    station.stop()?;

    let mut arguments = vec![
        bench.data().into_os_string(),
        format!("0.{EVERY_MS}").into(),
    ];
    for layout in ["long", "wide", "gaps"] {
        for ending in ["csv", "parquet"] {
            export(bench, layout, &bench.path(&format!("{layout}.{ending}")))?;
        }
        arguments.push(bench.path(layout).into_os_string());
    }
    let arguments: Vec<_> = arguments.iter().map(OsString::as_os_str).collect();
    println!(
        "csv_outside: compared with SQLite: {}",
        peer::run("check_tables.py", &arguments)?.trim()
    );
    Ok(())
}

/// A run leaves the daemon as a record of its own, and proves itself.
fn cut_out(bench: &Bench, station: &Station) -> Result<()> {
    cut(&bench.data(), "תנור")?;
    let export = |options: &str| -> Result<_> {
        let url = format!(
            "http://{}/api/v1/runs/1/export?{options}",
            station.address()
        );
        let mut answer = ureq::get(url).call()?;
        let told = |name| answer.headers().get(name).and_then(|it| it.to_str().ok());
        let kind = told("content-type").zip(told("content-disposition"));
        let kind = kind.context("of no kind")?;
        let kind = format!("{}; {}", kind.0, kind.1);
        let file = bench.path("served.sqlite");
        std::fs::write(&file, answer.body_mut().read_to_vec()?)?;
        let verify = ["verify".as_ref(), "--data".as_ref(), file.as_os_str()];
        Ok((kind, daemon::run(&verify)?))
    };
    let (kind, verdict) = export("format=sqlite")?;
    let wanted = "application/vnd.sqlite3; attachment; filename=\"zonda_____.sqlite\"; \
                  filename*=UTF-8''zonda_%D7%AA%D7%A0%D7%95%D7%A8.sqlite";
    ensure!(kind == wanted, "{kind}");
    well(&verdict)?;
    let (_, verdict) = export("format=sqlite&ch=%D7%AA%D7%A0%D7%95%D7%A81.velocity")?;
    ensure!(!verdict.status.success(), "a part was proved");
    let (status, said) = station.get("/api/v1/runs/1/export?format=sqlite&units=us")?;
    ensure!(
        status == 400 && said.contains("`units` means nothing to SQLite"),
        "{said}"
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
