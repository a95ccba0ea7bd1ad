//! `zonda discover` against lines whose devices are known: what it finds, that the configuration it
//! prints is accepted and records, how little it sends, and whom it leaves alone.

use std::ffi::OsStr;
use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::{Station, binary, run};
use zonda_tests::modbus::{Device, RtuDevice};
use zonda_tests::peer::Peer;
use zonda_tests::port::{Cable, Port};
use zonda_tests::record::Record;
use zonda_tests::rig::Rig;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::until;

/// Bytes of a request to read registers: unit, function, address, count, checksum.
const REQUEST: usize = 8;
/// The code of the program for what it could not do, or not to its end.
const COULD_NOT: i32 = 3;

pub(crate) fn tests() -> Vec<Trial> {
    let (python, peers) = ([Need::Python], [Need::Peers]);
    vec![
        test("discover::the_rig_and_what_it_prints_records", &python, rig),
        test("discover::pymodbus_at_its_speed", &peers, pymodbus),
        test("discover::a_text_meter_at_its_speed", &peers, text_meter),
        test("discover::a_converter", &[], converter),
        test("discover::no_more_is_sent_than_was_said", &[], bounded),
        test("discover::nothing_is_sent_without_a_word", &[], unasked),
        test(
            "discover::a_recording_daemon_is_left_alone",
            &python,
            daemon,
        ),
        test(
            "discover::ctrl_c_ends_it_with_what_was_found",
            &[],
            cut_short,
        ),
    ]
}

/// Runs the program with `discover` and these arguments.
fn discover(arguments: &[&str]) -> Result<Output> {
    let all: Vec<&OsStr> = ["discover"]
        .iter()
        .chain(arguments)
        .map(OsStr::new)
        .collect();
    run(&all)
}

fn found(arguments: &[&str]) -> Result<Value> {
    let output = discover(&[arguments, &["--json", "--yes"]].concat())?;
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(output.status.success(), "{said}");
    serde_json::from_slice(&output.stdout).context("JSON")
}

/// Expects `zonda check` to take what was printed as it is.
fn accepted(bench: &Bench, found: &Value) -> Result<String> {
    let text = found["config"]
        .as_str()
        .context("a configuration")?
        .to_owned();
    let file = bench.write("found.toml", &text)?;
    let output = run(&[OsStr::new("check"), file.as_os_str()])?;
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(
        output.status.success(),
        "the check refuses:\n{text}\n{said}"
    );
    Ok(text)
}

fn text_of(path: &Path) -> &str {
    path.to_str().expect("paths of a bench are UTF-8")
}

fn rig(bench: &Bench) -> Result<()> {
    let rig = Rig::start(bench)?;
    let wiring = fs::read_to_string(rig.config())?;
    let address = wiring
        .split("address = \"")
        .nth(1)
        .and_then(|rest| rest.split('"').next())
        .context("an address")?;
    let (module_line, display) = (bench.path("rig/bench"), bench.path("rig/display-1"));
    let arguments = [
        "--port",
        text_of(&module_line),
        "--port",
        text_of(&display),
        "--tcp",
        address,
        "--units",
        "1-3",
        "--listen-for",
        "3s",
    ];
    let found = found(&arguments)?;
    let units: Vec<_> = found["ports"][0]["found"]["units"]
        .as_array()
        .context("units")?
        .iter()
        .map(|unit| (unit["unit"].as_u64(), unit["input"]["count"].as_u64()))
        .collect();
    ensure!(
        units == [(Some(1), Some(16)), (Some(2), Some(16))],
        "{units:?}"
    );
    ensure!(
        found["tcp"][0]["found"]["units"][0]["input"]["count"] == 8,
        "{found}"
    );
    ensure!(found["ports"][1]["found"]["kind"] == "text", "{found}");
    let text = accepted(bench, &found)?;
    // Pasted into a file of one's own, it records.
    let own = format!(
        "[station]\ndata = \"{}\"\n[http]\nlisten = \"127.0.0.1:0\"\n{text}",
        bench.data().display()
    );
    let station = Station::start(bench, &bench.write("own.toml", &own)?)?;
    Record::await_in(&bench.data(), "samples of every kind of line", |record| {
        let there = |channel: &str| {
            record
                .samples
                .iter()
                .any(|row| row.channel == channel && row.value.is_some())
        };
        let all = [
            "port1-unit1-1",
            "port1-unit2-4",
            "tcp1-unit1-1",
            "port2-meter.velocity",
            "port2-meter.temperature",
        ];
        all.into_iter().all(there).then_some(())
    })?;
    station.stop()
}

fn pymodbus(bench: &Bench) -> Result<()> {
    let (ours, theirs) = (bench.path("tty-station"), bench.path("tty-device"));
    let _cable = Cable::join_at_speed(Port::plug(&ours)?, Port::plug(&theirs)?);
    let log = bench.path("served.jsonl");
    let arguments = [
        format!("--serial={}", theirs.display()),
        "--settings=38400 8N1".to_owned(),
        format!("--log={}", log.display()),
        "--registers=40".to_owned(),
        "--identity".to_owned(),
        "--units".to_owned(),
        "2".to_owned(),
        "5".to_owned(),
    ];
    let _peer = Peer::start(bench, "modbus_device.py", arguments)?;
    // A pseudo-terminal has no parity, so only speeds are told apart here.
    let found = found(&[
        "--port",
        text_of(&ours),
        "--units",
        "2,5",
        "--listen-for",
        "300ms",
        "--serial",
        "9600 8N1",
        "--serial",
        "19200 8N1",
        "--serial",
        "38400 8N1",
        "--serial",
        "57600 8N1",
    ])?;
    let line = &found["ports"][0]["found"];
    ensure!(line["serial"] == "38400 8N1", "{line}");
    let units = line["units"].as_array().context("units")?;
    let seen: Vec<_> = units
        .iter()
        .map(|unit| (unit["unit"].as_u64(), unit["input"]["count"].as_u64()))
        .collect();
    ensure!(seen == [(Some(2), Some(40)), (Some(5), Some(40))], "{line}");
    ensure!(units[0]["says"]["vendor"] == "An outside peer", "{line}");
    accepted(bench, &found).map(drop)
}

fn text_meter(bench: &Bench) -> Result<()> {
    let (ours, theirs) = (bench.path("tty-station"), bench.path("tty-meter"));
    let _cable = Cable::join_at_speed(Port::plug(&ours)?, Port::plug(&theirs)?);
    let log = bench.path("sent.jsonl");
    let arguments = [
        format!("--serial={}", theirs.display()),
        "--baud=19200".to_owned(),
        "--every=0.1".to_owned(),
        format!("--log={}", log.display()),
    ];
    let _meter = Peer::start(bench, "text_meter.py", arguments)?;
    let found = found(&["--port", text_of(&ours), "--listen-for", "3s"])?;
    let line = &found["ports"][0]["found"];
    ensure!(
        line["kind"] == "text" && line["serial"] == "19200 8N1",
        "{line}"
    );
    ensure!(
        line["terminator"] == "CRLF" && line["status"][0] == "----",
        "{line}"
    );
    let names: Vec<_> = line["fields"]
        .as_array()
        .context("fields")?
        .iter()
        .map(|field| field["name"].as_str())
        .collect();
    ensure!(names == [Some("velocity"), Some("temperature")], "{line}");
    accepted(bench, &found).map(drop)
}

fn converter(bench: &Bench) -> Result<()> {
    let folder = bench.path("sys/bus/iio/devices/iio:device3");
    fs::create_dir_all(&folder)?;
    for (attribute, text) in [
        ("name", "adc12-4"),
        ("in_voltage_scale", "0.187500000"),
        ("in_voltage0_raw", "120"),
        ("in_voltage0-voltage1_raw", "-3"),
        ("in_temp_input", "22500"),
    ] {
        fs::write(folder.join(attribute), format!("{text}\n"))?;
    }
    let root = bench.path("");
    let found = found(&["--root", text_of(&root)])?;
    let converter = &found["converters"][0];
    ensure!(converter["name"] == "adc12-4", "{found}");
    ensure!(
        converter["channels"].as_array().context("channels")?.len() == 3,
        "{found}"
    );
    let text = accepted(bench, &found)?;
    ensure!(
        text.contains("voltage0 = \"0.1875 mV\"") && text.contains("temp = \"processed\""),
        "{text}"
    );
    Ok(())
}

/// Nobody answers; every byte that goes out is read.
fn bounded(bench: &Bench) -> Result<()> {
    let link = bench.path("tty");
    let port = Port::plug(&link)?;
    let (stop, stopped) = std::sync::mpsc::channel::<()>();
    let listener = std::thread::spawn(move || -> Result<Vec<u8>> {
        let mut sent = Vec::new();
        loop {
            let bytes = port.read()?;
            // What was sent last is read before the end is looked at.
            if bytes.is_empty() && stopped.try_recv().is_ok() {
                return Ok(sent);
            }
            sent.extend(bytes);
        }
    });
    let output = discover(&[
        "--port",
        text_of(&link),
        "--units",
        "1-4,9",
        "--listen-for",
        "100ms",
        "--timeout",
        "20ms",
        "--yes",
    ])?;
    stop.send(())?;
    let sent = listener.join().expect("the listener does not panic")?;
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    ensure!(
        said.contains("5 units at 10 settings") && said.contains("at most 50 requests"),
        "{said}"
    );
    ensure!(sent.len() == 50 * REQUEST, "{} bytes were sent", sent.len());
    for request in sent.chunks(REQUEST) {
        // Function 4 reads one input register (MODBUS Application Protocol V1.1b3, 6.4).
        ensure!(request[1..6] == [4, 0, 0, 0, 1], "{request:?}");
    }
    Ok(())
}

fn unasked(bench: &Bench) -> Result<()> {
    let (link, device) = (bench.path("tty"), Device::default());
    let port = Port::plug(&link)?;
    let output = discover(&["--port", text_of(&link), "--listen-for", "100ms"])?;
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    ensure!(output.status.code() == Some(COULD_NOT), "{said}");
    ensure!(said.contains("add --yes, or --listen-only"), "{said}");
    ensure!(port.read()?.is_empty(), "something was sent");
    let output = discover(&[
        "--port",
        text_of(&link),
        "--listen-for",
        "100ms",
        "--listen-only",
    ])?;
    ensure!(
        output.status.success() && port.read()?.is_empty(),
        "something was sent"
    );
    ensure!(device.count() == 0, "nobody was asked");
    Ok(())
}

fn daemon(bench: &Bench) -> Result<()> {
    let (name, device) = (bench.path("tty"), Device::default());
    let module = Module { name: "A", unit: 1 };
    let config = config::write(bench, &Wire::Rtu(&name), &[module])?;
    let _end = RtuDevice::connect(&device, Port::plug(&name)?);
    let station = Station::start(bench, &config)?;
    device.await_answers(4)?;
    let found = found(&["--port", text_of(&name)])?;
    let line = &found["ports"][0]["found"];
    ensure!(line["kind"] == "not_opened", "{line}");
    ensure!(
        line["why"]
            .as_str()
            .is_some_and(|why| why.ends_with("another program has it")),
        "{line}"
    );
    device.await_answers(4)?;
    station.stop()?;
    let record = Record::read(&bench.data())?;
    let strange: Vec<_> = record
        .gaps
        .iter()
        .filter(|gap| gap.cause != "unplugged")
        .collect();
    ensure!(strange.is_empty(), "the daemon was disturbed: {strange:?}");
    Ok(())
}

fn cut_short(bench: &Bench) -> Result<()> {
    let (link, device) = (bench.path("tty"), Device::default());
    let _end = RtuDevice::connect(&device, Port::plug(&link)?);
    // The device answers any unit: the search goes on for as long as there are units.
    let child = Command::new(binary())
        .args([
            "discover",
            "--port",
            text_of(&link),
            "--units",
            "1-247",
            "--listen-for",
            "100ms",
            "--yes",
        ])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()?;
    device.await_answers(8)?;
    kill(Pid::from_raw(i32::try_from(child.id())?), Signal::SIGINT)?;
    let output = child.wait_with_output()?;
    let (text, said) = (
        String::from_utf8(output.stdout)?,
        String::from_utf8(output.stderr)?,
    );
    ensure!(output.status.code() == Some(COULD_NOT), "{said}");
    ensure!(said.contains("Stopped before the end"), "{said}");
    ensure!(text.contains("unit = 1\n"), "{text}");
    let after = device.count();
    let quiet = until(Duration::from_millis(300), "another question", || {
        Ok((device.count() > after).then_some(()))
    });
    ensure!(quiet.is_err(), "it asked on");
    let file = bench.write("found.toml", &text)?;
    let checked = run(&[OsStr::new("check"), file.as_os_str()])?;
    ensure!(
        checked.status.success(),
        "{}",
        String::from_utf8_lossy(&checked.stderr)
    );
    Ok(())
}
