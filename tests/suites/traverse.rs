//! A whole traverse with one probe, unattended: the rig's calibrator stands in for the flow at each point, the operator is a script,
//! and the daemon is killed in the middle.

use std::ffi::OsStr;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{Station, run};
use zonda_tests::rig::Rig;
use zonda_tests::suite::test;
use zonda_tests::wait::{PATIENCE, until};

const LAYOUT: &str = r#"
[layout.one-line]
kind = "duct"
diameter = "250 mm"
rule = "log-linear"
lines = 1
per_line = 4
"#;
/// Area mean of the flow, m/s.
const MEAN: f64 = 6.8;
/// By how much it grows until the first point is read again.
const GROWTH: f64 = 0.05;

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "traverse::one_probe_goes_from_point_to_point",
        &[],
        traverse,
    )]
}

/// Velocity of turbulent pipe flow at so many mm from the wall: one-seventh power law, whose mean is 98/120 of the axis (textbook).
fn velocity(insertion_mm: f64) -> f64 {
    let radius_share = (insertion_mm - 125.0).abs() / 125.0;
    MEAN * (1.0 - radius_share).powf(1.0 / 7.0) * 120.0 / 98.0
}

fn order(bench: &Bench, words: &[&str]) -> Result<std::process::Output> {
    let data = bench.data();
    let mut all: Vec<&OsStr> = vec!["run".as_ref()];
    all.extend(words.iter().map(OsStr::new));
    all.extend([
        "--data".as_ref(),
        data.as_os_str(),
        "--by".as_ref(),
        "night shift".as_ref(),
    ]);
    run(&all)
}

/// `zonda run traverse flow …`, which has to end well.
fn step(bench: &Bench, words: &[&str]) -> Result<Value> {
    let all = [&["traverse", "flow", "--json"], words].concat();
    let output = order(bench, &all)?;
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(output.status.success(), "{words:?}: {said}");
    Ok(serde_json::from_slice(&output.stdout)?)
}

/// Puts the probe where the traverse wants it, says so, and gives what it says then.
fn put(bench: &Bench, rig: &mut Rig, now: &Value, growth: f64) -> Result<Value> {
    let insertion = now["next"]["insertion_mm"]
        .as_f64()
        .with_context(|| now.to_string())?;
    // 0-10 V stand for 0-20 m/s.
    let volts = velocity(insertion) * growth / 2.0;
    rig.order(&format!("apply exhaust-centre.velocity {volts:.4} V"))?;
    step(bench, &["--confirm"])
}

fn until_read(bench: &Bench) -> Result<Value> {
    until(PATIENCE, "the point to be read", || {
        Ok(Some(step(bench, &["--status"])?).filter(|now| now["to_do"] != "wait"))
    })
}

fn traverse(bench: &Bench) -> Result<()> {
    let mut rig = Rig::start(bench)?;
    let wiring = std::fs::read_to_string(rig.config())?;
    let config = bench.write("traverse.toml", &format!("{wiring}\n{LAYOUT}"))?;
    let mut station = Station::start(bench, &config)?;
    ensure!(order(bench, &["start", "flow"])?.status.success(), "no run");
    let early = order(bench, &["traverse", "flow", "--confirm"])?;
    ensure!(
        String::from_utf8_lossy(&early.stderr).contains("lay one out first"),
        "{early:?}"
    );

    let mut now = step(
        bench,
        &[
            "--layout",
            "one-line",
            "--probe",
            "exhaust-centre",
            "--dwell",
            "9s",
            "--patience",
            "1s",
        ],
    )?;
    let mut visits = 0;
    while now["to_do"] == "move" {
        let growth = if now["next"]["read"].is_object() {
            1.0 + GROWTH
        } else {
            1.0
        };
        let put = put(bench, &mut rig, &now, growth)?;
        ensure!(put["to_do"] == "wait", "{put}");
        visits += 1;
        if visits == 2 {
            // A probe that is being read cannot be said to be at the next point; a power cut loses nothing.
            let hasty = order(bench, &["traverse", "flow", "--confirm"])?;
            ensure!(
                String::from_utf8_lossy(&hasty.stderr).contains("is not read yet"),
                "{hasty:?}"
            );
            station.kill()?;
            station = Station::start(bench, &config)?;
        }
        now = until_read(bench)?;
    }
    ensure!(
        now["to_do"] == "end" && visits == 5,
        "after {visits} visits: {now}"
    );
    agrees(&now)?;
    let over = step(bench, &["--end"])?;
    ensure!(
        over["to_do"].is_null() && over["ended"].is_string(),
        "{over}"
    );
    let id = station.get_json("/api/v1/runs?name=flow")?["runs"][0]["id"].clone();
    let asked = station
        .get_json(&format!("/api/v1/runs/{id}/evaluations"))?
        .to_string();
    ensure!(
        asked.contains("traverse") && asked.contains("exhaust-centre.velocity"),
        "{asked}"
    );
    flows(bench, &now)?;
    station.stop()
}

/// The evaluation that was asked is that of a duct with a probe at every point: the same samples, weighed here by hand, and what flows
/// through 250 mm with its uncertainty.
fn flows(bench: &Bench, now: &Value) -> Result<()> {
    let data = bench.data();
    let words: [&OsStr; 5] = [
        "evaluate".as_ref(),
        "flow".as_ref(),
        "--json".as_ref(),
        "--data".as_ref(),
        data.as_os_str(),
    ];
    let output = run(&words)?;
    ensure!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let outcomes: Value = serde_json::from_slice(&output.stdout)?;
    let results = outcomes[0]["outcome"]["results"]
        .as_array()
        .with_context(|| outcomes.to_string())?;
    let figure = |name: &str| {
        results
            .iter()
            .find(|figure| figure["name"] == name)
            .with_context(|| format!("no {name}"))
    };
    let value =
        |figure: &Value, key: &str| figure[key].as_f64().with_context(|| figure.to_string());
    let points = now["points"].as_array().context("points")?;
    let weighed: Option<Vec<f64>> = points
        .iter()
        .map(|point| Some(point["weight"].as_f64()? * point["read"]["mean"].as_f64()?))
        .collect();
    let by_hand: f64 = weighed.context("a point without a reading")?.iter().sum();
    let mean = value(figure("mean velocity")?, "value")?;
    ensure!(
        (mean / by_hand - 1.0).abs() < 1e-9,
        "{mean}, by hand {by_hand}"
    );
    let flow = figure("volume flow")?;
    let (found, expanded) = (value(flow, "value")?, value(flow, "expanded")?);
    let drift = value(figure("drift over the traverse")?, "value")?;
    ensure!(
        (drift - GROWTH).abs() < 0.01,
        "a drift of {drift}, not {GROWTH}"
    );
    let rows = flow["budget"]["rows"].as_array().context("a budget")?;
    let row = rows
        .iter()
        .find(|row| row["what"] == "drift over the traverse");
    let by_drift = value(row.with_context(|| format!("{rows:#?}"))?, "contribution")?;
    let half_width = found * drift / 2.0;
    ensure!(
        (by_drift.abs() - half_width / 3f64.sqrt()).abs() < 1e-9 * found,
        "{by_drift} m³/s by a drift of {drift}"
    );
    let truth = MEAN * std::f64::consts::PI * 0.25 * 0.25 / 4.0;
    ensure!(
        (found - truth).abs() < expanded,
        "{found} ± {expanded} m³/s, truth {truth}"
    );
    Ok(())
}

/// Every point reads what flows there, the first has grown, and four points of a log-linear rule come within 1 % of the mean of this profile
/// (reference: analytic mean of the one-seventh power law).
fn agrees(now: &Value) -> Result<()> {
    let points = now["points"].as_array().context("points")?;
    for point in points {
        let truth = velocity(point["insertion_mm"].as_f64().context("a place")?);
        let read = point["read"]["mean"]
            .as_f64()
            .with_context(|| point.to_string())?;
        ensure!(
            (read - truth).abs() < 0.05,
            "{read} where {truth} m/s flow: {point}"
        );
    }
    let mean = now["mean"].as_f64().context("a mean")?;
    ensure!(
        (mean / MEAN - 1.0).abs() < 0.015,
        "a mean of {mean}, not {MEAN}"
    );
    let drift = now["drift"].as_f64().context("a drift")?;
    ensure!(
        (drift - GROWTH).abs() < 0.01,
        "a drift of {drift}, not {GROWTH}"
    );
    Ok(())
}
