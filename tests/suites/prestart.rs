//! The check before a start, against the simulated oven: with a daemon that owns the lines, and
//! without one.

use std::ffi::OsStr;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{Station, run};
use zonda_tests::rig::Rig;
use zonda_tests::suite::test;
use zonda_tests::wait::{PATIENCE, until};

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test(
            "prestart::lines_are_opened_where_no_daemon_runs",
            &[],
            without_a_daemon,
        ),
        test("prestart::a_running_daemon_is_asked", &[], with_a_daemon),
    ]
}

/// Exit code and findings of the check.
fn check(rig: &Rig) -> Result<(Option<i32>, Vec<Value>)> {
    let words = ["check", "--against-devices", "--json", "--night", "10h"].map(OsStr::new);
    let mut arguments = words.to_vec();
    arguments.push(rig.config().as_os_str());
    let output = run(&arguments)?;
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let mut answer: Value = serde_json::from_slice(&output.stdout).context(said)?;
    let findings = answer["findings"].take();
    Ok((
        output.status.code(),
        findings.as_array().context("a list")?.clone(),
    ))
}

/// The findings of one kind about one thing.
fn of<'a>(findings: &'a [Value], aspect: &str, subject: &str) -> Vec<&'a Value> {
    findings
        .iter()
        .filter(|finding| finding["aspect"] == aspect && finding["subject"] == subject)
        .collect()
}

fn expect(findings: &[Value], aspect: &str, subject: &str, state: &str, words: &str) -> Result<()> {
    let found = of(findings, aspect, subject);
    let is_it = |finding: &&&Value| {
        finding["state"] == state
            && finding["what"]
                .as_str()
                .is_some_and(|what| what.contains(words))
    };
    ensure!(
        found.iter().filter(is_it).count() == 1,
        "{aspect} {subject} should be {state} by `{words}`; found {found:?} in {findings:#?}"
    );
    Ok(())
}

fn without_a_daemon(bench: &Bench) -> Result<()> {
    let mut rig = Rig::start(bench)?;
    let (code, findings) = check(&rig)?;
    ensure!(
        code == Some(0),
        "the rig is well, and the check ended with {code:?}: {findings:#?}"
    );
    for line in ["bench", "utilities", "display-1", "display-2"] {
        expect(&findings, "line", line, "fine", "open")?;
    }
    for device in ["A", "B", "U", "display-1", "display-2"] {
        expect(&findings, "device", device, "fine", "answers")?;
    }
    rig.order("silence A")?;
    rig.order("cut Z3-right.velocity")?;
    rig.order("unplug display-1")?;
    let (code, findings) = check(&rig)?;
    ensure!(code == Some(1), "the check ended with {code:?}");
    expect(&findings, "device", "A", "wrong", "gives no data")?;
    expect(&findings, "device", "B", "fine", "answers")?;
    expect(&findings, "line", "display-1", "wrong", "not open")?;
    // 0-1 V: a cable that is off looks like still air.
    expect(
        &findings,
        "reading",
        "Z3-right.velocity",
        "look",
        "so does a dead cable",
    )?;
    ensure!(
        of(&findings, "device", "A")[0]["todo"]
            .as_str()
            .is_some_and(|todo| !todo.is_empty()),
        "it does not say what to do"
    );
    Ok(())
}

fn with_a_daemon(bench: &Bench) -> Result<()> {
    let mut rig = Rig::start(bench)?;
    let station = Station::start(bench, rig.config())?;
    until(PATIENCE, "the check to be well", || {
        let (code, _) = check(&rig)?;
        Ok((code == Some(0)).then_some(()))
    })?;
    let before = station.get_json("/api/v1/lines")?;
    rig.order("cut Z1-left.velocity")?;
    until(PATIENCE, "the check to see the cut loop", || {
        let (code, findings) = check(&rig)?;
        let seen = expect(
            &findings,
            "reading",
            "Z1-left.velocity",
            "wrong",
            "the loop is open",
        );
        Ok((code == Some(1) && seen.is_ok()).then_some(()))
    })?;
    // Nobody else opened its lines.
    let after = station.get_json("/api/v1/lines")?;
    for (before, after) in lines(&before)?.iter().zip(lines(&after)?) {
        ensure!(before["opens"] == after["opens"], "{before} {after}");
    }
    let (status, text) = station.get("/api/v1/prestart?night=never")?;
    ensure!(
        status == 400 && text.contains("length of time"),
        "{status} {text}"
    );
    station.stop()
}

fn lines(document: &Value) -> Result<Vec<Value>> {
    Ok(document["lines"]
        .as_array()
        .context("a list of lines")?
        .clone())
}
