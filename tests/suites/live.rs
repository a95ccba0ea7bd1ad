//! Evaluations of a run that goes on: kept up to date while nobody asks, told once when what was asked is reached, and asked for
//! over the API.

use std::ffi::OsStr;
use std::path::Path;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::{Value, json};
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{self, Station};
use zonda_tests::rig::Rig;
use zonda_tests::suite::test;
use zonda_tests::wait::{PATIENCE, until};

/// One that is soon reached, and one that never is.
const SOON: &str = r#"mean={"name":"soon","channels":["Z1-left.temperature"],"uncertainty_max":"100 K","coverage_min":0.5}"#;
const NEVER: &str =
    r#"mean={"name":"never","channels":["Z1-left.temperature"],"uncertainty_max":"0.000001 K"}"#;

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "live::evaluations_are_kept_up_to_date",
        &[],
        kept_up_to_date,
    )]
}

fn kept_up_to_date(bench: &Bench) -> Result<()> {
    let rig = Rig::start(bench)?;
    let data = bench.data();
    let station = Station::start(bench, rig.config())?;
    let start = ["run", "start", "night", "--by", "suite"];
    let asked = ["--evaluate", SOON, "--evaluate", NEVER];
    order(&data, &[&start[..], &asked].concat())?;
    // Nobody asks for an outcome until the journal has it.
    let told = until(PATIENCE, "the journal to say what is reached", || {
        Ok(reached_events(&station)?.pop())
    })?;
    ensure!(
        told.contains(
            "run night: evaluation 1 (soon) has reached what was asked of it: readings cover"
        ),
        "{told}"
    );
    ensure!(
        told.contains("U of mean of Z1-left.temperature is"),
        "{told}"
    );
    let list = evaluations(&station)?;
    let (soon, never) = (&list[0], &list[1]);
    ensure!(
        soon["reached"] == true && soon["outcome"]["is_preliminary"] == true,
        "{soon}"
    );
    ensure!(
        never["reached"] == false && never["reached_at"].is_null(),
        "{never}"
    );
    let first = until(PATIENCE, "the first time to be in the record", || {
        Ok(evaluations(&station)?[0]["reached_at"]
            .as_str()
            .map(str::to_owned))
    })?;
    let shown = order(&data, &["run", "show", "night"])?;
    ensure!(
        shown.contains("asked coverage and uncertainty: reached, first at"),
        "{shown}"
    );
    ensure!(
        shown.contains("not yet, for uncertainty of mean of Z1-left.temperature"),
        "{shown}"
    );
    over_the_api(&station)?;
    station.stop()?;

    // After a restart it is up to date again, and nothing is told twice.
    let station = Station::start(bench, rig.config())?;
    until(PATIENCE, "the outcome to be there again", || {
        let list = evaluations(&station)?;
        Ok(list[..2]
            .iter()
            .all(|one| one["state"] == "answered")
            .then_some(()))
    })?;
    order(&data, &["run", "stop", "night", "--by", "suite"])?;
    let final_one = until(PATIENCE, "the outcome of the whole run", || {
        let soon = evaluations(&station)?.swap_remove(0);
        Ok((soon["outcome"]["is_preliminary"] == false).then_some(soon))
    })?;
    ensure!(final_one["reached_at"] == first.as_str(), "{final_one}");
    ensure!(reached_events(&station)?.len() == 1, "it was told again");
    station.stop()
}

/// What cannot be asked is refused in words, what can is added and worked out.
fn over_the_api(station: &Station) -> Result<()> {
    let path = "/api/v1/runs/1/evaluations";
    let (status, problem) = station.post(path, &json!({ "kind": "meen" }))?;
    ensure!(
        status == 422 && problem["detail"].is_string(),
        "{status}: {problem}"
    );
    let odd = json!({ "kind": "mean", "parameters": { "coverage_min": "most" } });
    let (status, problem) = station.post(path, &odd)?;
    ensure!(status == 422, "{status}: {problem}");
    let (status, _) = station.post("/api/v1/runs/9/evaluations", &json!({ "kind": "mean" }))?;
    ensure!(status == 404, "{status} of a run that is not there");
    ensure!(station.get("/api/v1/runs/9/evaluations")?.0 == 404);
    let (status, problem) = station.post(&format!("{path}/99/cancel"), &json!({}))?;
    ensure!(status == 404, "{status}: {problem}");
    let later = json!({ "kind": "steadiness", "parameters": { "from": "4 h" }, "by": "suite" });
    let (status, list) = station.post(path, &later)?;
    ensure!(
        status == 201 && list["evaluations"][2]["by"] == "suite",
        "{status}: {list}"
    );
    let later = evaluations(station)?.swap_remove(2);
    let why = later["refused"].as_str().unwrap_or_default();
    ensure!(why.contains("there is nothing to evaluate yet"), "{later}");
    ensure!(later["reached"].is_null(), "{later}");
    Ok(())
}

fn evaluations(station: &Station) -> Result<Vec<Value>> {
    let mut all = station.get_json("/api/v1/runs/1/evaluations?wait_s=5")?;
    let list = all["evaluations"].as_array_mut().context("a list")?;
    Ok(std::mem::take(list))
}

fn reached_events(station: &Station) -> Result<Vec<String>> {
    let events = station.get_json("/api/v1/events?limit=500")?;
    let all = events["events"].as_array().context("events")?;
    let of_it = all
        .iter()
        .filter(|event| event["kind"] == "run_evaluation_reached");
    Ok(of_it
        .filter_map(|event| event["text"].as_str().map(str::to_owned))
        .collect())
}

fn order(data: &Path, words: &[&str]) -> Result<String> {
    let mut all: Vec<&OsStr> = words.iter().map(OsStr::new).collect();
    all.extend([OsStr::new("--data"), data.as_os_str()]);
    let done = daemon::run(&all)?;
    let said = String::from_utf8_lossy(&done.stderr);
    ensure!(done.status.success(), "{words:?}: {said}");
    Ok(String::from_utf8(done.stdout)?)
}
