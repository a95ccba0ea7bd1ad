//! What a laboratory hands over of a run: the workbook, read by `openpyxl` and compared cell by cell with
//! the record; and what is refused.

mod cut_out;
mod refused;

use std::ffi::OsStr;
use std::path::Path;
use std::process::Output;

use anyhow::{Context, Result};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::well;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};
use zonda_tests::{daemon, night, peer};

const HOUR_US: i64 = 3_600_000_000;

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "handover::a_run_leaves_as_a_workbook",
        &[Need::Peers],
        handed_over,
    )]
}

fn handed_over(bench: &Bench) -> Result<()> {
    let data = bench.data();
    night::copy(bench)?;
    // The hour in which a line is silent for twelve minutes.
    let rows = Record::query(&data, "SELECT min(started_at) FROM session")?;
    let begin = rows.first().and_then(|row| row.first()?.as_i64());
    let begin = begin.context("the record has no session")?;
    let (from, to) = (begin + 6 * HOUR_US, begin + 7 * HOUR_US);
    let time = |at: i64| -> Result<String> {
        let sql = format!("SELECT strftime('%Y-%m-%dT%H:%M:%SZ', {at} / 1000000, 'unixepoch')");
        let rows = Record::query(&data, &sql)?;
        let text = rows.first().and_then(|row| row.first()?.as_str());
        Ok(text.context("no time")?.to_owned())
    };
    let (from, to) = (time(from)?, time(to)?);
    let object = "=oven \"3\", <b>, =cmd 🔥 תנור";
    let cut = [
        "run",
        "cut",
        "hour",
        "--from",
        &from,
        "--to",
        &to,
        "--by",
        "test",
        "--object",
        object,
        "--evaluate",
        "mean",
        "--evaluate",
        r#"mean={"channels":["Z1-left.temperature"],"within":"150-250 °C"}"#,
        "--data",
    ];
    well(&zonda(&cut, &data, &[])?)?;

    let book = bench.path("hour.xlsx");
    let export = ["export", "--run", "hour", "--data"];
    let into_book = ["-o".as_ref(), book.as_os_str()];
    well(&zonda(&export, &data, &into_book)?)?;
    let outcomes = zonda(&["evaluate", "hour", "--json", "--data"], &data, &[])?;
    well(&outcomes)?;
    let said = bench.path("outcomes.json");
    std::fs::write(&said, &outcomes.stdout)?;
    let compared = peer::run(
        "check_xlsx.py",
        &[
            data.as_os_str(),
            book.as_os_str(),
            "hour".as_ref(),
            said.as_os_str(),
        ],
    )?;
    println!("handover: openpyxl compared {}", compared.trim());

    if peer::has("soffice") {
        let folder = bench.path("office");
        let office = peer::run("check_office.py", &[book.as_os_str(), folder.as_os_str()])?;
        println!("handover: LibreOffice compared {}", office.trim());
    } else {
        println!(
            "handover: LEFT OUT: LibreOffice did not open the workbook; it is not installed (Debian's libreoffice-calc-nogui)"
        );
    }
    cut_out::check(bench, &data)?;

    refused::check(bench, &data, &book)
}

fn zonda(first: &[&str], data: &Path, last: &[&OsStr]) -> Result<Output> {
    let mut arguments: Vec<_> = first.iter().map(OsStr::new).collect();
    arguments.push(data.as_os_str());
    arguments.extend(last);
    daemon::run(&arguments)
}
