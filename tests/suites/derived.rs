//! Derived channels of the simulated oven: recorded by a daemon, exported, and computed anew from the export by
//! `CoolProp`, psychrolib and numpy.

use std::ffi::OsStr;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{self, Station};
use zonda_tests::peer;
use zonda_tests::record::Record;
use zonda_tests::rig::Rig;
use zonda_tests::suite::{Need, test};

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

    let (long, wide) = (bench.path("long.csv"), bench.path("wide.csv"));
    export(bench, "long", long.as_os_str())?;
    export(bench, "wide", wide.as_os_str())?;
    let heading = std::fs::read_to_string(&wide)?;
    let heading = heading.lines().next().context("a heading")?;
    for words in [
        "duct-normal [m³/s, standard: 0 °C, 101.325 kPa, dry]",
        "duct-flow [m³/s, actual]",
    ] {
        ensure!(heading.contains(words), "the heading says: {heading}");
    }
    let said = peer::run("derived.py", &[long.as_os_str(), bench.data().as_os_str()])?;
    println!(
        "derived: CoolProp, psychrolib and numpy compared {}",
        said.trim()
    );
    Ok(())
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
