//! Readings of the simulated oven, judged live by what the configuration says of its instruments:
//! the probe's envelope, the certificate, and whether a reading moves at all.
//!
//! The envelopes are made so that any oven is outside them: what is tried is that each flag stands
//! on the right channel, at once, and that no value is changed by it.

use std::ffi::OsStr;
use std::fmt::Write;
use std::fs;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{Station, cut, run, well};
use zonda_tests::peer;
use zonda_tests::record::Record;
use zonda_tests::rig::Rig;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};

/// The tick under way, the next one, and the page's own second.
const SEEN_WITHIN: Duration = Duration::from_secs(3);
/// As what a flag is worth looking at stands in the record.
const SAMPLES: usize = 3;
/// The corrections of the certificate below: the instrument reads 10 K too much.
const READS_TOO_MUCH: f64 = 10.0;

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Python];
    vec![
        test(
            "meters::a_velocity_is_judged_by_its_own_temperature",
            &needs,
            envelopes,
        ),
        test(
            "meters::an_overdue_certificate_corrects_and_flags",
            &[Need::Peers],
            certificate,
        ),
        test(
            "meters::a_reading_that_stands_still_is_stuck",
            &needs,
            stuck,
        ),
    ]
}

/// The rig's configuration, each meter's table changed by `change`, and `more` behind it.
fn configure(
    bench: &Bench,
    rig: &Rig,
    more: &str,
    change: impl Fn(&str, &str) -> String,
) -> Result<PathBuf> {
    let text = fs::read_to_string(rig.config())?;
    let mut meter = None;
    let mut changed = String::new();
    for line in text.lines() {
        if line.starts_with('[') {
            let name = line.strip_prefix("[meter.");
            meter = name.and_then(|name| name.strip_suffix(']'));
        }
        let line = meter.map_or_else(|| line.to_owned(), |meter| change(meter, line));
        writeln!(changed, "{line}")?;
    }
    bench.write("station.toml", &format!("{changed}\n{more}"))
}

/// A channel as it is live.
fn live(station: &Station, channel: &str) -> Result<Value> {
    let board = station.get_json("/api/v1/live")?;
    let channels = board["channels"].as_array().context("a list of channels")?;
    let found = channels.iter().find(|live| live["name"] == channel);
    Ok(found.context("the channel is live")?.clone())
}

/// Waits until the words of a channel's newest reading are these; `simulated` stands on each.
fn await_words(station: &Station, channel: &str, limit: Duration, words: &str) -> Result<()> {
    let what = format!("{channel} to be `{words}`");
    until(limit, &what, || {
        let live = live(station, channel)?;
        let found = live["quality"].as_str().unwrap_or_default();
        Ok((found == words).then_some(()))
    })
}

/// The values that stand in the record with just these words.
fn values(bench: &Bench, channel: &str, words: &str) -> Result<Vec<f64>> {
    let sql = format!(
        "SELECT value FROM reading WHERE channel = '{channel}' AND quality = '{words}' AND value IS NOT NULL"
    );
    let rows = Record::query(&bench.data(), &sql)?;
    Ok(rows.iter().filter_map(|row| row[0].as_f64()).collect())
}

fn envelopes(bench: &Bench) -> Result<()> {
    const ENVELOPES: &str = r#"
[envelope.slow-is-nothing]
velocity = ["0-500 °C: 40-50 m/s"]
[envelope.fast-is-too-much]
velocity = ["0-500 °C: 0-0.05 m/s"]
[envelope.hot-only]
velocity = ["450-500 °C: 0.2-50 m/s"]
temperature = "-50 to 500 °C"
"#;
    let mut rig = Rig::start(bench)?;
    let config = configure(bench, &rig, ENVELOPES, |meter, line| {
        let envelope = match meter {
            "Z1-left" => "slow-is-nothing",
            "Z1-middle" => "fast-is-too-much",
            "Z1-right" => "hot-only",
            _ => "hot-probe",
        };
        line.replace("hot-probe", envelope)
    })?;
    let station = Station::start(bench, &config)?;
    let judged = [
        ("Z1-left.velocity", "below_threshold simulated"),
        ("Z1-middle.velocity", "above_envelope simulated"),
        ("Z1-right.velocity", "outside_envelope simulated"),
        ("Z1-right.temperature", "simulated"),
        ("Z2-left.velocity", "simulated"),
    ];
    for (channel, words) in judged {
        await_words(&station, channel, PATIENCE, words)?;
    }
    let cut = Instant::now();
    rig.order("cut Z2-left.temperature")?;
    await_words(&station, "Z2-left.velocity", SEEN_WITHIN, "simulated moved")?;
    let seen = cut.elapsed();
    rig.order("clear cut Z2-left.temperature")?;
    await_words(&station, "Z2-left.velocity", SEEN_WITHIN, "simulated")?;
    station.stop()?;
    let censored = values(bench, "Z1-left.velocity", "below_threshold simulated")?;
    ensure!(censored.len() >= SAMPLES, "{} censored", censored.len());
    ensure!(
        censored.iter().all(|value| *value > 0.05),
        "a slow reading is no zero: {censored:?}"
    );
    let moved = values(bench, "Z2-left.velocity", "simulated moved")?;
    ensure!(!moved.is_empty(), "the record does not say it");
    println!(
        "meters, envelopes: {} censored values kept, `moved` {seen:.2?} after the temperature was cut",
        censored.len()
    );
    Ok(())
}

fn certificate(bench: &Bench) -> Result<()> {
    const CERTIFICATE: &str = "\n[certificate.T-7]\ntable = \"T-7.csv\"\n";
    const TABLE: &str = "certificate,T-7/2024\nlaboratory,\"=a \"\"lab\"\", accredited\"\ndate,2024-03-02\ndue,2025-03-02\nquantity,temperature\nrange,-20 to 500 °C\n\
                         reference,reading,uncertainty,k\n0,10,0.5,2\n200,210,0.5,2\n480,490,0.8,2\n";
    const WORDS: &str = "calibration_overdue simulated";
    let rig = Rig::start(bench)?;
    bench.write("T-7.csv", TABLE)?;
    let config = configure(bench, &rig, CERTIFICATE, |meter, line| {
        let is_first = meter == "Z1-left" && line.starts_with("probe =");
        let certificates = if is_first {
            "\ncertificates = [\"T-7\"]"
        } else {
            ""
        };
        format!("{line}{certificates}")
    })?;
    let station = Station::start(bench, &config)?;
    await_words(&station, "Z1-left.temperature", PATIENCE, WORDS)?;
    await_words(&station, "Z1-left.velocity", PATIENCE, "simulated")?;
    until(PATIENCE, "some samples", || {
        Ok((values(bench, "Z1-left.temperature", WORDS)?.len() >= SAMPLES).then_some(()))
    })?;
    station.stop()?;
    let rows = Record::query(
        &bench.data(),
        "SELECT value, code, quality FROM reading WHERE channel = 'Z1-left.temperature'",
    )?;
    for row in &rows {
        let (value, code) = (number(&row[0])?, number(&row[1])?);
        // The loop is 4-20 mA for 0-300 °C at 1 µA a count; the certificate takes 10 K off.
        let corrected = (code - 4_000.0) / 16_000.0 * 300.0 - READS_TOO_MUCH;
        ensure!(
            (value - corrected).abs() < 1e-6,
            "{row:?}, expected {corrected}"
        );
        ensure!(row[2] == WORDS, "not every reading is flagged: {row:?}");
    }
    let told = told(bench, "calibration_overdue")?;
    ensure!(told.len() == 1 && told[0].contains("T-7/2024"), "{told:?}");
    let revision = Record::query(&bench.data(), "SELECT text FROM config_revision")?;
    let text = revision[0][0].as_str().context("the revision's text")?;
    ensure!(
        text.contains("#   200,210,0.5,2"),
        "the table is not in the revision"
    );
    in_a_workbook(bench)?;
    println!(
        "meters, certificate: {} readings corrected and flagged",
        rows.len()
    );
    Ok(())
}

/// What a workbook says of the certificate, and of a channel that has none.
fn in_a_workbook(bench: &Bench) -> Result<()> {
    let data = bench.data();
    cut(&data, "all")?;
    let book = bench.path("all.xlsx");
    let export = ["export", "--run", "all", "--data"].map(OsStr::new);
    let into = [data.as_os_str(), "-o".as_ref(), book.as_os_str()];
    let export: Vec<_> = export.into_iter().chain(into).collect();
    well(&run(&export)?)?;
    let wanted = serde_json::json!({
        "Z1-left.temperature": ["T-7/2024", "=a \"lab\", accredited", "2024-03-02", "2025-03-02"],
        "Z1-middle.temperature": [null, null, null, null],
    });
    let wanted = wanted.to_string();
    let arguments = [book.as_os_str(), wanted.as_ref()];
    peer::run("check_certificates.py", &arguments).map(drop)
}

fn number(value: &Value) -> Result<f64> {
    value
        .as_f64()
        .with_context(|| format!("{value} is no number"))
}

/// What the journal says of a kind.
fn told(bench: &Bench, kind: &str) -> Result<Vec<String>> {
    let sql = format!("SELECT text FROM event WHERE kind = '{kind}'");
    let rows = Record::query(&bench.data(), &sql)?;
    Ok(rows
        .iter()
        .filter_map(|row| row[0].as_str().map(str::to_owned))
        .collect())
}

fn stuck(bench: &Bench) -> Result<()> {
    const AFTER: Duration = Duration::from_secs(5);
    let mut rig = Rig::start(bench)?;
    let config = configure(bench, &rig, "", |meter, line| match meter {
        "Z1-left" => line.replace(
            "accuracy = \"1.5 %",
            "stuck_after = \"5 s\", accuracy = \"1.5 %",
        ),
        _ => line.to_owned(),
    })?;
    let station = Station::start(bench, &config)?;
    await_words(&station, "Z1-left.velocity", PATIENCE, "simulated")?;
    rig.order("stick Z1-left.velocity")?;
    let held = Instant::now();
    await_words(&station, "Z1-left.velocity", PATIENCE, "stuck simulated")?;
    let seen = held.elapsed();
    await_words(&station, "Z1-middle.velocity", SEEN_WITHIN, "simulated")?;
    rig.order("clear stick Z1-left.velocity")?;
    await_words(&station, "Z1-left.velocity", PATIENCE, "simulated")?;
    station.stop()?;
    ensure!(seen < AFTER + SEEN_WITHIN, "seen only after {seen:.2?}");
    let told = told(bench, "stuck")?;
    ensure!(
        told.iter().any(|text| text.starts_with("Z1-left.velocity")),
        "{told:?}"
    );
    ensure!(
        !values(bench, "Z1-left.velocity", "stuck simulated")?.is_empty(),
        "the value is kept"
    );
    println!("meters, stuck: seen {seen:.2?} after the output stood still; {told:?}");
    Ok(())
}
