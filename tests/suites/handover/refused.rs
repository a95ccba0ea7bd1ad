//! What cannot be done, what is called off, and names that trip programs up.

use std::ffi::OsString;
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};

use anyhow::{Context, Result, ensure};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{says, well};
use zonda_tests::wait::{PATIENCE, until};
use zonda_tests::{daemon, peer};

use super::zonda;

/// What cannot be done is said, and leaves nothing behind and everything as it was.
pub(super) fn check(bench: &Bench, data: &Path, book: &Path) -> Result<()> {
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
    let unfit = ["export", "--run", "hour", "--decimal-comma", "--data"];
    says(
        &zonda(&unfit, data, &into)?,
        "--decimal-comma means nothing to a workbook",
    )?;
    ensure!(!other.exists(), "something was left behind");
    nothing_there(bench, data)?;
    full_disk(bench, data)?;
    called_off(bench, data)?;
    odd_name(bench, data)
}

/// A stretch in which nothing was recorded, and folders into which nothing can be written.
fn nothing_there(bench: &Bench, data: &Path) -> Result<()> {
    let empty = bench.path("empty.csv");
    let long_ago = [
        "export",
        "--from",
        "2001-01-01T00:00:00Z",
        "--to",
        "2001-01-02T00:00:00Z",
        "--data",
    ];
    let output = zonda(&long_ago, data, &["-o".as_ref(), empty.as_os_str()])?;
    well(&output)?;
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(
        said.contains("note: nothing was recorded between 2001"),
        "{said}"
    );
    let text = std::fs::read_to_string(&empty)?;
    ensure!(text.lines().count() == 1, "a heading alone: {text}");
    // Where not even root may write, and where a file stands in the place of a folder.
    for folder in [Path::new("/proc"), empty.as_path()] {
        for name in ["x.csv", "x.parquet", "x.xlsx", "x.sqlite"] {
            let file = folder.join(name);
            let into = ["-o".as_ref(), file.as_os_str()];
            let export = ["export", "--run", "hour", "--data"];
            says(&zonda(&export, data, &into)?, "cannot write")?;
        }
    }
    Ok(())
}

/// A disk that takes half of it: nothing is left under the final name, nor under the other.
fn full_disk(bench: &Bench, data: &Path) -> Result<()> {
    for name in ["full.csv", "full.parquet", "full.xlsx", "full.sqlite"] {
        let file = bench.path(name);
        // 200 KB a file; what is beyond is an error to the program, as on a full disk, and no signal.
        let script =
            "trap '' XFSZ; ulimit -f 200; exec \"$0\" export --run hour --data \"$1\" -o \"$2\"";
        let output = Command::new("bash")
            .args(["-c", script])
            .args([daemon::binary(), data, &file])
            .output()?;
        let said = String::from_utf8_lossy(&output.stderr);
        ensure!(!output.status.success(), "{name} was written");
        ensure!(
            [
                "cannot be written",
                "cannot write",
                "temporary file",
                "full"
            ]
            .iter()
            .any(|word| said.contains(word)),
            "{name}: {said}"
        );
        let left: Vec<_> = left(bench, "full")?;
        ensure!(left.is_empty(), "left behind: {left:?}");
    }
    Ok(())
}

/// Called off half-way, as by Ctrl-C.
fn called_off(bench: &Bench, data: &Path) -> Result<()> {
    for name in ["halved.csv", "halved.sqlite"] {
        let file = bench.path(name);
        let mut child = Command::new(daemon::binary())
            .args(["export", "--run", "last-night", "--data"])
            .args([data, "-o".as_ref(), &file])
            .stderr(Stdio::piped())
            .spawn()?;
        let partial = bench.path(&format!("{name}.partial"));
        until(PATIENCE, "the export to be under way", || {
            let is_begun = std::fs::metadata(&partial).is_ok_and(|meta| meta.len() > 1 << 16);
            Ok(is_begun.then_some(()))
        })?;
        kill(Pid::from_raw(child.id().try_into()?), Signal::SIGINT)?;
        let mut said = String::new();
        let mut stderr = child.stderr.take().context("it is piped")?;
        stderr.read_to_string(&mut said)?;
        ensure!(!child.wait()?.success(), "{name} was finished: {said}");
        ensure!(said.contains("cancelled by"), "{name}: {said}");
        let left = left(bench, "halved")?;
        ensure!(left.is_empty(), "left behind: {left:?}");
    }
    Ok(())
}

/// A file name with all that a shell, a table and a web address trip over, and its sidecars; the object's name, no
/// better, stands in lines above the heading.
fn odd_name(bench: &Bench, data: &Path) -> Result<()> {
    let file = bench.path("odd, \"3\"\n#1 100 % 🔥 תנור.csv");
    let export = [
        "export",
        "--run",
        "hour",
        "--sidecars",
        "--header",
        "--data",
    ];
    well(&zonda(&export, data, &["-o".as_ref(), file.as_os_str()])?)?;
    let read = peer::run("check_sidecar.py", &[file.as_os_str()])?;
    println!("handover: by its sidecar alone, {}", read.trim());
    Ok(())
}

/// The files whose names begin so.
fn left(bench: &Bench, begin: &str) -> Result<Vec<OsString>> {
    let folder = bench.path("");
    let names = std::fs::read_dir(folder)?.map(|entry| Ok(entry?.file_name()));
    let names: Vec<OsString> = names.collect::<Result<_>>()?;
    let is_own = |name: &OsString| name.to_string_lossy().starts_with(begin);
    Ok(names.into_iter().filter(is_own).collect())
}
