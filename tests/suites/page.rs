//! The page against the real daemon on the rig, in Debian's Chromium.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{Station, run};
use zonda_tests::rig::Rig;
use zonda_tests::suite::{Need, test};

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "page::from_the_wire_to_the_eye",
        &[Need::Browser],
        from_the_wire_to_the_eye,
    )]
}

const SCRIPT: &str = concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/../crates/http/tests/page/daemon.mjs"
);

fn from_the_wire_to_the_eye(bench: &Bench) -> Result<()> {
    let mut rig = Rig::start(bench)?;
    let mut station = Some(Station::start(bench, rig.config())?);
    let address = station
        .as_ref()
        .map(|station| station.address().to_owned())
        .context("it was started")?;
    // The page has to find the daemon again where it was.
    let text = fs::read_to_string(rig.config())?;
    fs::write(rig.config(), text.replace("127.0.0.1:0", &address))?;
    let mut script = Command::new("node")
        .args([SCRIPT, &format!("http://{address}/"), "chromium"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(bench.log("page")?)
        .spawn()
        .context("could not start node")?;
    let orders = BufReader::new(script.stdout.take().context("its output is piped")?);
    let mut answers = script.stdin.take().context("its input is piped")?;
    for order in orders.lines() {
        let answer = match order?.as_str() {
            "stop" => {
                station.take().context("it runs")?.stop()?;
                "done".to_owned()
            }
            "start" => {
                station = Some(Station::start(bench, rig.config())?);
                "done".to_owned()
            }
            "token view" => token(bench.data().as_ref())?,
            fault => {
                rig.order(fault)?;
                "done".to_owned()
            }
        };
        writeln!(answers, "{answer}")?;
    }
    let status = script.wait()?;
    ensure!(status.success(), "the page failed: {status}");
    station.context("it runs")?.stop()
}

/// A token that is made by the command.
fn token(data: &Path) -> Result<String> {
    let words = ["token", "add", "wall", "--role", "view", "--data"];
    let mut words: Vec<_> = words.iter().map(AsRef::as_ref).collect();
    words.push(data.as_os_str());
    let output = run(&words)?;
    if !output.status.success() {
        bail!("{}", String::from_utf8_lossy(&output.stderr));
    }
    Ok(String::from_utf8(output.stdout)?.trim().to_owned())
}
