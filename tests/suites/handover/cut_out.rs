//! A run as a record of its own: compared row by row with the record by Python's own SQLite, opened by every
//! command, and proved; what is changed in it shows.

use std::path::Path;

use anyhow::{Context, Result, ensure};
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{says, well};
use zonda_tests::peer;

use super::zonda;

/// The run as a record of its own: compared row by row, opened by every command, and proved.
pub(super) fn check(bench: &Bench, data: &Path) -> Result<()> {
    let file = bench.path("hour, \"3\" 🔥 תנור.sqlite");
    let export = ["export", "--run", "hour", "--data"];
    well(&zonda(&export, data, &["-o".as_ref(), file.as_os_str()])?)?;
    let compared = peer::run(
        "check_cut_out.py",
        &[data.as_os_str(), file.as_os_str(), "hour".as_ref()],
    )?;
    println!("handover: Python's SQLite compared {}", compared.trim());
    let wide = ["export", "--run", "hour", "--layout", "wide", "--data"];
    let (own, original) = (zonda(&wide, &file, &[])?, zonda(&wide, data, &[])?);
    well(&own)?;
    ensure!(own.stdout == original.stdout, "the exports differ");
    let (own, original) = (shown(&file)?, shown(data)?);
    ensure!(own == original, "{own} in place of {original}");
    well(&zonda(&["report", "hour", "--data"], &file, &[])?)?;
    well(&zonda(&["evaluate", "hour", "--data"], &file, &[])?)?;
    proved(bench, data, &file)?;
    let note = ["run", "note", "hour", "x", "--by", "test", "--data"];
    says(&zonda(&note, &file, &[])?, "nothing is recorded into it")
}

/// What is told of the run, but for the other runs that it shares time with.
fn shown(data: &Path) -> Result<serde_json::Value> {
    let show = zonda(&["run", "show", "hour", "--json", "--data"], data, &[])?;
    well(&show)?;
    let mut run: serde_json::Value = serde_json::from_slice(&show.stdout)?;
    run["remarks"].take();
    Ok(run)
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
