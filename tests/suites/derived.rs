//! Derived channels of the simulated oven: recorded by a daemon, exported, and computed anew from the export by
//! `CoolProp`, psychrolib and numpy.

use std::ffi::OsStr;

use anyhow::{Context, Result, bail, ensure};
use libtest_mimic::Trial;
use zonda_model::Stamp;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{self, Station, on};
use zonda_tests::peer;
use zonda_tests::record::{Record, Row};
use zonda_tests::rig::Rig;
use zonda_tests::suite::{Need, test};

use crate::corrections::expect_well;
use crate::seal::{copy, verify};

/// Samples of the flow that are waited for, before and after the faults.
const ENOUGH: usize = 6;

const DERIVED: &str = r#"
[derived.duct-actual]
law = "actual velocity"
velocity = "exhaust-centre.velocity"
basis = "standard 70 °F"
temperature = "exhaust-centre.temperature"
pressure = "98.2 kPa"
static = "exhaust-pressure"
humidity = "50 % at 23 °C"

[derived.duct-flow]
law = "volume flow"
velocity = "duct-actual"
diameter = "400 mm"
unit = "m³/h"

[derived.duct-normal]
law = "standard flow"
velocity = "exhaust-centre.velocity"
basis = "standard 70 °F"
diameter = "400 mm"
reference = "normal"

[derived.duct-mass]
law = "mass flow"
velocity = "duct-actual"
diameter = "400 mm"
temperature = "exhaust-centre.temperature"
pressure = "98.2 kPa"
static = "exhaust-pressure"
humidity = "50 % at 23 °C"

[derived.duct-density]
law = "density"
temperature = "exhaust-centre.temperature"
pressure = "98.2 kPa"

[derived.duct-heat]
law = "exhaust heat"
velocity = "exhaust-centre.velocity"
basis = "standard 70 °F"
diameter = "400 mm"
temperature = "exhaust-centre.temperature"
pressure = "98.2 kPa"
inlet = "23 °C"

[derived.zone-mean]
law = "mean"
of = ["Z1-left.temperature", "Z1-right.temperature", "Z3-right.temperature"]

[derived.zone-spread]
law = "spread"
of = ["Z1-left.temperature", "Z1-right.temperature", "Z3-right.temperature"]

[derived.zone-uniformity]
law = "uniformity"
of = ["Z1-left.velocity", "Z1-middle.velocity", "Z1-right.velocity"]

[derived.across]
law = "difference"
of = ["Z1-left.temperature", "exhaust-centre.temperature"]
"#;

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "derived::libraries_compute_them_anew_from_the_export",
        &[Need::Peers],
        recompute,
    )]
}

fn recompute(bench: &Bench) -> Result<()> {
    let mut rig = Rig::start(bench)?;
    // The laws under test are those of a meter that shows standard velocity.
    let wiring = std::fs::read_to_string(rig.config())?.replace(", basis = \"actual\"", "");
    let config = bench.write("derived.toml", &format!("{wiring}\n{DERIVED}"))?;
    let station = Station::start(bench, &config)?;
    await_flows(bench, ENOUGH)?;
    says_its_basis(&station)?;
    says_how_well_it_is_known(&station)?;
    // One input without a number, then one without samples.
    rig.order("cut Z1-left.temperature")?;
    await_sample(bench, "zone-mean", |value, _| value.is_none())?;
    rig.order("clear cut Z1-left.temperature")?;
    rig.order("silence B")?;
    Record::await_in(&bench.data(), "a gap of the flow", |record| {
        record
            .gaps
            .iter()
            .find(|gap| gap.channel == "duct-flow" && gap.missed > 1)
            .map(|_| ())
    })?;
    rig.order("clear silence B")?;
    let so_far = flows(&Record::read(&bench.data())?);
    await_flows(bench, so_far + ENOUGH)?;
    station.stop()?;

    let wide = bench.path("wide.csv");
    export(bench, "wide", wide.as_os_str())?;
    let heading = std::fs::read_to_string(&wide)?;
    let heading = heading.lines().next().context("a heading")?;
    for words in [
        "duct-normal [m³/s, standard: 0 °C, 101.325 kPa, dry]",
        "duct-flow [m³/s, actual]",
    ] {
        ensure!(heading.contains(words), "the heading says: {heading}");
    }
    let said = compute_anew(bench, "recorded")?;
    println!("derived: CoolProp, psychrolib and numpy compared {said}");
    expect_well(&bench.data())?;
    a_changed_value_is_found(bench)?;
    they_follow_a_correction(bench)
}

/// What the libraries said that they compared of an export.
fn compute_anew(bench: &Bench, how: &str) -> Result<String> {
    let long = bench.path(&format!("{how}.csv"));
    export(bench, "long", long.as_os_str())?;
    let said = peer::run(
        "derived.py",
        &[long.as_os_str(), bench.data().as_os_str(), how.as_ref()],
    )?;
    Ok(said.trim().to_owned())
}

/// A derived value has no code of a device behind it; it is proved by those of its inputs.
fn a_changed_value_is_found(bench: &Bench) -> Result<()> {
    let copy = copy(bench, "changed")?;
    let one = "SELECT min(at) FROM sample JOIN channel ON channel.id = channel WHERE name = 'duct-flow' AND value > 0";
    let change = format!(
        "UPDATE sample SET value = value * 1.000001 WHERE at = ({one}) AND channel = (SELECT id FROM channel WHERE name = 'duct-flow')"
    );
    peer::run("tamper.py", &[copy.as_os_str(), OsStr::new(&change)])?;
    let (is_well, verdict) = verify(&copy, &[])?;
    ensure!(!is_well && verdict["value_count"] == 1, "{verdict:#}");
    ensure!(
        verdict["values"][0]["channel"] == "duct-flow",
        "{verdict:#}"
    );
    Ok(())
}

/// A range that was set wrong is put right, and everything that is derived from the channel with it: the libraries
/// find it so. Taken back, every bit is as it was.
fn they_follow_a_correction(bench: &Bench) -> Result<()> {
    let data = bench.data();
    let before = Record::read(&data)?.samples;
    let ends = before.first().zip(before.last()).context("samples")?;
    let (from, to) = (utc(ends.0.at), utc(ends.1.at + 1_000_000));
    let over = |channel, how: &[&'static str]| {
        let mut arguments = vec![
            "correct", channel, "--from", &from, "--to", &to, "--range", "0-40 m/s",
        ];
        arguments.extend([
            "--reason",
            "the meter was set to 0-40 m/s",
            "--by",
            "night shift",
        ]);
        arguments.extend(how);
        on(&data, &arguments)
    };
    let refused = over("duct-flow", &["--yes"])?;
    ensure!(
        refused.said.contains(
            "duct-flow is derived, as volume flow (actual) of duct-actual: correct those"
        ),
        "{}",
        refused.said
    );
    let done = over("exhaust-centre.velocity", &["--yes"])?;
    ensure!(done.code == Some(0), "{}", done.said);
    let after = Record::read(&data)?.samples;
    for channel in [
        "exhaust-centre.velocity",
        "duct-actual",
        "duct-flow",
        "duct-normal",
        "duct-heat",
    ] {
        let pairs = before
            .iter()
            .zip(&after)
            .filter(|(was, _)| was.channel == channel);
        let is_greater = |(was, now): (&Row, &Row)| {
            now.value > was.value || was.value.is_none_or(|value| value == 0.0)
        };
        ensure!(pairs.clone().count() > ENOUGH, "{channel} is hardly there");
        if let Some(pair) = pairs.clone().find(|pair| !is_greater(*pair)) {
            bail!("{channel} does not follow: {pair:?}");
        }
        ensure!(
            pairs.clone().all(|(was, now)| was.code == now.code),
            "codes of {channel} changed"
        );
    }
    let said = compute_anew(bench, "corrected")?;
    println!("derived: after a correction of their input, again {said}");
    expect_well(&data)?;
    let undone = on(
        &data,
        &[
            "correct",
            "undo",
            "1",
            "--reason",
            "it was right",
            "--by",
            "day shift",
            "--yes",
        ],
    )?;
    ensure!(undone.code == Some(0), "{}", undone.said);
    ensure!(
        Record::read(&data)?.samples == before,
        "not every bit is as it was"
    );
    expect_well(&data)
}

fn utc(at: i64) -> String {
    Stamp::from_micros(at).to_string()
}

fn flows(record: &Record) -> usize {
    record
        .samples
        .iter()
        .filter(|row| row.channel == "duct-flow")
        .count()
}

fn await_flows(bench: &Bench, count: usize) -> Result<()> {
    Record::await_in(&bench.data(), "samples of the flow", |record| {
        (flows(record) >= count).then_some(())
    })
}

fn await_sample(
    bench: &Bench,
    channel: &str,
    is_it: impl Fn(Option<f64>, u32) -> bool,
) -> Result<()> {
    Record::await_in(&bench.data(), channel, |record| {
        let of = record.samples.iter().filter(|row| row.channel == channel);
        of.into_iter()
            .any(|row| is_it(row.value, row.flags))
            .then_some(())
    })
}

fn says_its_basis(station: &Station) -> Result<()> {
    let told = station.get_json("/api/v1/channels/duct-normal")?;
    let channel = &told["channel"];
    ensure!(
        channel["basis"] == "standard: 0 °C, 101.325 kPa, dry",
        "{channel}"
    );
    ensure!(
        channel["law"] == "standard flow" && channel["simulated"] == true,
        "{channel}"
    );
    Ok(())
}

/// v = `v_std·ρ_ref/ρ` and ρ goes with 1/T: u²(v)/v² lies between the sum of the squares of the inputs' and the square of their sum
/// (JCGM 100:2008, 5.2.2), as both come through one module and nobody has said how much of its error is common.
fn says_how_well_it_is_known(station: &Station) -> Result<()> {
    let known = |name: &str| -> Result<(f64, f64, serde_json::Value)> {
        let told = station.get_json(&format!("/api/v1/channels/{name}"))?["uncertainty"].clone();
        let number = |key: &str| {
            told[key]
                .as_f64()
                .with_context(|| format!("{name}: {told}"))
        };
        Ok((number("value")?, number("standard")?, told.clone()))
    };
    let (v, u_v, _) = known("exhaust-centre.velocity")?;
    let (t, u_t, _) = known("exhaust-centre.temperature")?;
    let (actual, u, told) = known("duct-actual")?;
    let (by_velocity, by_temperature) = (u_v / v, u_t / (t + 273.15));
    let (least, most) = (
        by_velocity.hypot(by_temperature),
        by_velocity + by_temperature,
    );
    // The readings go on between the three answers; what is doubtful about them changes little.
    ensure!(
        (0.8 * least..1.2 * most).contains(&(u / actual)),
        "{u} of {actual} is not between {least} and {most}: {told}"
    );
    let expanded = told["expanded"].as_f64().context("no U")?;
    ensure!(expanded > 1.9 * u, "{told}");
    ensure!(
        told["not_stated"].to_string().contains("certificate"),
        "{told}"
    );
    Ok(())
}

fn export(bench: &Bench, layout: &str, file: &OsStr) -> Result<()> {
    let data = bench.data();
    let arguments = [
        "export".as_ref(),
        "--data".as_ref(),
        data.as_os_str(),
        "--layout".as_ref(),
        layout.as_ref(),
        "-o".as_ref(),
        file,
    ];
    let output = daemon::run(&arguments)?;
    ensure!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    Ok(())
}
