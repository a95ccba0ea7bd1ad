//! The seal against another program: `peers/verify_seal.py` follows docs/seal.md with another BLAKE3
//! than ours. Both have to agree on every head, and on every place that was tampered with.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::{self, Station};
use zonda_tests::modbus::TcpDevice;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};
use zonda_tests::{night, peer};

const ANSWERS: usize = 12;

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test(
            "seal::two_programs_agree_on_a_record_and_on_what_was_changed",
            &[Need::Peers],
            agree,
        ),
        test(
            "seal::a_demo_follows_from_its_codes_to_the_last_flag",
            &[],
            follows,
        ),
        test(
            "seal::a_head_that_was_noted_is_asked_for",
            &[Need::Python],
            expected,
        ),
    ]
}

/// The program's verdict, and whether it ended with 0.
pub(crate) fn verify(data: &Path, more: &[&str]) -> Result<(bool, Value)> {
    let mut arguments: Vec<&OsStr> = ["verify", "--json", "--data"].map(OsStr::new).into();
    arguments.push(data.as_os_str());
    arguments.extend(more.iter().map(OsStr::new));
    let output = daemon::run(&arguments)?;
    let said = String::from_utf8_lossy(&output.stderr);
    let verdict = serde_json::from_slice(&output.stdout).with_context(|| said.into_owned())?;
    Ok((output.status.code() == Some(0), verdict))
}

/// The other program's verdict.
fn verify_outside(data: &Path) -> Result<Value> {
    let text = peer::run("verify_seal.py", &[data.as_os_str()])?;
    Ok(serde_json::from_str(&text)?)
}

/// A copy of a record whose daemon has ended.
pub(crate) fn copy(bench: &Bench, name: &str) -> Result<PathBuf> {
    let copy = bench.path(name);
    fs::create_dir(&copy)?;
    fs::copy(
        bench.data().join("record.sqlite"),
        copy.join("record.sqlite"),
    )?;
    Ok(copy)
}

fn number(data: &Path, sql: &str) -> Result<i64> {
    let rows = Record::query(data, sql)?;
    let first = rows.first().and_then(|row| row.first()?.as_i64());
    first.with_context(|| format!("no number from {sql}"))
}

/// A record with two sessions, a gap that ended, and events.
fn record(bench: &Bench) -> Result<()> {
    let device = TcpDevice::start()?;
    let modules = [Module { name: "A", unit: 1 }];
    let config = config::write(bench, &Wire::Tcp(&device.address.to_string()), &modules)?;
    let station = Station::start(bench, &config)?;
    device.device.await_answers(ANSWERS)?;
    device.device.set_silent(true);
    Record::await_in(&bench.data(), "the silence to be noticed", |record| {
        (!record.gaps.is_empty()).then_some(())
    })?;
    device.device.set_silent(false);
    device.device.await_answers(ANSWERS)?;
    // Beside the recording, too.
    let (is_well, verdict) = verify(&bench.data(), &[])?;
    ensure!(is_well, "while it records: {verdict:#}");
    station.stop()?;
    let station = Station::start(bench, &config)?;
    device.device.await_answers(ANSWERS)?;
    station.stop()
}

fn agree(bench: &Bench) -> Result<()> {
    record(bench)?;
    let data = bench.data();
    let (is_well, ours) = verify(&data, &[])?;
    let theirs = verify_outside(&data)?;
    ensure!(is_well && theirs["fault"].is_null(), "{ours:#}\n{theirs:#}");
    ensure!(
        ours["head"]["hash"] == theirs["head"],
        "{ours:#}\n{theirs:#}"
    );
    ensure!(ours["samples"] == theirs["samples"] && ours["links"] == theirs["links"]);
    ensure!(ours["worked_out"] == ours["samples"], "{ours:#}");

    // Two links with samples, one after the other, in the middle of the second half.
    let link = number(&data, "SELECT max(id) - 2 FROM seal")?;
    let after = format!("(SELECT sample_to FROM seal WHERE id = {link} - 1)");
    let to = format!("(SELECT sample_to FROM seal WHERE id = {link})");
    let last = number(&data, "SELECT max(id) FROM seal")?;
    let first_event = number(&data, "SELECT min(id) FROM seal WHERE event_to IS NOT NULL")?;
    let ended = number(&data, "SELECT min(id) FROM seal WHERE closed IS NOT NULL")?;
    let one = format!("at = (SELECT min(at) FROM sample WHERE at > {after}) AND channel = 3");
    let cases = [
        // One bit: whichever it is, the last one is turned over.
        ("one bit of one code", format!("UPDATE sample SET code = code + 1 - 2 * (code & 1) WHERE {one}"), "sample_changed", Some(link)),
        ("a sample taken out", format!("DELETE FROM sample WHERE {one}"), "samples_missing", Some(link)),
        ("a deleted commit", format!("DELETE FROM sample WHERE at > {after} AND at <= {to}; DELETE FROM seal WHERE id = {link}"), "links_missing", Some(link + 1)),
        ("commits in another order", format!("UPDATE seal SET id = -1 WHERE id = {link}; UPDATE seal SET id = {link} WHERE id = {link} + 1; UPDATE seal SET id = {link} + 1 WHERE id = -1"), "out_of_order", Some(link)),
        ("a truncated tail", format!("DELETE FROM sample WHERE at > {to}; DELETE FROM seal WHERE id > {link}; DELETE FROM event WHERE id > (SELECT event_to FROM seal WHERE id = {link}); DELETE FROM gap WHERE id > (SELECT gap_to FROM seal WHERE id = {link})"), "session_changed", Some(link)),
        ("a changed event", "UPDATE event SET text = 'all was well' WHERE id = 1".to_owned(), "row_changed", Some(first_event)),
        ("a changed gap", "UPDATE gap SET missed = 0, cause = cause WHERE id = 1".to_owned(), "row_changed", Some(ended)),
        ("a forged hash", format!("UPDATE seal SET hash = zeroblob(32) WHERE id = {link}"), "hash_changed", Some(link)),
        ("a forged last hash", format!("UPDATE seal SET hash = zeroblob(32) WHERE id = {last}"), "row_changed", Some(last)),
        ("an event put in", "INSERT INTO event SELECT max(id) + 1, at, 'info', 'k', 's', 't' FROM event".to_owned(), "no_link", None),
        ("a mapping put in", "INSERT INTO mapping SELECT channel, version + 1, since_at, config, 'x' FROM mapping WHERE channel = 1".to_owned(), "no_link", None),
    ];
    for (index, (name, sql, kind, place)) in cases.into_iter().enumerate() {
        let data = copy(bench, &format!("tampered-{index}"))?;
        peer::run("tamper.py", &[data.as_os_str(), OsStr::new(&sql)])?;
        let (is_well, ours) = verify(&data, &[])?;
        let theirs = verify_outside(&data)?;
        let fault = &ours["faults"][0];
        ensure!(!is_well, "{name}: not found\n{ours:#}");
        ensure!(fault["kind"] == kind, "{name}: {ours:#}");
        ensure!(fault["link"].as_i64() == place, "{name}: {ours:#}");
        ensure!(
            theirs["fault"]["link"].as_i64() == place,
            "{name}: {theirs:#}\n{ours:#}"
        );
        if kind == "sample_changed" {
            let at = number(
                &bench.data(),
                &format!("SELECT min(at) FROM sample WHERE at > {after}"),
            )?;
            let told: String = fault["at"].as_str().unwrap_or_default().into();
            ensure!(
                told == zonda_model::Stamp::from_micros(at).to_string(),
                "{name}: {ours:#}"
            );
            ensure!(fault["channel"] == "A2.velocity", "{name}: {ours:#}");
        }
    }
    Ok(())
}

/// Every value and every flag of a night with envelopes, stuck cables and text lines.
fn follows(bench: &Bench) -> Result<()> {
    let data = bench.data();
    night::copy(bench)?;
    let (is_well, verdict) = verify(&data, &[])?;
    ensure!(is_well, "{verdict:#}");
    ensure!(verdict["worked_out"] == verdict["samples"], "{verdict:#}");
    println!(
        "seal: {} samples proved and worked out in {} s",
        verdict["samples"], verdict["seconds"]
    );
    Ok(())
}

fn expected(bench: &Bench) -> Result<()> {
    record(bench)?;
    let data = bench.data();
    let (_, verdict) = verify(&data, &[])?;
    let head = verdict["head"]["hash"]
        .as_str()
        .context("a head")?
        .to_owned();
    let (is_well, verdict) = verify(&data, &["--expect", &head])?;
    ensure!(
        is_well && verdict["expected_link"] == verdict["head"]["link"],
        "{verdict:#}"
    );
    // Cut off so that it holds by itself: only the noted head tells.
    let cut = "DELETE FROM seal WHERE session = 2; DELETE FROM sample WHERE at > (SELECT sample_to FROM seal ORDER BY id DESC LIMIT 1);
        DELETE FROM event WHERE id > (SELECT event_to FROM seal ORDER BY id DESC LIMIT 1);
        DELETE FROM gap WHERE id > (SELECT gap_to FROM seal ORDER BY id DESC LIMIT 1);
        DELETE FROM clock WHERE id > (SELECT clock_to FROM seal ORDER BY id DESC LIMIT 1);
        DELETE FROM session WHERE id = 2; UPDATE gap SET to_at = NULL WHERE id NOT IN (SELECT id FROM gap WHERE to_at < (SELECT max(at) FROM sample));";
    peer::run("tamper.py", &[data.as_os_str(), OsStr::new(cut)])?;
    let (is_well, verdict) = verify(&data, &[])?;
    ensure!(
        is_well,
        "a record that was cut off holds by itself: {verdict:#}"
    );
    let (is_well, verdict) = verify(&data, &["--expect", &head])?;
    ensure!(
        !is_well && verdict["faults"][0]["kind"] == "head_not_found",
        "{verdict:#}"
    );
    Ok(())
}
