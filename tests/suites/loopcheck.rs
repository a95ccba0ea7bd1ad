//! Loop checks against the simulated oven, with a person at the terminal and with a program that
//! sets the signal.

use std::ffi::OsStr;
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, Command, Stdio};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::{Station, binary, run};
use zonda_tests::record::Record;
use zonda_tests::rig::Rig;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};

/// `loop_check` among the flags.
const LOOP_CHECK: u32 = 1 << 20;

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test(
            "loopcheck::a_person_proves_a_loop",
            &[Need::Python],
            by_hand,
        ),
        test("loopcheck::a_wrong_shunt_fails", &[], fails),
        test(
            "loopcheck::what_cannot_be_checked_is_refused",
            &[],
            refusals,
        ),
    ]
}

/// The check as a person does it: what it asks for is put on the loop, then Enter is pressed.
struct Person {
    child: Child,
    said: BufReader<std::process::ChildStdout>,
    told: Vec<String>,
}

impl Person {
    fn begins(bench: &Bench, channel: &str, more: &[&str]) -> Result<Self> {
        let mut child = Command::new(binary())
            .args([
                "loopcheck",
                channel,
                "--by",
                "A. Tester",
                "--source",
                "the rig's calibrator",
                "--serial",
                "R-1",
            ])
            .arg("--data")
            .arg(bench.data())
            .args(more)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(bench.log("loopcheck")?)
            .spawn()?;
        let said = BufReader::new(child.stdout.take().context("its output is piped")?);
        Ok(Self {
            child,
            said,
            told: Vec::new(),
        })
    }

    /// The next line with these words.
    fn hears(&mut self, words: &str) -> Result<String> {
        loop {
            let mut line = String::new();
            ensure!(
                self.said.read_line(&mut line)? > 0,
                "it ended before saying `{words}`: {:#?}",
                self.told
            );
            self.told.push(line.trim_end().to_owned());
            if line.contains(words) {
                return Ok(line);
            }
        }
    }

    fn presses_enter(&mut self) -> Result<()> {
        let keys = self.child.stdin.as_mut().context("its input is piped")?;
        Ok(keys.write_all(b"\n")?)
    }

    /// The rest of what it says, and its exit code.
    fn sees_the_end(mut self) -> Result<(String, Option<i32>)> {
        let mut rest = String::new();
        self.said.read_to_string(&mut rest)?;
        Ok((rest, self.child.wait()?.code()))
    }
}

impl Drop for Person {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The signal in `Point 2 of 5: 8.0000 mA (25 %, 2.50 m/s): apply it, then press Enter.`
fn asked_for(line: &str) -> Result<String> {
    let (_, rest) = line.split_once(": ").context("a signal is asked for")?;
    let (signal, _) = rest
        .split_once(" (")
        .context("with its place in the span")?;
    Ok(signal.to_owned())
}

fn start(bench: &Bench, faults: &[&str]) -> Result<(Rig, Station)> {
    let mut rig = Rig::start(bench)?;
    for fault in faults {
        rig.order(fault)?;
    }
    let station = Station::start(bench, rig.config())?;
    until(PATIENCE, "a sample of the channel", || {
        let live = station.get_json("/api/v1/channels/Z1-left.velocity")?;
        Ok(live["live"]["quality"].is_string().then_some(()))
    })?;
    Ok((rig, station))
}

fn by_hand(bench: &Bench) -> Result<()> {
    let (mut rig, station) = start(bench, &[])?;
    let mut person = Person::begins(bench, "Z1-left.velocity", &["--points", "0,50,100"])?;
    for point in ["4.0000 mA", "12.0000 mA", "20.0000 mA"] {
        let line = person.hears("press Enter")?;
        ensure!(asked_for(&line)? == point, "{line}");
        rig.order(&format!("apply Z1-left.velocity {point}"))?;
        person.presses_enter()?;
    }
    person.hears("Passed")?;
    person.hears("Put the meter back")?;
    rig.order("clear apply Z1-left.velocity 0 mA")?;
    person.presses_enter()?;
    let (_, code) = person.sees_the_end()?;
    ensure!(code == Some(0), "it ended with {code:?}");

    let list = station.get_json("/api/v1/loopchecks?channel=Z1-left.velocity")?;
    ensure!(
        list["under_way"].as_array().is_some_and(Vec::is_empty),
        "{list:#}"
    );
    let check = &list["loop_checks"][0];
    ensure!(
        check["operator"] == "A. Tester" && check["serial"] == "R-1",
        "{check:#}"
    );
    ensure!(
        check["signal"] == "4-20 mA" && check["range"] == "0-10 m/s",
        "{check:#}"
    );
    ensure!(
        check["outcome"]["passed"] == true && check["untouched"] == true,
        "{check:#}"
    );
    // The rig's converter is good for some µA of 16 mA.
    let gain = check["outcome"]["gain"]["value"]
        .as_f64()
        .context("a gain")?;
    ensure!((gain - 1.0).abs() < 0.001, "{check:#}");
    let hash = check["hash"].as_str().context("a hash")?;
    let events = station.get_json("/api/v1/events")?;
    let tells = |event: &Value| {
        event["kind"] == "loop_check"
            && event["text"]
                .as_str()
                .is_some_and(|text| text.contains(hash))
    };
    let is_told = events["events"]
        .as_array()
        .is_some_and(|events| events.iter().any(tells));
    ensure!(is_told, "no event tells the hash: {events:#}");
    until(PATIENCE, "the channel to be free again", || {
        let live = station.get_json("/api/v1/channels/Z1-left.velocity")?;
        let words = live["live"]["quality"]
            .as_str()
            .unwrap_or_default()
            .to_owned();
        Ok((!words.contains("loop_check")).then_some(()))
    })?;
    station.stop()?;
    expect_marks(bench)
}

/// Samples of the channel carry the flag in one stretch, with the test signals in it, and no other channel does.
fn expect_marks(bench: &Bench) -> Result<()> {
    let record = Record::read(&bench.data())?;
    let is_marked = |flags: u32| flags & LOOP_CHECK != 0;
    let strangers = record
        .samples
        .iter()
        .filter(|row| is_marked(row.flags) && row.channel != "Z1-left.velocity");
    ensure!(strangers.count() == 0, "another channel is marked");
    let of_it: Vec<_> = record
        .samples
        .iter()
        .filter(|row| row.channel == "Z1-left.velocity")
        .collect();
    let changes = of_it
        .windows(2)
        .filter(|pair| is_marked(pair[0].flags) != is_marked(pair[1].flags))
        .count();
    ensure!(changes == 2, "the flag came and went {changes} times");
    for signal in [4000.0, 12_000.0, 20_000.0_f64] {
        let near = |code: f64| (code - signal).abs() < 30.0;
        let held = of_it
            .iter()
            .filter(|row| is_marked(row.flags) && row.code.is_some_and(near))
            .count();
        ensure!(held >= 5, "{held} samples of {signal} µA");
    }
    let unmarked = of_it
        .iter()
        .filter(|row| !is_marked(row.flags) && row.code.is_some_and(|code| code > 19_900.0));
    ensure!(unmarked.count() == 0, "a test signal went for air");
    Ok(())
}

/// A loop that loses two per cent of its current, with a program that sets the signals: here it asks
/// the suite by two files.
fn fails(bench: &Bench) -> Result<()> {
    let (mut rig, station) = start(bench, &[])?;
    let (asks, done) = (bench.path("asks"), bench.path("done"));
    let (asks_path, done_path) = (asks.display(), done.display());
    let script = format!(
        "#!/bin/sh\necho \"$1 $2\" > '{asks_path}.new' && mv '{asks_path}.new' '{asks_path}'\n\
         while [ ! -e '{done_path}' ]; do sleep 0.05; done\nrm '{done_path}'\n"
    );
    let program = bench.write("set-source", &script)?;
    let status = Command::new("chmod").arg("+x").arg(&program).status()?;
    ensure!(status.success(), "chmod ended with {status}");
    let program = program.display().to_string();
    let check = Person::begins(
        bench,
        "Z1-left.velocity",
        &["--points", "2", "--apply", &program],
    )?;
    loop {
        let asked = until(PATIENCE, "the program to be asked for a signal", || {
            Ok(std::fs::read_to_string(&asks).ok())
        })?;
        std::fs::remove_file(&asks)?;
        let (channel, signal) = asked
            .trim()
            .split_once(' ')
            .context("a channel and a signal")?;
        if signal == "off" {
            rig.order(&format!("clear apply {channel} 0 mA"))?;
        } else {
            let milliamperes: f64 = signal.trim_end_matches(" mA").parse()?;
            rig.order(&format!("apply {channel} {} mA", 0.98 * milliamperes))?;
        }
        std::fs::write(&done, "done\n")?;
        if signal == "off" {
            break;
        }
    }
    let (said, code) = check.sees_the_end()?;
    ensure!(code == Some(1), "it ended with {code:?}: {said}");
    // 2 % of 20 mA are 2.5 % of the span.
    ensure!(said.contains("FAILED: the largest error is -2.5"), "{said}");
    let list = station.get_json("/api/v1/loopchecks")?;
    ensure!(
        list["loop_checks"][0]["outcome"]["passed"] == false,
        "{list:#}"
    );
    let words = ["loopcheck", "--list", "--data"].map(OsStr::new);
    let data = bench.data();
    let output = run(&[words[0], words[1], words[2], data.as_os_str()])?;
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    ensure!(
        output.status.success() && said.contains("FAILED") && said.contains("A. Tester"),
        "{said}"
    );
    station.stop()
}

fn refusals(bench: &Bench) -> Result<()> {
    let (_rig, station) = start(bench, &[])?;
    for (channel, more, words) in [
        ("no-such.velocity", &[][..], "There is no channel"),
        ("Z2-middle.velocity-text", &[], "no loop to check"),
        (
            "Z1-left.velocity",
            &["--points", "40,50,60"],
            "at least half",
        ),
        ("Z1-left.velocity", &["--points", "0,140"], "beyond"),
        (
            "Z1-left.velocity",
            &["--tolerance", "50"],
            "tolerance of 50",
        ),
    ] {
        let person = Person::begins(bench, channel, more)?;
        let (_, code) = person.sees_the_end()?;
        ensure!(code == Some(3), "{channel} {more:?} ended with {code:?}");
        let told = std::fs::read_to_string(bench.path("loopcheck.log"))?;
        ensure!(told.contains(words), "`{words}` is not in {told}");
    }
    let list = station.get_json("/api/v1/loopchecks")?;
    ensure!(
        list["under_way"].as_array().is_some_and(Vec::is_empty),
        "{list:#}"
    );
    station.stop()
}
