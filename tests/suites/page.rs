//! The page against the real daemon on the rig, in Debian's Chromium.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use anyhow::{Context, Result, bail, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{Station, run, serve};
use zonda_tests::peer;
use zonda_tests::rig::Rig;
use zonda_tests::suite::{Need, test};

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test(
            "page::from_the_wire_to_the_eye",
            &[Need::Browser],
            from_the_wire_to_the_eye,
        ),
        test(
            "page::from_nothing_to_a_first_recording",
            &[Need::Browser],
            from_nothing,
        ),
    ]
}

const SCRIPTS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../crates/http/tests/page");

/// Where the scripts leave pictures of what they saw.
const PICTURES: &str = concat!(env!("CARGO_TARGET_TMPDIR"), "/page");

/// A duct for the moved probe, with as few points as there can be.
const LAYOUT: &str = r#"
[layout.one-line]
kind = "duct"
diameter = "250 mm"
rule = "log-linear"
lines = 1
per_line = 4
"#;

fn from_the_wire_to_the_eye(bench: &Bench) -> Result<()> {
    let mut rig = Rig::start(bench)?;
    let mut station = Some(Station::start(bench, rig.config())?);
    let address = station
        .as_ref()
        .map(|station| station.address().to_owned())
        .context("it was started")?;
    // The page has to find the daemon again where it was.
    let text = fs::read_to_string(rig.config())?;
    station.take().context("it runs")?.stop()?;
    fs::write(rig.config(), text.replace("127.0.0.1:0", &address) + LAYOUT)?;
    station = Some(Station::start(bench, rig.config())?);
    play(bench, "daemon.mjs", &address, |order| match order {
        "stop" => {
            station.take().context("it runs")?.stop()?;
            Ok("done".to_owned())
        }
        "start" => {
            station = Some(Station::start(bench, rig.config())?);
            Ok("done".to_owned())
        }
        "is there a typesetter" => Ok(yes_or_no(peer::has_typesetter())),
        "token view" => token(bench.data().as_ref()),
        fault => rig.order(fault).map(|()| "done".to_owned()),
    })?;
    station.context("it runs")?.stop()
}

/// A daemon without a configuration, and a meter that talks at a port of a laid-out tree.
fn from_nothing(bench: &Bench) -> Result<()> {
    let _rig = Rig::start(bench)?;
    let root = bench.path("root");
    fs::create_dir_all(root.join("sys/class/tty/ttyUSB0/device"))?;
    fs::create_dir_all(root.join("dev"))?;
    symlink(bench.path("rig/display-1"), root.join("dev/ttyUSB0"))?;
    let config = bench.path("etc/station.toml");
    let mut command = serve(&config);
    command
        .arg("--first-run")
        .arg("--root")
        .arg(&root)
        .args(["--first-listen", "127.0.0.1:0"]);
    command.stdout(Stdio::piped()).stderr(bench.log("first")?);
    let mut daemon = Killed(command.spawn().context("could not start the program")?);
    let mut said = BufReader::new(daemon.0.stdout.take().context("its output is piped")?).lines();
    let address = loop {
        let line = said.next().context("it ended without an address")??;
        if let Some((_, rest)) = line.split_once("Open http://") {
            break rest.split('/').next().unwrap_or_default().to_owned();
        }
    };
    play(bench, "first.mjs", &address, |order| match order {
        // What a person would leave as it is: the page then finds the daemon where it was.
        "data" => Ok(format!(
            "data = \"{}\"\n\n[http]\nlisten = \"{address}\"",
            bench.data().display()
        )),
        "is it there" => Ok(yes_or_no(config.exists())),
        other => bail!("no such order: {other}"),
    })
}

fn yes_or_no(is_so: bool) -> String {
    if is_so { "yes" } else { "no" }.to_owned()
}

/// A process that does not outlive its test.
struct Killed(Child);

impl Drop for Killed {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Runs a script that drives the page; what it orders is obeyed.
fn play(
    bench: &Bench,
    script: &str,
    address: &str,
    mut obey: impl FnMut(&str) -> Result<String>,
) -> Result<()> {
    let mut script = Command::new("node")
        .arg(Path::new(SCRIPTS).join(script))
        .args([&format!("http://{address}/"), "chromium", PICTURES])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(bench.log("page")?)
        .spawn()
        .context("could not start node")?;
    let orders = BufReader::new(script.stdout.take().context("its output is piped")?);
    let mut answers = script.stdin.take().context("its input is piped")?;
    for order in orders.lines() {
        let answer = obey(&order?)?;
        // An answer is one line.
        writeln!(answers, "{}", answer.replace('\n', "\\n"))?;
    }
    let status = script.wait()?;
    ensure!(status.success(), "the page failed: {status}");
    Ok(())
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
