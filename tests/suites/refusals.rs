//! What the station will not touch, and how it says so: another daemon's record, a newer one, a
//! damaged one, and a configuration with mistakes.

use std::fs;
use std::os::unix::fs::FileExt;
use std::path::Path;
use std::process::{Command, Output};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::{self, Station};
use zonda_tests::modbus::TcpDevice;
use zonda_tests::peer;
use zonda_tests::suite::{Need, test};

const COULD_NOT: i32 = 3;
const NOT_WELL: i32 = 1;
const WRONG_USE: i32 = 2;

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test("refusals::a_record_of_another_daemon", &[], taken),
        test("refusals::a_newer_record", &[Need::Python], newer),
        test("refusals::a_damaged_record", &[], damaged),
        test("refusals::something_else_in_its_place", &[], foreign),
        test("refusals::every_mistake_at_once", &[], mistakes),
        test("refusals::a_file_that_is_not_there", &[], not_there),
    ]
}

fn prepared(bench: &Bench) -> Result<(TcpDevice, std::path::PathBuf)> {
    let device = TcpDevice::start()?;
    let modules = [Module { name: "A", unit: 1 }];
    let config = config::write(bench, &Wire::Tcp(&device.address.to_string()), &modules)?;
    Ok((device, config))
}

/// A record of a station that ran and stopped.
fn recorded(bench: &Bench) -> Result<std::path::PathBuf> {
    let (_device, config) = prepared(bench)?;
    Station::start(bench, &config)?.stop()?;
    Ok(config)
}

/// Expects `serve` to end with this code and to say these words.
fn expect_refusal(config: &Path, code: i32, words: &[&str]) -> Result<()> {
    let output = daemon::serve(config).output()?;
    expect_words(&output, code, words)
}

fn expect_words(output: &Output, code: i32, words: &[&str]) -> Result<()> {
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(
        output.status.code() == Some(code),
        "ended with {}, expected {code}:\n{said}",
        output.status
    );
    for word in words {
        ensure!(said.contains(word), "`{word}` is not in:\n{said}");
    }
    Ok(())
}

fn taken(bench: &Bench) -> Result<()> {
    let (_device, config) = prepared(bench)?;
    let station = Station::start(bench, &config)?;
    expect_refusal(&config, COULD_NOT, &["another daemon", "data"])?;
    ensure!(
        station.get("/readyz")?.0 == 200,
        "the first one must not notice"
    );
    station.stop()
}

fn newer(bench: &Bench) -> Result<()> {
    let config = recorded(bench)?;
    let record = bench.data().join("record.sqlite");
    let later = "import sqlite3, sys; d = sqlite3.connect(sys.argv[1]); d.execute('PRAGMA user_version = 999'); d.commit()";
    let python = peer::python().context("no Python")?;
    ensure!(
        Command::new(python)
            .args(["-c", later])
            .arg(&record)
            .status()?
            .success()
    );
    unchanged(&record, || {
        expect_refusal(&config, COULD_NOT, &["later version", "999"])
    })
}

fn damaged(bench: &Bench) -> Result<()> {
    let config = recorded(bench)?;
    let record = bench.data().join("record.sqlite");
    let file = fs::File::options().write(true).open(&record)?;
    let size = file.metadata()?.len();
    // Every page but the first, so that it is the content that fails and not the header.
    for page in 1..size / 4096 {
        file.write_all_at(&[0xFF; 64], page * 4096)?;
    }
    unchanged(&record, || {
        expect_refusal(&config, COULD_NOT, &["damaged", "record.sqlite"])
    })
}

fn foreign(bench: &Bench) -> Result<()> {
    let (_device, config) = prepared(bench)?;
    fs::create_dir_all(bench.data())?;
    let record = bench.data().join("record.sqlite");
    fs::write(&record, "minutes of the meeting on oven 3\n".repeat(200))?;
    unchanged(&record, || {
        expect_refusal(&config, COULD_NOT, &["record.sqlite", "not a record"])
    })
}

/// Expects a file to be byte for byte what it was.
fn unchanged(file: &Path, work: impl FnOnce() -> Result<()>) -> Result<()> {
    let before = fs::read(file)?;
    work()?;
    ensure!(fs::read(file)? == before, "{} was changed", file.display());
    Ok(())
}

fn mistakes(bench: &Bench) -> Result<()> {
    let text = config::text(
        &bench.data(),
        &Wire::Tcp("127.0.0.1:1"),
        &[Module { name: "A", unit: 1 }],
    )
    .replace("every = \"250 ms\"", "evry = \"250 ms\"")
    .replace("range = \"0-20 m/s\" }", "range = \"0-20 °C\" }")
    .replace("unit = 1", "unit = 300");
    let config = bench.write("wrong.toml", &text)?;
    let words = ["evry", "every", "°C", "velocity", "300", "wrong.toml"];
    let output = daemon::run(&["check".as_ref(), config.as_os_str()])?;
    expect_words(&output, NOT_WELL, &words)?;
    expect_refusal(&config, WRONG_USE, &words)?;
    ensure!(
        !bench.data().exists(),
        "a wrong configuration must not make a record"
    );
    Ok(())
}

/// A path that was mistyped is no wish to begin anew: nothing listens, nothing is made.
fn not_there(bench: &Bench) -> Result<()> {
    let config = bench.path("no/such/station.toml");
    expect_refusal(
        &config,
        WRONG_USE,
        &["no configuration at", "no/such/station.toml", "--first-run"],
    )?;
    ensure!(!bench.path("no").exists(), "it made a folder");
    Ok(())
}
