//! What a laboratory hands over of a run: the workbook, read by `openpyxl` and compared cell by cell with
//! the record; and what is refused.

use std::ffi::OsStr;
use std::path::Path;
use std::process::Output;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};
use zonda_tests::{daemon, peer};

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
    let demo = ["demo", "--for", "1s", "--listen", "127.0.0.1:0", "--data"];
    well(&zonda(&demo, &data, &[])?)?;
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
        "--data",
    ];
    well(&zonda(&cut, &data, &[])?)?;

    let book = bench.path("hour.xlsx");
    let export = ["export", "--run", "hour", "--data"];
    let into_book = ["-o".as_ref(), book.as_os_str()];
    well(&zonda(&export, &data, &into_book)?)?;
    let compared = peer::run(
        "check_xlsx.py",
        &[data.as_os_str(), book.as_os_str(), "hour".as_ref()],
    )?;
    println!("handover: openpyxl compared {}", compared.trim());

    refused(bench, &data, &book)
}

/// What cannot be done is said, and leaves nothing behind and everything as it was.
fn refused(bench: &Bench, data: &Path, book: &Path) -> Result<()> {
    let before = std::fs::metadata(book)?.len();
    let export = ["export", "--run", "hour", "--data"];
    says(
        &zonda(&export, data, &["-o".as_ref(), book.as_os_str()])?,
        "exists",
    )?;
    ensure!(
        std::fs::metadata(book)?.len() == before,
        "it was written over"
    );
    let other = bench.path("other.xlsx");
    let into = ["-o".as_ref(), other.as_os_str()];
    says(
        &zonda(&["export", "--run", "nobody", "--data"], data, &into)?,
        "no run `nobody`",
    )?;
    says(
        &zonda(&["export", "--last", "1m", "--data"], data, &into)?,
        "a workbook is made of a run",
    )?;
    let unknown = ["export", "--run", "hour", "--channels", "nowhere", "--data"];
    says(&zonda(&unknown, data, &into)?, "no channel `nowhere`")?;
    ensure!(!other.exists(), "something was left behind");
    Ok(())
}

fn zonda(first: &[&str], data: &Path, last: &[&OsStr]) -> Result<Output> {
    let mut arguments: Vec<_> = first.iter().map(OsStr::new).collect();
    arguments.push(data.as_os_str());
    arguments.extend(last);
    daemon::run(&arguments)
}

fn well(output: &Output) -> Result<()> {
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(output.status.success(), "{said}");
    Ok(())
}

fn says(output: &Output, words: &str) -> Result<()> {
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(!output.status.success(), "it was done");
    ensure!(said.contains(words), "`{words}` is not in: {said}");
    Ok(())
}
