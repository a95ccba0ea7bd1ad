//! Two devices swapped behind one name: the other one's numbers look right, and none of them is
//! recorded; the record says who was expected and who was found, and goes on when the right one is
//! back.

use std::path::Path;

use anyhow::{Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::Station;
use zonda_tests::peer::Peer;
use zonda_tests::port::{Cable, Port, Worker};
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};

use crate::pymodbus::served;

/// Answers or samples that show that a device is recorded.
const ENOUGH: usize = 8;

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test(
            "identity::a_swapped_module",
            &[Need::Peers, Need::Python],
            module,
        ),
        test(
            "identity::a_swapped_text_meter",
            &[Need::Python],
            text_meter,
        ),
    ]
}

fn start(bench: &Bench, line: &str, channel: &str) -> Result<Station> {
    let text = format!(
        "[station]\ndata = \"{}\"\n[http]\nlisten = \"127.0.0.1:0\"\n[line.bench]\nevery = \"250 ms\"\n{line}\n[channel.Inlet]\n{channel}\n",
        bench.data().display()
    );
    Station::start(bench, &bench.write("station.toml", &text)?)
}

fn await_mismatch(bench: &Bench) -> Result<()> {
    Record::await_in(&bench.data(), "a gap by mismatch", |record| {
        (!record.gaps_by("mismatch").is_empty()).then_some(())
    })
}

/// Expects one sentence for the swap, and every gap closed.
fn expect_told(bench: &Bench, said: &str) -> Result<Record> {
    let events = Record::query(
        &bench.data(),
        "SELECT text FROM event WHERE kind = 'mismatch'",
    )?;
    println!("identity: {events:?}");
    ensure!(
        events.len() == 1 && format!("{events:?}").contains(said),
        "{events:?}"
    );
    let record = Record::read(&bench.data())?;
    let open: Vec<_> = record.gaps.iter().filter(|gap| gap.to.is_none()).collect();
    ensure!(open.is_empty(), "gaps left open: {open:?}");
    Ok(record)
}

/// A module of this revision at the end of the station's cable, by pymodbus.
fn plug_module(bench: &Bench, name: &Path, revision: &str, log: &Path) -> Result<(Cable, Peer)> {
    let far = bench.path("tty-device");
    let cable = Cable::join(Port::plug(name)?, Port::plug(&far)?);
    let arguments = [
        format!("--serial={}", far.display()),
        "--settings=115200 8N1".to_owned(),
        format!("--log={}", log.display()),
        "--identity".to_owned(),
        format!("--revision={revision}"),
    ];
    Ok((cable, Peer::start(bench, "modbus_device.py", arguments)?))
}

fn module(bench: &Bench) -> Result<()> {
    let name = bench.path("tty-station");
    let (first, other, again) = (
        bench.path("a.jsonl"),
        bench.path("b.jsonl"),
        bench.path("c.jsonl"),
    );
    let line = format!(
        "modbus-rtu = {{ port = \"{}\", serial = \"115200 8N1\" }}\n[module.A]\nline = \"bench\"\nunit = 1\nregisters = \"input 0-3\"\ncode = \"int16\"\ncount = \"1 mV\"\ntimeout = \"200 ms\"\nidentity = {{ object = \"revision\", is = \"A-1\" }}",
        name.display()
    );
    let end = plug_module(bench, &name, "A-1", &first)?;
    let station = start(bench, &line, "quantity = \"voltage\"\ninput = \"A.1\"")?;
    let enough = |log: &Path| {
        until(PATIENCE, "answers", || {
            Ok((served(log)?.len() >= ENOUGH).then_some(()))
        })
    };
    enough(&first)?;
    drop(end);
    let end = plug_module(bench, &name, "B-2", &other)?;
    await_mismatch(bench)?;
    ensure!(
        served(&other)?.is_empty(),
        "the other one was not even read"
    );
    drop(end);
    let _end = plug_module(bench, &name, "A-1", &again)?;
    enough(&again)?;
    station.stop()?;
    let record = expect_told(
        bench,
        "expected the device `A-1`, found another: its revision is `B-2`",
    )?;
    let answers = served(&first)?.len() + served(&again)?.len();
    ensure!(
        record.samples.len() + 2 >= answers && record.samples.len() <= answers,
        "{} samples of {answers} answers",
        record.samples.len()
    );
    Ok(())
}

/// A meter that says who it is when asked `I`, and its velocity when asked `V`.
fn plug_meter(name: &Path, number: &'static str, velocity: &'static str) -> Result<Worker> {
    let port = Port::plug(name)?;
    Ok(Worker::start(move |stop| {
        let mut asked = Vec::new();
        while !stop.load(std::sync::atomic::Ordering::Relaxed) {
            let Ok(bytes) = port.read() else { return };
            for byte in bytes {
                let answer = match (byte, asked.as_slice()) {
                    (b'\r', b"I") => format!("{number} OK\r\nready\r\n"),
                    (b'\r', b"V") => format!("{velocity}\r\n"),
                    _ => String::new(),
                };
                if byte == b'\r' {
                    asked.clear();
                } else {
                    asked.push(byte);
                }
                if port.write(answer.as_bytes()).is_err() {
                    return;
                }
            }
        }
    }))
}

fn text_meter(bench: &Bench) -> Result<()> {
    let name = bench.path("tty-station");
    let line = format!(
        "[line.bench.text]\nport = \"{}\"\nserial = \"9600 8N1\"\nask = \"V\\r\"\nfields = [\"velocity\"]\nidentity = {{ ask = \"I\\r\", is = \"M-4711\" }}",
        name.display()
    );
    let samples_of = |value: f64, count: usize| {
        Record::await_in(&bench.data(), &format!("samples of {value}"), |record| {
            let of = record.samples.iter().filter(|row| row.code == Some(value));
            (of.count() >= count).then_some(())
        })
    };
    let end = plug_meter(&name, "M-4711", "1.25")?;
    let station = start(
        bench,
        &line,
        "quantity = \"velocity\"\nunit = \"m/s\"\ninput = \"bench.velocity\"",
    )?;
    samples_of(1.25, ENOUGH)?;
    drop(end);
    // One digit more is another meter.
    let end = plug_meter(&name, "M-47112", "9.99")?;
    await_mismatch(bench)?;
    drop(end);
    let _end = plug_meter(&name, "M-4711", "1.5")?;
    samples_of(1.5, ENOUGH)?;
    station.stop()?;
    let record = expect_told(
        bench,
        "expected the meter `M-4711`, found another: it says `M-47112 OK",
    )?;
    let strange = record
        .samples
        .iter()
        .find(|row| ![Some(1.25), Some(1.5)].contains(&row.code));
    ensure!(
        strange.is_none(),
        "the other meter was recorded: {strange:?}"
    );
    Ok(())
}
