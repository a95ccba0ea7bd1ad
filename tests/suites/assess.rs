//! Evaluations of the demo's night, evaluated again from an export by outside libraries; and what is answered to what
//! cannot be evaluated. One night is played for all.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::{Value, json};
use zonda_tests::bench::Bench;
use zonda_tests::suite::{Need, test};
use zonda_tests::{daemon, night, peer};

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "assess::a_night_is_evaluated_as_by_outside_libraries",
        &[Need::Peers],
        night,
    )]
}

fn night(bench: &Bench) -> Result<()> {
    let data = bench.data();
    night::copy(bench)?;
    every_number_agrees(&data)?;
    the_same_record_gives_the_same_bytes(&data)?;
    what_cannot_be_evaluated_is_said(&data)?;
    one_channel_is_refused_alone(&data)?;
    stretches_may_overlap(&data)?;
    a_correction_shows(&data)?;
    Ok(())
}

fn evaluate(arguments: &[&str], data: &Path) -> Result<Value> {
    let all = [&["evaluate"], arguments, &["--json"]].concat();
    let ended = daemon::on(data, &all)?;
    serde_json::from_str(&ended.out).with_context(|| format!("{arguments:?}: {}", ended.said))
}

fn every_number_agrees(data: &Path) -> Result<()> {
    let answers = evaluate(&["last-night"], data)?;
    let csv = file(data, "long.csv");
    let channels: Vec<&str> = answers
        .as_array()
        .context("a list")?
        .iter()
        .flat_map(|answer| answer["outcome"]["inputs"].as_array().into_iter().flatten())
        .filter_map(|input| input["channel"].as_str())
        .collect();
    let list = channels.join(",");
    let csv_text = csv.to_string_lossy();
    daemon::on(data, &["export", "--channels", &list, "-o", &csv_text])?.done()?;
    let answered = file(data, "answers.json");
    fs::write(&answered, answers.to_string())?;
    let config = data.join("oven.toml");
    let arguments = [csv.as_os_str(), answered.as_os_str(), config.as_os_str()];
    print!("assess: {}", peer::run("assess.py", &arguments)?);
    // The check itself can fail: one number moved by a thousandth of its uncertainty is found.
    let mut moved = answers.clone();
    let figure = &mut moved[0]["outcome"]["results"][0];
    let value = figure["value"].as_f64().context("a value")?;
    figure["value"] = json!(value * (1.0 + 1e-6));
    fs::write(&answered, moved.to_string())?;
    ensure!(
        peer::run("assess.py", &arguments).is_err(),
        "a number was moved, and nobody noticed"
    );
    Ok(())
}

fn file(data: &Path, name: &str) -> PathBuf {
    data.parent().unwrap_or(data).join(name)
}

fn the_same_record_gives_the_same_bytes(data: &Path) -> Result<()> {
    let all = ["evaluate", "last-night", "--json"];
    // Not every verdict is good: the exit code says so.
    let answers = || anyhow::Ok(daemon::on(data, &all)?.out);
    let (one, two) = (answers()?, answers()?);
    ensure!(
        one == two && one.len() > 10_000,
        "the same record gave other bytes"
    );
    Ok(())
}

/// Wrong use ends with 2, what the record does not allow with 3, and each says what to do.
fn what_cannot_be_evaluated_is_said(data: &Path) -> Result<()> {
    let mean = ["last-night", "--kind", "mean"];
    let zone = ["last-night", "--kind", "uniformity"];
    let flow = ["last-night", "--kind", "traverse"];
    let with = |base: &[&'static str], more: &[&'static str]| [base, more].concat();
    let cases: Vec<(Vec<&str>, i32, &str)> = vec![
        (
            with(&mean, &["--from", "5 h", "--to", "4 h"]),
            2,
            "not after its beginning",
        ),
        (with(&mean, &["--from", "-13 h"]), 2, "not within the run"),
        (
            with(&mean, &["--channels", "Z9.temperature"]),
            2,
            "no channel `Z9.temperature`",
        ),
        (
            with(
                &mean,
                &["--within", "1-2 m/s", "--channels", "Z1-left.temperature"],
            ),
            2,
            "`within`",
        ),
        (
            with(&mean, &["--layout", "zone-1"]),
            2,
            "unknown field `layout`",
        ),
        (
            with(&zone, &["--layout", "zone-9"]),
            2,
            "has no layout `zone-9`",
        ),
        (with(&zone, &["--layout", "exhaust"]), 2, "is one of a duct"),
        (with(&flow, &["--layout", "zone-1"]), 2, "is one of a zone"),
        (
            with(&zone, &["--since", "soaked"]),
            2,
            "`setpoint` and `tolerance`",
        ),
        (
            with(&zone, &["--quantity", "pressure"]),
            2,
            "`temperature` or `velocity`",
        ),
        (
            with(
                &zone,
                &[
                    "--setpoint",
                    "300 °C",
                    "--tolerance",
                    "5 K",
                    "--since",
                    "soaked",
                ],
            ),
            3,
            "never within tolerance",
        ),
        (
            with(&["last-night", "--kind", "meen"], &[]),
            2,
            "no kind of evaluation",
        ),
        (vec!["last-year"], 3, "there is no run `last-year`"),
        (
            vec!["last-night", "soaks"],
            3,
            "no evaluation `soaks` was asked",
        ),
    ];
    for (arguments, code, expected) in cases {
        let said =
            daemon::on(data, &[&["evaluate"], arguments.as_slice()].concat())?.refused(code)?;
        ensure!(
            said.contains(expected),
            "{arguments:?}: not `{expected}`: {said}"
        );
    }
    Ok(())
}

/// A loop that hung open from ten past two on: the mean is refused for that channel alone, and says why.
fn one_channel_is_refused_alone(data: &Path) -> Result<()> {
    let both = evaluate(
        &[
            &["last-night", "--kind", "mean"][..],
            &[
                "--channels",
                "Z2-left.velocity,Z2-left.temperature",
                "--from",
                "8 h",
            ],
        ]
        .concat(),
        data,
    )?;
    let results = both[0]["outcome"]["results"]
        .as_array()
        .context("results")?;
    ensure!(results[0]["value"].is_null(), "{}", results[0]);
    let note = results[0]["note"].as_str().unwrap_or_default();
    ensure!(note.contains("open_loop"), "{note}");
    ensure!(results[1]["value"].is_f64(), "{}", results[1]);
    Ok(())
}

/// Overlapping and nested stretches are each what they are by themselves: a nested one's extremes lie within.
fn stretches_may_overlap(data: &Path) -> Result<()> {
    let of = |from: &str, to: &str| {
        let channel = [
            "--channels",
            "Z1-left.temperature",
            "--from",
            from,
            "--to",
            to,
        ];
        evaluate(
            &[&["last-night", "--kind", "mean"], &channel[..]].concat(),
            data,
        )
    };
    let number = |answers: &Value, name: &str| {
        let results = answers[0]["outcome"]["results"].as_array();
        let found = results
            .into_iter()
            .flatten()
            .find(|result| result["name"] == name);
        found
            .and_then(|result| result["value"].as_f64())
            .context("a value")
    };
    let (outer, inner) = (of("4 h", "8 h")?, of("5 h", "6 h")?);
    ensure!(number(&outer, "smallest")? <= number(&inner, "smallest")?);
    ensure!(number(&outer, "largest")? >= number(&inner, "largest")?);
    let used = |answers: &Value| answers[0]["outcome"]["inputs"][0]["tally"]["used"].as_i64();
    ensure!(used(&outer) == Some(4 * 3600) && used(&inner) == Some(3600));
    Ok(())
}

/// A run across a correction: its values are as corrected, the correction is named, and an outcome from before is outdated by it.
fn a_correction_shows(data: &Path) -> Result<()> {
    let channel = "Z1-left.temperature";
    let ask = ["last-night", "--kind", "mean", "--channels", channel];
    let before = evaluate(&ask, data)?;
    ensure!(before[0]["outcome"]["corrections"] == json!([]));
    let kept = file(data, "before.json");
    fs::write(&kept, before.to_string())?;
    let from = before[0]["outcome"]["stretch"]["from"]
        .as_str()
        .context("from")?;
    let to = before[0]["outcome"]["stretch"]["to"]
        .as_str()
        .context("to")?;
    let order = [
        "correct",
        channel,
        "--from",
        from,
        "--to",
        to,
        "--range",
        "0-400 °C",
        "--reason",
        "range set wrong",
        "--by",
        "the suite",
        "--yes",
    ];
    daemon::on(data, &order)?.done()?;
    let after = evaluate(&ask, data)?;
    let corrections = after[0]["outcome"]["corrections"]
        .as_array()
        .context("a list")?;
    ensure!(corrections.len() == 1 && corrections[0]["reason"] == "range set wrong");
    let value = |answers: &Value| answers[0]["outcome"]["results"][0]["value"].as_f64();
    ensure!(
        value(&before) < value(&after),
        "the corrected mean is no larger"
    );
    let kept = kept.to_string_lossy();
    let still = daemon::on(data, &["evaluate", "last-night", "--still", &kept])?;
    ensure!(
        still.code == Some(1) && still.out.contains("outdated by correction 1"),
        "{still:?}"
    );
    Ok(())
}
