//! A meter's range set differently from the channel's, found by what its own text line says.

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use std::time::Duration;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::Station;
use zonda_tests::rig::Rig;
use zonda_tests::suite::test;
use zonda_tests::wait::{PATIENCE, until};

/// Sixty pairs a second apart, and three looks; on a machine that is busy with other things.
const FOUND_WITHIN: Duration = Duration::from_mins(3);

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "agreement::a_range_set_differently_is_named",
        &[],
        ranges,
    )]
}

fn pairs(station: &Station) -> Result<Vec<Value>> {
    let mut document = station.get_json("/api/v1/agreement")?;
    let pairs = document["pairs"].take();
    Ok(pairs.as_array().context("a list of pairs")?.clone())
}

fn pair(pairs: &[Value], analog: &str) -> Result<Value> {
    let found = pairs.iter().find(|pair| pair["analog"] == analog);
    Ok(found.context("the pair is there")?.clone())
}

/// The channel expects 0-10 m/s; the meter is set to 0-20 m/s, so that the analog reading is half of
/// what the meter says. Its temperature, and the other meter that is heard both ways, are well.
fn ranges(bench: &Bench) -> Result<()> {
    let mut rig = Rig::start(bench)?;
    rig.order("range Z2-middle.velocity 0-20 m/s")?;
    let station = Station::start(bench, rig.config())?;
    let found = pairs(&station)?;
    ensure!(
        found.len() == 4,
        "two meters with two quantities each: {found:#?}"
    );
    let wrong = until(FOUND_WITHIN, "the wrong range to be found", || {
        let pairs = pairs(&station)?;
        let wrong = pair(&pairs, "Z2-middle.velocity")?;
        let other = pair(&pairs, "exhaust-centre.velocity")?;
        let is_told = wrong["standing"] == "apart" && wrong["line"].is_object();
        ensure!(other["standing"] != "apart", "{other:#}");
        Ok((is_told && other["standing"] == "agree").then_some(wrong))
    })?;
    let words = wrong["words"].as_str().context("words")?;
    ensure!(
        words.contains("0–20 m/s while the channel expects 0–10 m/s"),
        "{words}"
    );
    let slope = wrong["line"]["slope"]["value"]
        .as_f64()
        .context("a slope")?;
    ensure!((slope - 0.5).abs() < 0.05, "{wrong:#}");
    let told = until(PATIENCE, "the event to be in the record", || {
        let events = station.get_json("/api/v1/events")?;
        let events = events["events"].as_array().context("a list of events")?;
        let told: Vec<Value> = events
            .iter()
            .filter(|event| event["kind"] == "agreement_lost")
            .cloned()
            .collect();
        let is_named = |event: &Value| {
            event["text"]
                .as_str()
                .is_some_and(|text| text.contains("0–20 m/s"))
        };
        Ok(told.iter().any(is_named).then_some(told))
    })?;
    ensure!(
        told.iter()
            .all(|event| event["subject"] == "Z2-middle.velocity"),
        "{told:#?}"
    );
    // Once by the difference at most, and once with its cause.
    ensure!((1..=2).contains(&told.len()), "{told:#?}");
    station.stop()
}
