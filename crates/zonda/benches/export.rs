//! Exports of ten million samples by the real program, side by side with what else would do it: the `sqlite3` shell's
//! own CSV and pandas' pivot with `to_csv`. Times, rates, ratios and the most memory that each took.
//!
//! The record, 64 channels at 1 Hz for some 43 hours, is made once and kept under the target directory; files of
//! gigabytes are written there and removed. What is not installed is named and left out: the shell is looked for on the
//! path, pandas in the Python that `ZONDA_PEERS_PYTHON` names.
#![expect(clippy::unwrap_used, reason = "a bench stops where something is wrong")]

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use zonda_model::{Code, Period, Quality, Quantity, Sample, Stamp, Unit};
use zonda_store::{ChannelEntry, Recorder, RecorderOptions, Start, Store};

const CHANNELS: u16 = 64;
const SECONDS: i64 = 156_250;
const SAMPLES: f64 = 1e7;

/// What pandas does of the same record: it times the pivot and the writing, and apart from it the reading.
const PANDAS: &str = r#"
import sqlite3, sys, time, pandas
begun = time.monotonic()
record = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
rows = pandas.read_sql_query("SELECT at, channel, value, flags FROM sample", record)
rows["at"] = pandas.to_datetime(rows["at"], unit="us", utc=True).dt.floor("s")
read = time.monotonic()
rows.pivot(index="at", columns="channel", values=["value", "flags"]).to_csv(sys.argv[2])
print(read - begun, time.monotonic() - read)
"#;

fn second(s: i64) -> Stamp {
    Stamp::from_millis(1_792_800_000_000 + s * 1000)
}

fn start() -> Start {
    let entry = |number| ChannelEntry {
        name: format!("P{number}.temperature").parse().unwrap(),
        quantity: Quantity::Temperature,
        unit: Unit::DegreeCelsius,
        period: Period::SECOND,
        mapping: "{}".to_owned(),
    };
    Start {
        boot: String::new(),
        version: "bench".to_owned(),
        config_hash: String::new(),
        config_text: String::new(),
        channels: (0..CHANNELS).map(entry).collect(),
        at: second(0),
    }
}

/// Ten million samples, with a run of all of them.
async fn record(dir: &Path) {
    let store = Store::open(dir).await.unwrap();
    let session = store.begin(&start()).await.unwrap();
    let channels = session.channels.clone();
    let options = RecorderOptions {
        commit_every: Duration::from_secs(1),
        memory_samples: 10_000_000,
    };
    let (recorder, task) = Recorder::start(&store, session, options);
    for s in 0..SECONDS {
        let sample = |(number, channel): (i64, _)| {
            // As good as noise, in a converter's 12 bits.
            let code = (s * 7919 + number * 104_729).rem_euclid(65_521) % 4096;
            let is_flagged = (s + number * 61) % 1800 < 7;
            Sample {
                channel,
                at: second(s).plus(Duration::from_micros((number / 16).unsigned_abs() * 900)),
                code: Some(Code::Count(code)),
                value: Some(f64::from(u32::try_from(code).unwrap()) * 0.0731),
                quality: if is_flagged {
                    Quality::BELOW_THRESHOLD
                } else {
                    Quality::empty()
                },
            }
        };
        let scan = (0..).zip(channels.iter().copied()).map(sample);
        recorder.samples(scan.collect()).await.unwrap();
    }
    recorder.end(second(SECONDS)).await.unwrap();
    task.await.unwrap();
}

/// The record; made anew where it is not there or not whole.
fn made(folder: &Path) -> PathBuf {
    let data = folder.join("ten-million");
    let whole = folder.join("ten-million.whole");
    if !whole.exists() {
        println!("making the record: {}", data.display());
        let _ = std::fs::remove_dir_all(&data);
        let runtime = tokio::runtime::Runtime::new().unwrap();
        runtime.block_on(record(&data));
        let (from, to) = (second(0).to_string(), second(SECONDS).to_string());
        let cut = [
            "run", "cut", "all", "--by", "bench", "--from", &from, "--to", &to,
        ];
        let mut program = zonda();
        assert!(
            program
                .args(cut)
                .arg("--data")
                .arg(&data)
                .status()
                .unwrap()
                .success()
        );
        std::fs::write(&whole, "").unwrap();
    }
    data
}

fn zonda() -> Command {
    Command::new(env!("CARGO_BIN_EXE_zonda"))
}

/// Wall time of a command, and the most memory that it held at a time, KiB.
fn timed(command: &mut Command) -> (Duration, u64, String) {
    let begun = Instant::now();
    let mut child = command
        .stderr(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut most = 0;
    let ended = loop {
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let peak = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let peak = peak.and_then(|words| words.split_whitespace().next()?.parse().ok());
        most = most.max(peak.unwrap_or(0));
        if let Some(ended) = child.try_wait().unwrap() {
            break ended;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    let took = begun.elapsed();
    assert!(ended.success(), "{command:?}");
    let said = std::io::read_to_string(child.stdout.take().unwrap()).unwrap();
    (took, most, said)
}

fn told(name: &str, (took, most, _): &(Duration, u64, String), file: &Path) -> f64 {
    let seconds = took.as_secs_f64();
    println!(
        "{name:<28} {seconds:7.2} s {:7.2} M samples/s {:5} MiB resident {:6} MB file",
        SAMPLES / seconds / 1e6,
        most / 1024,
        std::fs::metadata(file).map_or(0, |meta| meta.len()) / 1_000_000
    );
    let _ = std::fs::remove_file(file);
    seconds
}

fn main() {
    // What cargo passes to every bench, such as `--bench`, changes nothing.
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("exports");
    std::fs::create_dir_all(&folder).unwrap();
    let data = made(&folder);
    let ours = |name: &str, ending: &str, options: &[&str]| {
        let file = folder.join(format!("out.{ending}"));
        let mut program = zonda();
        program.arg("export").args(options).arg("--force");
        let run = timed(program.arg("--data").arg(&data).arg("-o").arg(&file));
        told(name, &run, &file)
    };
    let long = ours("CSV, long", "csv", &[]);
    let wide = ours("CSV, wide", "csv", &["--layout", "wide"]);
    ours("Parquet, long", "parquet", &[]);
    ours("Parquet, wide", "parquet", &["--layout", "wide"]);
    ours("SQLite, cut out", "sqlite", &["--run", "all"]);
    ours("XLSX", "xlsx", &["--run", "all"]);
    shell(&folder, &data, long);
    pandas(&folder, &data, wide);
}

/// The shell's own CSV: of the view that has names, units and words as the long layout has them, and of the bare table.
fn shell(folder: &Path, data: &Path, long: f64) {
    if Command::new("sqlite3").arg("-version").output().is_err() {
        return println!("left out: the sqlite3 shell is not installed");
    }
    let file = folder.join("shell.csv");
    for (name, table) in [
        ("sqlite3, the same columns", "reading"),
        ("sqlite3, bare numbers", "sample"),
    ] {
        let mut command = Command::new("sqlite3");
        command
            .args(["-readonly", "-batch"])
            .arg(data.join("record.sqlite"));
        command.args([".mode csv", ".headers on"]);
        command.arg(format!(".output '{}'", file.display()));
        let run = timed(command.arg(format!("SELECT * FROM {table}")));
        let seconds = told(name, &run, &file);
        println!("    the long CSV is {:.1} x as fast", seconds / long);
    }
}

fn pandas(folder: &Path, data: &Path, wide: f64) {
    let Some(python) = std::env::var_os("ZONDA_PEERS_PYTHON") else {
        return println!("left out: pandas; let ZONDA_PEERS_PYTHON name a Python that has it");
    };
    let file = folder.join("pandas.csv");
    let mut command = Command::new(python);
    command.args(["-c", PANDAS]).arg(data.join("record.sqlite"));
    let run = timed(command.arg(&file));
    let all = told("pandas, read, pivot, to_csv", &run, &file);
    let parts: Vec<f64> = run
        .2
        .split_whitespace()
        .map(|word| word.parse().unwrap())
        .collect();
    println!(
        "    the wide CSV, reading included, is {:.1} x as fast; {:.1} x as fast as pivot and to_csv alone, {:.1} s",
        all / wide,
        parts[1] / wide,
        parts[1]
    );
}
