//! Runs to which something odd happens: nobody answers, a module is taken out of the configuration in mid-run, a layout lacks a
//! point, stretches lie within each other or end before they begin. Each has its answer, on the real record.

use std::fs;
use std::path::Path;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::{self, Ended, Station};
use zonda_tests::modbus::TcpDevice;
use zonda_tests::suite::test;
use zonda_tests::wait::{PATIENCE, until};

const A: Module = Module { name: "A", unit: 1 };
const B: Module = Module { name: "B", unit: 2 };
/// Of both modules together.
const ANSWERS: usize = 16;

/// In the second one nothing tells the temperature on the right.
const LAYOUTS: &str = r#"
[layout.whole]
kind = "zone"
width = "2 m"
depth = "2 m"
height = "2 m"
points = { left = "A1 at -0.5, 0, 0 m", right = "B1 at 0.5, 0, 0 m" }

[layout.halved]
kind = "zone"
width = "2 m"
depth = "2 m"
height = "2 m"
points = { left = "A1 at -0.5, 0, 0 m", right = "B1.velocity at 0.5, 0, 0 m" }
"#;

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "odd_runs::each_has_its_answer",
        &[],
        each_has_its_answer,
    )]
}

fn each_has_its_answer(bench: &Bench) -> Result<()> {
    let device = TcpDevice::start()?;
    let address = device.address.to_string();
    let wire = Wire::Tcp(&address);
    let file = config::write(bench, &wire, &[A, B])?;
    fs::write(&file, fs::read_to_string(&file)? + LAYOUTS)?;
    let data = bench.data();

    let station = Station::start(bench, &file)?;
    // The silence below is a part of the run that nobody knows beforehand: what goes on is covered by more than 40 % at the end,
    // what is gone by less, however slow the machine is.
    let asked = [
        "--evaluate",
        r#"mean={"coverage_min":0.4}"#,
        "--evaluate",
        r#"uniformity={"coverage_min":0.4}"#,
    ];
    let start = ["run", "start", "long", "--layout", "whole"];
    done(&data, &[&start[..], &asked].concat())?;
    device.device.await_answers(ANSWERS)?;
    without_an_answer(&data, &device)?;
    station.stop()?;

    let file = config::write(bench, &wire, &[A])?;
    let station = Station::start(bench, &file)?;
    device.device.await_answers(ANSWERS / 2)?;
    without_a_module(&data, &station)?;
    done(&data, &["run", "stop", "long"])?;
    let long = shown(&data, "long")?;
    let gone = "B8.temperature were not configured from";
    ensure!(said(&long["remarks"], gone), "{long}");
    a_layout_lacks_a_point(&data)?;
    within_each_other(&data)?;
    station.stop()
}

/// A run in which nobody answers says so, and why, while it goes on and when it is over.
fn without_an_answer(data: &Path, device: &TcpDevice) -> Result<()> {
    device.device.set_silent(true);
    until(PATIENCE, "the modules to be told as silent", || {
        let board = zonda(data, &["watch", "--once"])?;
        Ok(board.out.contains("no answer").then_some(()))
    })?;
    done(data, &["run", "start", "silent"])?;
    let mean = ["evaluate", "silent", "--kind", "mean"];
    refused(data, &mean, 3, "no samples of any of 32 channels")?;
    let later = [&mean[..], &["--from", "4 h"]].concat();
    refused(data, &later, 3, "has come to")?;
    done(data, &["run", "stop", "silent"])?;
    let silent = shown(data, "silent")?;
    ensure!(silent["samples"] == 0, "{silent}");
    ensure!(said(&silent["remarks"], "not a single sample"), "{silent}");
    refused(data, &mean, 3, "(timeout)")?;
    device.device.set_silent(false);
    device.device.await_answers(ANSWERS)
}

/// The run goes on without the module that is gone; what it has of it is evaluated, and says what is missing and why.
fn without_a_module(data: &Path, station: &Station) -> Result<()> {
    let long = shown(data, "long")?;
    ensure!(long["state"] == "running", "{long}");
    let gone = "B8.temperature are no longer configured; the run goes on without them";
    ensure!(said(&long["remarks"], gone), "{long}");
    // Outcomes are kept up to date, but not with each sample.
    let path = format!("/api/v1/runs/{}/evaluations?wait_s=20", long["id"]);
    let outcomes = until(PATIENCE, "the outcome of a zone without its point", || {
        let found = station.get_json(&path)?;
        let refused = found["evaluations"][1]["refused"].as_str();
        let is_refused = refused.is_some_and(|why| why.starts_with("1 of 2 places"));
        let results = found["evaluations"][0]["outcome"]["results"].as_array();
        let is_known = |channel: &str, known: bool| {
            let of = results.into_iter().flatten();
            let mut of = of.filter(|result| result["of"] == channel);
            of.any(|result| result["value"].is_f64() == known)
        };
        let is_parted = is_known("A1.temperature", true) && is_known("B1.temperature", false);
        Ok((is_refused && is_parted).then_some(found))
    })?;
    let (mean, zone) = (&outcomes["evaluations"][0], &outcomes["evaluations"][1]);
    let of = |list: &str, key: &str, name: &str| {
        let mut all = mean["outcome"][list].as_array().into_iter().flatten();
        let found = all.find(|one| one[key] == name);
        found
            .cloned()
            .with_context(|| format!("no {name} in {mean}"))
    };
    ensure!(of("results", "of", "A1.temperature")?["value"].is_f64());
    let lost = of("results", "of", "B1.temperature")?;
    ensure!(
        lost["value"].is_null()
            && lost["note"]
                .as_str()
                .is_some_and(|why| why.contains("40.0 % are asked for")),
        "{lost}"
    );
    let tally = of("inputs", "channel", "B1.temperature")?["tally"].clone();
    ensure!(tally["missing"]["disabled"].as_i64() > Some(0), "{tally}");
    ensure!(
        said(
            &mean["outcome"]["warnings"],
            "the configuration was changed once"
        ),
        "{mean}"
    );
    // The layout is of the configuration under which the run began, and its right point has gone with the module.
    let why = zone["refused"].as_str().unwrap_or_default();
    ensure!(
        why.contains("1 of 2 places lack good readings (`right`"),
        "{zone}"
    );
    Ok(())
}

fn a_layout_lacks_a_point(data: &Path) -> Result<()> {
    let zone = [
        "evaluate",
        "long",
        "--kind",
        "uniformity",
        "--layout",
        "halved",
    ];
    refused(
        data,
        &zone,
        2,
        "no channel of temperature at the point `right`",
    )
}

/// Stretches of runs may lie within each other and overlap, and each says so; one that ends before it begins is none.
fn within_each_other(data: &Path) -> Result<()> {
    let long = shown(data, "long")?;
    let (from, to) = (long["since"].as_str(), long["until"].as_str());
    let (from, to) = (from.context("a begin")?, to.context("an end")?);
    let backwards = ["run", "cut", "x", "--from", to, "--to", from];
    refused(data, &backwards, 2, "not after its beginning")?;
    let backwards = [
        "evaluate", "long", "--kind", "mean", "--from", to, "--to", from,
    ];
    refused(data, &backwards, 2, "not after its beginning")?;
    done(data, &["run", "cut", "again", "--from", from, "--to", to])?;
    let again = shown(data, "again")?;
    let shares = "shares channels and time with silent, long";
    ensure!(said(&again["remarks"], shares), "{again}");
    ensure!(again["samples"].as_i64() > Some(0), "{again}");
    Ok(())
}

fn zonda(data: &Path, words: &[&str]) -> Result<Ended> {
    let signs = words[0] == "run" && words[1] != "show";
    let by: &[&str] = if signs { &["--by", "night shift"] } else { &[] };
    daemon::on(data, &[words, by].concat())
}

fn done(data: &Path, words: &[&str]) -> Result<String> {
    zonda(data, words)?.done()
}

/// An order that is refused with this code and these words.
fn refused(data: &Path, words: &[&str], code: i32, why: &str) -> Result<()> {
    let said = zonda(data, words)?.refused(code)?;
    ensure!(said.contains(why), "{words:?}: not `{why}`: {said}");
    Ok(())
}

fn shown(data: &Path, name: &str) -> Result<Value> {
    Ok(serde_json::from_str(&done(
        data,
        &["run", "show", name, "--json"],
    )?)?)
}

fn said(sentences: &Value, words: &str) -> bool {
    let mut all = sentences.as_array().into_iter().flatten();
    all.any(|one| one.as_str().is_some_and(|one| one.contains(words)))
}
