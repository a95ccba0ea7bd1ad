//! Runs through the real program: a condition, a while, a daemon killed in between, a cut, a discard,
//! and what is refused.

use std::path::Path;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{self, Ended, Station};
use zonda_tests::record::Record;
use zonda_tests::rig::Rig;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test(
            "runs::a_life_of_conditions_and_a_kill",
            &[Need::Python],
            life,
        ),
        test("runs::a_command_without_a_daemon", &[], alone),
    ]
}

/// Runs `zonda run` on a record.
fn order(data: &Path, words: &[&str]) -> Result<Ended> {
    let signs = !matches!(words[0], "list" | "show");
    let by: &[&str] = if signs { &["--by", "night shift"] } else { &[] };
    daemon::on(data, &[&["run"], words, by].concat())
}

/// The same, where it has to end well; gives what it says.
fn done(data: &Path, words: &[&str]) -> Result<String> {
    order(data, words)?.done()
}

/// The same, where it has to be refused with this code; gives why.
fn refused(data: &Path, words: &[&str], code: i32) -> Result<String> {
    order(data, words)?.refused(code)
}

fn shown(data: &Path, name: &str) -> Result<Value> {
    Ok(serde_json::from_str(&done(
        data,
        &["show", name, "--json"],
    )?)?)
}

fn until_state(data: &Path, name: &str, state: &str) -> Result<Value> {
    until(PATIENCE, "the run to be in its state", || {
        Ok(Some(shown(data, name)?).filter(|run| run["state"] == state))
    })
}

fn life(bench: &Bench) -> Result<()> {
    let rig = Rig::start(bench)?;
    let data = bench.data();
    let station = Station::start(bench, rig.config())?;

    // The oven is hot: one begins at once, one waits for what does not come, one ends by itself.
    done(
        &data,
        &[
            "start",
            "hot",
            "--start",
            "when Z1-left.temperature above 1 °C for 2 s",
            "--end",
            "2s",
        ],
    )?;
    done(
        &data,
        &[
            "start",
            "cold",
            "--start",
            "when Z1-left.temperature below -50 °C",
        ],
    )?;
    done(
        &data,
        &[
            "start",
            "long",
            "--purpose",
            "a night",
            "--channels",
            "Z1-left.temperature,Z1-left.velocity",
        ],
    )?;
    let hot = until_state(&data, "hot", "ended")?;
    ensure!(hot["ended"] == "time_over", "{hot}");
    let length = hot["length_s"].as_f64().context("a length")?;
    ensure!((length - 2.0).abs() < 1e-6, "it lasted {length} s");
    done(&data, &["note", "long", "the door was opened"])?;

    check_refusals(&data)?;

    station.kill()?;
    let station = Station::start(bench, rig.config())?;
    // What happens by itself is in the file with the next commit.
    let long = until(PATIENCE, "the interruption to be told", || {
        let run = shown(&data, "long")?;
        let told = run["interruptions"].as_array().map(Vec::len);
        Ok((told == Some(1)).then_some(run))
    })?;
    ensure!(long["state"] == "running", "{long}");
    ensure!(long["noted"][0]["text"] == "the door was opened", "{long}");
    ensure!(shown(&data, "cold")?["state"] == "waiting");
    until(PATIENCE, "samples after the kill", || {
        let samples = shown(&data, "long")?["samples"].as_i64();
        Ok(samples.filter(|samples| *samples > 4))
    })?;
    done(&data, &["stop", "long"])?;
    let said = done(&data, &["stop", "cold"])?;
    ensure!(said.contains("called off"), "{said}");

    // Cut out afterwards what the first run was, and discard both.
    let (from, to) = (hot["since"].as_str(), hot["until"].as_str());
    let (from, to) = (from.context("a begin")?, to.context("an end")?);
    done(&data, &["cut", "again", "--from", from, "--to", to])?;
    let again = shown(&data, "again")?;
    ensure!(again["samples"] == hot["samples"], "{again} is not {hot}");
    let before = Record::query(
        &data,
        "SELECT count(*) FROM sample WHERE at < (SELECT max(at) FROM sample) - 5000000",
    )?;
    done(
        &data,
        &["discard", "hot", "--through", "long", "--why", "a trial"],
    )?;
    ensure!(
        order(&data, &["show", "hot"])?.code == Some(3),
        "its name is gone"
    );
    station.stop()?;
    check_record(&data, &before)
}

fn check_refusals(data: &Path) -> Result<()> {
    let said = refused(data, &["start", "hot"], 3)?;
    ensure!(said.contains("there is a run `hot` already"), "{said}");
    let said = refused(data, &["start", "x", "--channels", "Z1-left.temprature"], 2)?;
    ensure!(
        said.contains("did you mean `Z1-left.temperature`"),
        "{said}"
    );
    let said = refused(data, &["start", "x", "--end", "at 2020-01-01T00:00:00Z"], 2)?;
    ensure!(said.contains("not after its begin"), "{said}");
    let said = refused(data, &["stop", "long", "--at", "2020-01-01T00:00:00Z"], 3)?;
    ensure!(said.contains("cannot have ended at"), "{said}");
    let said = refused(
        data,
        &[
            "cut",
            "x",
            "--from",
            "2020-01-01T00:00:00Z",
            "--to",
            "2020-01-02T00:00:00Z",
        ],
        2,
    )?;
    ensure!(said.contains("no sample"), "{said}");
    let said = refused(data, &["discard", "long", "--why", "x"], 3)?;
    ensure!(said.contains("still running"), "{said}");
    let said = refused(data, &["note", "nobody", "x"], 3)?;
    ensure!(said.contains("there is no run `nobody`"), "{said}");
    Ok(())
}

/// By Python's SQLite: the tombstones are there, the samples too, and each step is in the journal.
fn check_record(data: &Path, before: &[Vec<Value>]) -> Result<()> {
    let tombs = Record::query(
        data,
        "SELECT name FROM run_list WHERE state = 'discarded' ORDER BY id",
    )?;
    let names: Vec<_> = tombs.iter().map(|row| row[0].as_str()).collect();
    ensure!(
        names == [Some("hot"), Some("cold"), Some("long")],
        "{names:?}"
    );
    let steps = Record::query(
        data,
        "SELECT count(*) FROM run_step WHERE step <> 'ended' OR reason <> 'cut'",
    )?;
    let said = Record::query(
        data,
        "SELECT count(*) FROM event WHERE kind IN ('run_began', 'run_interrupted', 'run_ended', 'run_withdrawn', 'run_discarded')",
    )?;
    // The begin of the run that was cut out is told by the event of the cut.
    ensure!(
        steps[0][0].as_i64() == said[0][0].as_i64().map(|said| said + 1),
        "{steps:?} {said:?}"
    );
    let after = Record::query(data, "SELECT count(*) FROM sample")?;
    ensure!(
        after[0][0].as_i64() >= before[0][0].as_i64(),
        "samples are gone"
    );
    Ok(())
}

fn alone(bench: &Bench) -> Result<()> {
    let rig = Rig::start(bench)?;
    let data = bench.data();
    let said = refused(&data, &["list"], 3)?;
    ensure!(said.contains("there is no record"), "{said}");
    let station = Station::start(bench, rig.config())?;
    done(&data, &["start", "night"])?;
    until(PATIENCE, "samples", || {
        let samples = shown(&data, "night")?["samples"].as_i64();
        Ok(samples.filter(|samples| *samples > 4))
    })?;
    station.stop()?;
    let said = refused(&data, &["start", "x"], 3)?;
    ensure!(said.contains("only a daemon can see a run begin"), "{said}");
    let night = shown(&data, "night")?;
    ensure!(night["state"] == "running", "{night}");
    done(&data, &["note", "night", "the daemon is off"])?;
    done(&data, &["stop", "night"])?;
    let night = shown(&data, "night")?;
    ensure!(night["state"] == "ended" && night["notes"] == 1, "{night}");
    let table = done(&data, &["list"])?;
    ensure!(
        table.contains("night") && table.contains("ended, interrupted"),
        "{table}"
    );
    done(&data, &["discard", "night", "--why", "a trial"])?;
    let table = done(&data, &["list", "--discarded"])?;
    ensure!(table.contains("discarded"), "{table}");
    Ok(())
}
