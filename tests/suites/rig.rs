//! Faults of the simulated oven, given as a person gives them: each shows in the record as what it
//! is, only where it is, and not as a value.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::Station;
use zonda_tests::record::{Gap, Record, Row};
use zonda_tests::rig::Rig;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};

/// Every line of the rig is asked once a second.
const TICK_US: i64 = 1_000_000;
/// A person who pulls a wire looks at the page: the tick under way, the next one, and the page's own second.
const SEEN_WITHIN: Duration = Duration::from_secs(3);
/// How many samples of a channel show that it works.
const ENOUGH: usize = 4;
/// How many ticks shall be lost to garbled answers.
const GARBLED: u32 = 8;
/// Codes of a loop that stands still scatter by the converter's noise, far less than this; a count is 1 µA.
const SCATTER: f64 = 15.0;

/// The sixteen loops on module A.
const POINTS_OF_A: [&str; 8] = [
    "Z1-left",
    "Z1-middle",
    "Z1-right",
    "Z2-left",
    "Z2-middle",
    "Z2-right",
    "Z3-left",
    "Z3-middle",
];
/// Of the eight on module B, on the same line.
const POINTS_OF_B: [&str; 4] = [
    "Z3-right",
    "exhaust-left",
    "exhaust-centre",
    "exhaust-right",
];

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Python];
    vec![
        test("rig::a_cut_loop_is_open_within_3_s", &needs, cut),
        test("rig::a_silent_module_is_missed_alone", &needs, silence),
        test("rig::an_unplugged_line_comes_back", &needs, unplug),
        test("rig::a_garbled_answer_is_never_a_value", &needs, garble),
    ]
}

fn channels(points: &[&str]) -> BTreeSet<String> {
    points
        .iter()
        .flat_map(|point| ["velocity", "temperature"].map(|what| format!("{point}.{what}")))
        .collect()
}

/// A rig and a station that has every channel of it.
fn start(bench: &Bench) -> Result<(Rig, Station)> {
    let rig = Rig::start(bench)?;
    let station = Station::start(bench, rig.config())?;
    until(PATIENCE, "a sample of every channel", || {
        let live = live(&station)?;
        Ok(live
            .iter()
            .all(|channel| channel["quality"].is_string())
            .then_some(()))
    })?;
    Ok((rig, station))
}

fn live(station: &Station) -> Result<Vec<Value>> {
    let mut board = station.get_json("/api/v1/live")?;
    let channels = board["channels"].take();
    Ok(channels.as_array().context("a list of channels")?.clone())
}

/// The words of a channel's newest quality.
fn quality(station: &Station, channel: &str) -> Result<String> {
    let live = live(station)?;
    let found = live.iter().find(|live| live["name"] == channel);
    let words = found.and_then(|live| live["quality"].as_str());
    Ok(words.context("the channel is live")?.to_owned())
}

/// Waits for some samples of these channels after this moment of the record.
fn await_samples(bench: &Bench, of: &BTreeSet<String>, after: i64) -> Result<()> {
    Record::await_in(&bench.data(), "samples of every channel", |record| {
        let count = |channel: &String| {
            let fresh = |row: &&Row| row.channel == *channel && row.at > after;
            record.samples.iter().filter(fresh).count()
        };
        of.iter()
            .all(|channel| count(channel) >= ENOUGH)
            .then_some(())
    })
}

/// The time of the newest sample.
fn newest(bench: &Bench) -> Result<i64> {
    let record = Record::read(&bench.data())?;
    Ok(record.samples.last().context("a sample")?.at)
}

/// Waits for a gap with one of these causes in each of these channels.
fn await_gaps(bench: &Bench, of: &BTreeSet<String>, causes: &[&str]) -> Result<()> {
    let what = format!("gaps with one of {causes:?}");
    Record::await_in(&bench.data(), &what, |record| {
        let found: BTreeSet<_> = record
            .gaps
            .iter()
            .filter(|gap| causes.contains(&gap.cause.as_str()))
            .map(|gap| gap.channel.clone())
            .collect();
        of.is_subset(&found).then_some(())
    })
}

/// Expects gaps of these channels alone, all of them over and with one of these causes, beside
/// those at the start: a meter that talks by itself is not believed at its first line.
fn expect_gaps(record: &Record, since: i64, of: &BTreeSet<String>, causes: &[&str]) -> Result<()> {
    let gaps: Vec<&Gap> = record.gaps.iter().filter(|gap| gap.from >= since).collect();
    for gap in &gaps {
        ensure!(of.contains(&gap.channel), "missed as well: {gap:?}");
        ensure!(
            causes.contains(&gap.cause.as_str()),
            "another cause: {gap:?}"
        );
        ensure!(gap.to.is_some(), "still open: {gap:?}");
    }
    let missed: BTreeSet<_> = gaps.iter().map(|gap| gap.channel.clone()).collect();
    ensure!(missed == *of, "gaps of {missed:?}, expected {of:?}");
    Ok(())
}

/// Expects a sample at every tick.
fn expect_every_tick(record: &Record, channel: &str) -> Result<usize> {
    let ticks: Vec<i64> = record
        .samples
        .iter()
        .filter(|row| row.channel == channel)
        .map(|row| row.at.div_euclid(TICK_US))
        .collect();
    let hole = ticks.windows(2).find(|pair| pair[1] - pair[0] != 1);
    ensure!(hole.is_none(), "{channel} has a hole: {hole:?}");
    Ok(ticks.len())
}

fn cut(bench: &Bench) -> Result<()> {
    const LOOP: &str = "Z1-left.velocity";
    let (mut rig, station) = start(bench)?;
    let before = newest(bench)?;
    let pulled = Instant::now();
    rig.order(&format!("cut {LOOP}"))?;
    until(SEEN_WITHIN, "the loop to be open", || {
        let words = quality(&station, LOOP)?;
        Ok(words.contains("open_loop").then_some(()))
    })?;
    let seen = pulled.elapsed();
    ensure!(
        quality(&station, "Z1-left.temperature")? == "simulated",
        "its neighbour is well"
    );
    rig.order(&format!("clear cut {LOOP}"))?;
    until(SEEN_WITHIN, "the loop to be closed again", || {
        Ok((quality(&station, LOOP)? == "simulated").then_some(()))
    })?;
    station.stop()?;
    let record = Record::read(&bench.data())?;
    let open = Record::query(
        &bench.data(),
        &format!(
            "SELECT value, code, quality FROM reading WHERE channel = '{LOOP}' AND quality LIKE '%open_loop%'"
        ),
    )?;
    println!(
        "rig, cut: open_loop after {seen:.2?}, {} samples {open:?}",
        open.len()
    );
    ensure!(!open.is_empty(), "the record does not say it");
    expect_every_tick(&record, LOOP)?;
    let gaps = record.gaps.iter().filter(|gap| gap.from > before).count();
    ensure!(gaps == 0, "an open loop is a sample with a flag, not a gap");
    Ok(())
}

fn silence(bench: &Bench) -> Result<()> {
    const CAUSES: [&str; 2] = ["timeout", "no_answer"];
    let (mut rig, station) = start(bench)?;
    let (a, before) = (channels(&POINTS_OF_A), newest(bench)?);
    rig.order("silence A")?;
    await_gaps(bench, &a, &["no_answer"])?;
    rig.order("clear silence A")?;
    await_samples(bench, &a, newest(bench)?)?;
    station.stop()?;
    let record = Record::read(&bench.data())?;
    expect_gaps(&record, before, &a, &CAUSES)?;
    let mut ticks = 0;
    for channel in channels(&POINTS_OF_B) {
        ticks = expect_every_tick(&record, &channel)?;
    }
    println!(
        "rig, silence: {} gaps of A; B on the same line has all of {ticks} ticks",
        record.gaps.len()
    );
    Ok(())
}

fn unplug(bench: &Bench) -> Result<()> {
    let (mut rig, station) = start(bench)?;
    let before = newest(bench)?;
    let bus = &channels(&POINTS_OF_A) | &channels(&POINTS_OF_B);
    rig.order("unplug bench")?;
    await_gaps(bench, &bus, &["unplugged"])?;
    rig.order("clear unplug bench")?;
    await_samples(bench, &bus, newest(bench)?)?;
    station.stop()?;
    let record = Record::read(&bench.data())?;
    println!("rig, unplug: {} gaps", record.gaps.len());
    // The exchange that was under way when the port went may be told as what it is.
    expect_gaps(
        &record,
        before,
        &bus,
        &["unplugged", "timeout", "bad_frame"],
    )
}

fn garble(bench: &Bench) -> Result<()> {
    let (mut rig, station) = start(bench)?;
    let a = channels(&POINTS_OF_A);
    for channel in &a {
        rig.order(&format!("stick {channel}"))?;
    }
    // From here on every register of A stands still but for noise, so that any other code is wrong.
    let still = newest(bench)? + TICK_US;
    await_samples(bench, &a, still)?;
    rig.order("garble A 30 %")?;
    Record::await_in(&bench.data(), "garbled ticks", |record| {
        let bad = record.gaps_by("bad_frame").into_iter();
        let of_one = bad.filter(|gap| gap.channel == "Z1-left.velocity");
        (of_one.map(|gap| gap.missed).sum::<u32>() >= GARBLED).then_some(())
    })?;
    rig.order("clear garble A")?;
    await_samples(bench, &a, newest(bench)?)?;
    station.stop()?;
    let record = Record::read(&bench.data())?;
    let compared = expect_still(&record, &a, still)?;
    println!(
        "rig, garble: {compared} samples stood still among {} gaps",
        record.gaps.len()
    );
    expect_gaps(&record, still, &a, &["bad_frame", "timeout"])
}

/// Expects every code of these channels to stay where the first one is.
fn expect_still(record: &Record, of: &BTreeSet<String>, since: i64) -> Result<usize> {
    let mut compared = 0;
    for channel in of {
        let codes: Vec<f64> = record
            .samples
            .iter()
            .filter(|row| row.channel == *channel && row.at > since)
            .map(|row| row.code.context("a register's code is a number"))
            .collect::<Result<_>>()?;
        let first = codes.first().context("the channel has samples")?;
        let moved = codes.iter().find(|code| (*code - first).abs() > SCATTER);
        ensure!(
            moved.is_none(),
            "{channel} stood at {first} and read {moved:?}"
        );
        compared += codes.len();
    }
    Ok(compared)
}
