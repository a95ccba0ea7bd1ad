//! A meter that talks by itself, played by pyserial: what it sent and what was recorded, line by
//! line, with status words and damaged lines among them.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde::Deserialize;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::Station;
use zonda_tests::ledger::covers;
use zonda_tests::peer::Peer;
use zonda_tests::port::{Cable, Port};
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};

const LINES: usize = 40;
/// The flag `no_number`, which the configuration gives the status word.
const NO_NUMBER: u32 = 1 << 16;

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Peers, Need::Python];
    vec![test("text_meter::line_by_line", &needs, line_by_line)]
}

/// A line that the meter sent.
#[derive(Clone, Debug, PartialEq, Deserialize)]
struct Sent {
    at: f64,
    velocity: Option<f64>,
    temperature: f64,
    damaged: bool,
}

fn line_by_line(bench: &Bench) -> Result<()> {
    let (ours, theirs) = (bench.path("tty-station"), bench.path("tty-meter"));
    let _cable = Cable::join(Port::plug(&ours)?, Port::plug(&theirs)?);
    let station = Station::start(bench, &configure(bench, &ours)?)?;
    let log = bench.path("sent.jsonl");
    let arguments = [
        format!("--serial={}", theirs.display()),
        "--every=0.25".to_owned(),
        format!("--log={}", log.display()),
    ];
    let meter = Peer::start(bench, "text_meter.py", arguments)?;
    until(PATIENCE, "lines of the meter", || {
        Ok((sent(&log)?.len() >= LINES).then_some(()))
    })?;
    drop(meter);
    station.stop()?;
    compare(&sent(&log)?, &Record::read(&bench.data())?)
}

fn configure(bench: &Bench, port: &Path) -> Result<PathBuf> {
    let text = format!(
        r#"[station]
name = "Curing oven 3"
data = "{data}"

[http]
listen = "127.0.0.1:0"

[line.exhaust]
every = "250 ms"
text = {{ port = "{port}", serial = "9600 8N1", delimiter = ";", fields = ["velocity", "temperature"], decimals = {{ velocity = "2", temperature = "1" }}, status = {{ "----" = "no_number" }} }}

[meter.Exhaust]
velocity = {{ input = "exhaust.velocity", unit = "m/s" }}
temperature = {{ input = "exhaust.temperature", unit = "°C" }}
"#,
        data = bench.data().display(),
        port = port.display()
    );
    bench.write("station.toml", &text)
}

fn sent(log: &Path) -> Result<Vec<Sent>> {
    let text = fs::read_to_string(log)?;
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    whole
        .lines()
        .map(|line| Ok(serde_json::from_str(line)?))
        .collect()
}

/// Every stored line was sent, in this order; every sound line is stored, but for the first ones,
/// that nothing vouches for yet, the one after each damaged one, and the last.
fn compare(sent: &[Sent], record: &Record) -> Result<()> {
    let channels = ["Exhaust.velocity", "Exhaust.temperature"].map(str::to_owned);
    let refused = record.gaps_by("bad_frame");
    let (mut next, mut stored, mut passed_over) = (0, 0, 0);
    for (at, rows) in record.scans(&channels) {
        let find = |name: &str| rows.iter().copied().find(|row| row.channel == name);
        let velocity = find("Exhaust.velocity").with_context(|| format!("no velocity at {at}"))?;
        let temperature =
            find("Exhaust.temperature").with_context(|| format!("no temperature at {at}"))?;
        let found = sent[next..]
            .iter()
            .position(|line| {
                line.velocity == velocity.value && Some(line.temperature) == temperature.value
            })
            .with_context(|| {
                format!("no line said {velocity:?} and {temperature:?}, or not in this order")
            })?;
        ensure!(
            !sent[next + found].damaged,
            "a damaged line was believed: {:?}",
            sent[next + found]
        );
        ensure!(
            velocity.code == velocity.value,
            "{velocity:?}: a number of a line is code and value"
        );
        let is_status = velocity.value.is_none();
        ensure!(
            is_status == (velocity.flags & NO_NUMBER != 0),
            "{velocity:?}"
        );
        for index in next..next + found {
            let is_excused =
                stored == 0 || sent[index].damaged || (index > 0 && sent[index - 1].damaged);
            ensure!(is_excused, "a sound line is missing: {:?}", sent[index]);
            ensure!(
                refused.iter().any(|gap| covers(gap, sent[index].at)),
                "passed over without a word: {:?}",
                sent[index]
            );
            passed_over += 1;
        }
        next += found + 1;
        stored += 1;
    }
    let cut = sent.len() - next;
    println!(
        "text_meter: {} lines sent, {stored} stored, {passed_over} passed over (damaged, after a damaged one, or before trust), {cut} cut at the end",
        sent.len()
    );
    ensure!(
        stored * 10 >= sent.len() * 7 && cut <= 3,
        "too few lines are stored"
    );
    Ok(())
}
