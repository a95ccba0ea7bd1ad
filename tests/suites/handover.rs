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
    cut_out(bench, &data)?;

    refused(bench, &data, &book)
}

/// The run as a record of its own: compared row by row, opened by every command, and proved.
fn cut_out(bench: &Bench, data: &Path) -> Result<()> {
    let file = bench.path("hour, \"3\" 🔥 תנור.sqlite");
    let export = ["export", "--run", "hour", "--data"];
    well(&zonda(&export, data, &["-o".as_ref(), file.as_os_str()])?)?;
    let compared = peer::run(
        "check_cut_out.py",
        &[data.as_os_str(), file.as_os_str(), "hour".as_ref()],
    )?;
    println!("handover: Python's SQLite compared {}", compared.trim());
    for arguments in [
        &["run", "show", "hour", "--json", "--data"][..],
        &["export", "--run", "hour", "--layout", "wide", "--data"],
    ] {
        let (own, original) = (zonda(arguments, &file, &[])?, zonda(arguments, data, &[])?);
        well(&own)?;
        ensure!(own.stdout == original.stdout, "{arguments:?} differs");
    }
    well(&zonda(&["report", "hour", "--data"], &file, &[])?)?;
    well(&zonda(&["evaluate", "hour", "--data"], &file, &[])?)?;
    proved(bench, data, &file)?;
    let note = ["run", "note", "hour", "x", "--by", "test", "--data"];
    says(&zonda(&note, &file, &[])?, "nothing is recorded into it")
}

/// By itself and against its original; and what is changed in it shows.
fn proved(bench: &Bench, data: &Path, file: &Path) -> Result<()> {
    let verify = |file: &Path| {
        let original = ["--original".as_ref(), data.as_os_str()];
        zonda(&["verify", "--json", "--data"], file, &original)
    };
    let verdict = verify(file)?;
    well(&verdict)?;
    let verdict: serde_json::Value = serde_json::from_slice(&verdict.stdout)?;
    ensure!(
        verdict["cut_out"]["missing_in_original"] == serde_json::json!([]),
        "{verdict}"
    );
    let head = verdict["head"]["hash"].as_str().context("no head")?;
    let expect = ["--no-values".as_ref(), "--expect".as_ref(), head.as_ref()];
    well(&zonda(&["verify", "--data"], data, &expect)?)?;
    let changes = [
        (
            "a code",
            "UPDATE sample SET code = code + 1 WHERE (at, channel) IN (SELECT at, channel FROM sample WHERE typeof(code) = 'integer' ORDER BY at LIMIT 1 OFFSET 90000)",
        ),
        (
            "a sample between",
            "INSERT INTO sample SELECT (SELECT max(at) FROM sample) - 1, channel, code, value, flags FROM sample LIMIT 1",
        ),
        (
            "an event",
            "INSERT INTO event SELECT 99999, at, severity, kind, subject, text FROM event LIMIT 1",
        ),
        (
            "a piece",
            "DELETE FROM cut_out_piece WHERE first = (SELECT max(first) FROM cut_out_piece)",
        ),
        (
            "a link",
            "UPDATE seal SET hash = zeroblob(32) WHERE id = (SELECT link FROM cut_out)",
        ),
    ];
    for (what, sql) in changes {
        let forged = bench.path("forged.sqlite");
        std::fs::copy(file, &forged)?;
        peer::run("tamper.py", &[forged.as_os_str(), sql.as_ref()])?;
        ensure!(!verify(&forged)?.status.success(), "{what} was changed");
    }
    let chosen = bench.path("chosen.sqlite");
    let some = [
        "--channels".as_ref(),
        "Z1-left.velocity".as_ref(),
        "-o".as_ref(),
        chosen.as_os_str(),
    ];
    well(&zonda(&["export", "--run", "hour", "--data"], data, &some)?)?;
    let unproved = zonda(&["verify", "--data"], &chosen, &[])?;
    let said = String::from_utf8_lossy(&unproved.stdout).into_owned();
    ensure!(
        !unproved.status.success() && said.contains("NOTHING CAN BE PROVED"),
        "{said}"
    );
    Ok(())
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
