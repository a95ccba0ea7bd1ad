//! A process that pours samples into a record and says what is durable, for the suites that pull the
//! plug on it. It is the suite itself, started again: so it is never older than what it tests.
#![allow(dead_code, reason = "each suite uses a part of it")]

use std::ffi::OsStr;
use std::io::Write;
use std::path::Path;
use std::process::Command;

use zonda_model::Stamp;
use zonda_store::Recorder;

use super::{OPTIONS, open, sample};

pub(crate) const CHANNELS: [&str; 8] = ["a", "b", "c", "d", "e", "f", "g", "h"];

const DIR: &str = "ZONDA_TEST_POUR_INTO";
const TICKS: &str = "ZONDA_TEST_POUR_TICKS";
const DURABLE: &str = "durable ";

/// The tick of a line that the process wrote, if it is about one.
pub(crate) fn tick_of(line: &str) -> Option<i64> {
    line.strip_prefix(DURABLE)?.parse().ok()
}

/// The test of this suite that pours, as a process of its own. `before` stands before it, such as a
/// tracer.
pub(crate) fn process(before: &[&str], test: &str, dir: &Path, ticks: u32) -> Command {
    let suite = std::env::current_exe().unwrap();
    let words: Vec<&OsStr> = before
        .iter()
        .map(OsStr::new)
        .chain([suite.as_os_str()])
        .collect();
    let mut command = Command::new(words[0]);
    command
        .args(&words[1..])
        .args(["--exact", test, "--include-ignored", "--quiet"])
        .env(DIR, dir)
        .env(TICKS, ticks.to_string());
    command
}

/// Pours where the process was told to, or ten ticks into a place of its own. How many.
pub(crate) async fn pour() -> i64 {
    match std::env::var_os(DIR) {
        Some(dir) => {
            let ticks = std::env::var(TICKS).unwrap().parse().unwrap();
            pour_into(Path::new(&dir), ticks, std::io::stdout()).await
        }
        None => pour_into(tempfile::tempdir().unwrap().path(), 10, std::io::sink()).await,
    }
}

/// Goes on after what is there. A tick is a second of each channel; it is told when it is durable.
async fn pour_into(dir: &Path, ticks: i64, mut told: impl Write) -> i64 {
    const SECOND: i64 = 1_000_000;
    let store = zonda_store::Store::open(dir).await.unwrap();
    let newest = store.newest().await.unwrap();
    drop(store);
    let first = newest.map_or(0, |at| at.micros() / SECOND + 1);
    let at = |tick: i64| Stamp::from_micros(tick * SECOND);
    let (store, session) = open(dir, &CHANNELS, at(first)).await;
    let channels = session.channels.clone();
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    for tick in first..first + ticks {
        let samples = channels
            .iter()
            .map(|channel| sample(*channel, at(tick), 180.0));
        recorder.samples(samples.collect()).await.unwrap();
        recorder.flush().await.unwrap();
        writeln!(told, "\n{DURABLE}{tick}").unwrap();
    }
    recorder.end(at(first + ticks)).await.unwrap();
    task.await.unwrap();
    ticks
}
