//! `zonda loopcheck`: a known signal on a loop, point by point.

use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use clap::Args;
use comfy_table::{Cell, CellAlignment, Table};
use serde::Deserialize;
use serde_json::{Value, json};

use crate::daemon::{Daemon, Where};
use crate::exit::Exit;

/// How often the daemon is asked how far a point is.
const LOOK_EVERY: Duration = Duration::from_millis(300);
/// A commit is due every 10 s at the latest.
const COMMITTED_WITHIN: Duration = Duration::from_secs(15);

/// Prove a channel's loop: put known signals on it, and see what arrives.
///
/// Take the meter off the loop and put a calibrator in its place, or use the meter's own output test.
/// For each point Zonda says which signal to apply, waits until it stands still, and takes its mean;
/// then it shows target, found and error, gain and offset of the whole loop, and whether every error is
/// within the tolerance. The check goes into the record. Until it ends, the channel's readings carry
/// the flag `loop_check`: they are not the air's.
///
/// With --apply a program of yours sets the calibrator, and nobody has to stand by: it is called with
/// the channel and the signal (`my-calibrator Z1-left.velocity "12 mA"`), and with `off` at the end.
///
/// Exit code 0: passed; 1: failed, or a check under way was given up.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  zonda loopcheck Z1-left.velocity --by \"A. Tester\" --source \"loop calibrator\" --serial LC-7\n  zonda loopcheck Z1-left.velocity --by \"A. Tester\" --source \"loop calibrator\" --points 0,50,100\n  zonda loopcheck Z1-left.velocity --by night --source \"programmable source\" --apply ./set-source\n  zonda loopcheck --list"
)]
pub(crate) struct LoopCheck {
    /// The channel.
    #[arg(required_unless_present = "list")]
    channel: Option<String>,
    #[command(flatten)]
    at: Where,
    /// Who does it; goes into the record.
    #[arg(long, required_unless_present = "list")]
    by: Option<String>,
    /// Where the signal comes from: a calibrator, or "the meter's own output test".
    #[arg(long, required_unless_present = "list")]
    source: Option<String>,
    /// Serial number of the calibrator.
    #[arg(long, default_value = "")]
    serial: String,
    /// What there is to add.
    #[arg(long, default_value = "")]
    note: String,
    /// 2 to 11 points in per cent of the span, in their order; or one number: so many, evenly.
    #[arg(long, default_value = "0,25,50,75,100", value_parser = points)]
    points: Points,
    /// The largest error that passes, in per cent of the span; the configuration's by default.
    #[arg(long)]
    tolerance: Option<f64>,
    /// A program that applies a signal: called with the channel and the signal, at the end with `off`.
    #[arg(long, value_name = "PROGRAM")]
    apply: Option<PathBuf>,
    /// List the recorded checks, newest first; of one channel, or of all.
    #[arg(long)]
    list: bool,
    /// The check, or the list, as JSON at the end.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Debug)]
struct Points(Vec<f64>);

#[derive(Debug, Deserialize)]
#[expect(
    clippy::struct_field_names,
    reason = "they are the names in the answer"
)]
struct State {
    state: String,
    points: usize,
    target: Option<Target>,
    standing: Option<Standing>,
    trouble: Option<String>,
    tolerance_percent: f64,
    taken: Vec<Point>,
    outcome: Option<Outcome>,
}

#[derive(Debug, Deserialize)]
struct Target {
    point: usize,
    percent: f64,
    signal: f64,
    signal_unit: String,
    value: Option<f64>,
    value_unit: String,
}

#[derive(Debug, Deserialize)]
struct Standing {
    signal: f64,
    deviation: f64,
}

#[derive(Debug, Deserialize)]
struct Known {
    value: f64,
    u: f64,
}

#[derive(Debug, Deserialize)]
struct Point {
    percent: f64,
    target: f64,
    found: Known,
    unit: String,
    error_percent: f64,
    error: Option<f64>,
    error_unit: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Outcome {
    gain: Known,
    offset_percent: Known,
    error_max_percent: f64,
    passed: bool,
}

#[derive(Debug, Deserialize)]
struct List {
    loop_checks: Vec<Recorded>,
}

#[derive(Debug, Deserialize)]
struct Recorded {
    id: i64,
    at: String,
    channel: String,
    operator: String,
    source: String,
    serial: String,
    signal: String,
    range: String,
    tolerance_percent: f64,
    outcome: Outcome,
    untouched: bool,
}

impl LoopCheck {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        let daemon = self.at.daemon()?;
        match (&self.channel, self.list) {
            (channel, true) => self.list(&daemon, channel.as_deref()),
            (Some(channel), false) => self.check(&daemon, channel),
            (None, false) => bail!("name the channel"),
        }
    }

    fn list(&self, daemon: &Daemon, channel: Option<&str>) -> anyhow::Result<Exit> {
        let path = match channel {
            Some(channel) => format!("/api/v1/loopchecks?channel={channel}"),
            None => "/api/v1/loopchecks".to_owned(),
        };
        let found = daemon.get(&path)?;
        if self.json {
            println!("{found:#}");
            return Ok(Exit::Done);
        }
        let list: List = serde_json::from_value(found)?;
        if list.loop_checks.is_empty() {
            println!("No loop check is recorded.");
        } else {
            println!("{}", table_of_checks(&list.loop_checks));
        }
        Ok(Exit::Done)
    }

    fn check(&self, daemon: &Daemon, channel: &str) -> anyhow::Result<Exit> {
        let before = newest(daemon, channel)?.map_or(0, |(id, _)| id);
        let begun = daemon.post(
            "/api/v1/loopchecks",
            &json!({
                "channel": channel, "operator": self.by, "source": self.source, "serial": self.serial, "note": self.note,
                "points_percent": self.points.0, "tolerance_percent": self.tolerance,
            }),
        )?;
        let words = typed();
        let carried = self.carry_through(daemon, channel, serde_json::from_value(begun)?, &words);
        // Whatever happened, the loop must not stay marked without anybody's knowing.
        if carried.as_ref().is_ok_and(Option::is_some) && self.apply.is_none() {
            println!("Put the meter back on the loop, then press Enter.");
            wait_for_enter(&words);
        }
        if let Some(program) = &self.apply {
            apply(program, channel, "off")?;
        }
        let ended = daemon.post(&format!("/api/v1/loopchecks/{channel}/end"), &json!({}));
        let Some(state) = carried? else {
            println!("Given up; nothing of it is kept.");
            return Ok(Exit::NotWell);
        };
        ended?;
        let passed = state.outcome.as_ref().is_some_and(|outcome| outcome.passed);
        let (id, record) = recorded(daemon, channel, before)?;
        if self.json {
            println!("{record:#}");
        } else {
            println!("Recorded as no. {id}.");
        }
        Ok(if passed { Exit::Done } else { Exit::NotWell })
    }

    /// Takes every point; `None` where the person gave up.
    fn carry_through(
        &self,
        daemon: &Daemon,
        channel: &str,
        mut state: State,
        words: &Receiver<()>,
    ) -> anyhow::Result<Option<State>> {
        let path = format!("/api/v1/loopchecks/{channel}");
        loop {
            if let Some(trouble) = &state.trouble {
                println!("  {trouble}");
                if self.apply.is_some() {
                    bail!("the point could not be taken: {trouble}");
                }
            }
            match (state.state.as_str(), &state.target) {
                ("apply", Some(target)) => {
                    if !self.applied(channel, target, state.points, words)? {
                        return Ok(None);
                    }
                    daemon.post(&format!("{path}/points"), &json!({}))?;
                    state = settle(daemon, &path, target)?;
                }
                ("settling", Some(target)) => state = settle(daemon, &path, target)?,
                ("complete", _) => {
                    if !self.json {
                        println!("\n{}", table_of_points(&state.taken));
                    }
                    say_outcome(&state);
                    return Ok(Some(state));
                }
                (other, _) => bail!("the check is {other}; somebody else has ended it"),
            }
        }
    }

    /// Sees to it that the signal is applied; false where the person gave up.
    fn applied(
        &self,
        channel: &str,
        target: &Target,
        points: usize,
        words: &Receiver<()>,
    ) -> anyhow::Result<bool> {
        let signal = format!("{:.4} {}", target.signal, target.signal_unit);
        let stands_for = target.value.map_or_else(String::new, |value| {
            format!(", {value:.2} {}", target.value_unit)
        });
        let words_of_it = format!(
            "Point {} of {points}: {signal} ({:.0} %{stands_for})",
            target.point, target.percent
        );
        if let Some(program) = &self.apply {
            println!("{words_of_it}");
            apply(program, channel, &signal)?;
            return Ok(true);
        }
        println!("{words_of_it}: apply it, then press Enter.");
        Ok(wait_for_enter(words))
    }
}

/// The newest check of a channel in the record, with its number.
fn newest(daemon: &Daemon, channel: &str) -> anyhow::Result<Option<(i64, Value)>> {
    let mut list = daemon.get(&format!("/api/v1/loopchecks?channel={channel}&limit=1"))?;
    let newest = list.pointer_mut("/loop_checks/0").map(Value::take);
    Ok(newest.and_then(|check| Some((check["id"].as_i64()?, check))))
}

/// The check that was just carried through. It is in the record with the next commit.
fn recorded(daemon: &Daemon, channel: &str, before: i64) -> anyhow::Result<(i64, Value)> {
    let deadline = Instant::now() + COMMITTED_WITHIN;
    loop {
        match newest(daemon, channel)? {
            Some((id, record)) if id > before => return Ok((id, record)),
            _ if Instant::now() > deadline => {
                bail!(
                    "the check is not in the record yet: the disk takes no data; `zonda loopcheck --list` will show it"
                )
            }
            _ => std::thread::sleep(LOOK_EVERY),
        }
    }
}

/// Looks until the point is taken or refused, with what stands on the loop in a line that is drawn anew.
fn settle(daemon: &Daemon, path: &str, target: &Target) -> anyhow::Result<State> {
    let live = std::io::stdout().is_terminal();
    loop {
        let state: State = serde_json::from_value(daemon.get(path)?)?;
        if state.state != "settling" {
            if live {
                print!("\r\x1b[K");
            }
            if let Some(taken) = state.taken.get(target.point - 1) {
                println!("  found {}", found_words(taken));
            }
            return Ok(state);
        }
        if live && let Some(Standing { signal, deviation }) = state.standing {
            print!(
                "\r\x1b[K  {signal:.4} ± {deviation:.4} {}, waiting for it to rest",
                target.signal_unit
            );
            std::io::stdout().flush()?;
        }
        std::thread::sleep(LOOK_EVERY);
    }
}

fn found_words(point: &Point) -> String {
    let error = match (point.error, &point.error_unit) {
        (Some(error), Some(unit)) => format!(", {error:+.3} {unit}"),
        _ => String::new(),
    };
    format!(
        "{:.4} {}: {:+.3} % of the span{error}",
        point.found.value, point.unit, point.error_percent
    )
}

fn say_outcome(state: &State) {
    let Some(outcome) = &state.outcome else {
        return;
    };
    println!(
        "gain {:.5} ± {:.5}, offset {:+.3} ± {:.3} % of the span (standard uncertainties)",
        outcome.gain.value, outcome.gain.u, outcome.offset_percent.value, outcome.offset_percent.u
    );
    println!(
        "{}: the largest error is {:+.3} % of the span, ± {:.3} % are allowed.",
        if outcome.passed { "Passed" } else { "FAILED" },
        outcome.error_max_percent,
        state.tolerance_percent
    );
}

fn right(text: String) -> Cell {
    Cell::new(text).set_alignment(CellAlignment::Right)
}

fn table_of_points(points: &[Point]) -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    let unit = points.first().map_or("", |point| point.unit.as_str());
    table.set_header([
        "point".to_owned(),
        format!("target {unit}"),
        format!("found {unit}"),
        "u".to_owned(),
        "error % of span".to_owned(),
        "error".to_owned(),
    ]);
    for point in points {
        let error = match (point.error, &point.error_unit) {
            (Some(error), Some(unit)) => format!("{error:+.3} {unit}"),
            _ => "–".to_owned(),
        };
        table.add_row([
            right(format!("{:.0} %", point.percent)),
            right(format!("{:.4}", point.target)),
            right(format!("{:.4}", point.found.value)),
            right(format!("{:.5}", point.found.u)),
            right(format!("{:+.3}", point.error_percent)),
            right(error),
        ]);
    }
    table
}

fn table_of_checks(checks: &[Recorded]) -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_content_arrangement(comfy_table::ContentArrangement::Dynamic);
    table.set_header([
        "no.",
        "time",
        "channel",
        "signal",
        "range",
        "largest error",
        "allowed",
        "",
        "by",
        "with",
    ]);
    for check in checks {
        let verdict = match (check.untouched, check.outcome.passed) {
            (false, _) => "ALTERED",
            (true, true) => "passed",
            (true, false) => "FAILED",
        };
        table.add_row([
            right(check.id.to_string()),
            Cell::new(&check.at),
            Cell::new(&check.channel),
            Cell::new(&check.signal),
            Cell::new(&check.range),
            right(format!("{:+.3} %", check.outcome.error_max_percent)),
            right(format!("{:.3} %", check.tolerance_percent)),
            Cell::new(verdict),
            Cell::new(&check.operator),
            Cell::new(format!("{} {}", check.source, check.serial).trim()),
        ]);
    }
    table
}

fn apply(program: &std::path::Path, channel: &str, signal: &str) -> anyhow::Result<()> {
    let status = Command::new(program)
        .args([channel, signal])
        .stdin(Stdio::null())
        .status()
        .with_context(|| format!("cannot start {}", program.display()))?;
    if !status.success() {
        bail!(
            "{} {channel} \"{signal}\" ended with {status}",
            program.display()
        );
    }
    Ok(())
}

/// Lines of standard input, as they are typed. The thread that reads them ends with the process.
fn typed() -> Receiver<()> {
    let (say, words) = channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            if line.is_err() || say.send(()).is_err() {
                return;
            }
        }
    });
    words
}

/// False where nobody is there to press it any more.
fn wait_for_enter(words: &Receiver<()>) -> bool {
    words.recv().is_ok()
}

fn points(text: &str) -> Result<Points, String> {
    let numbers: Result<Vec<f64>, _> = text
        .split(',')
        .map(|part| part.trim().trim_end_matches('%').trim().parse())
        .collect();
    let numbers = numbers.map_err(|_| {
        format!("`{text}` is neither a list such as 0,50,100 nor a number of points")
    })?;
    let [count] = numbers[..] else {
        return Ok(Points(numbers));
    };
    let whole = (2..=11_u8).find(|whole| (f64::from(*whole) - count).abs() < f64::EPSILON);
    let whole = whole.ok_or_else(|| format!("a loop check has 2 to 11 points, not {count}"))?;
    Ok(Points(
        (0..whole)
            .map(|k| 100.0 * f64::from(k) / f64::from(whole - 1))
            .collect(),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_are_a_list_or_a_number() {
        let read = |text: &str| points(text).map(|points| points.0);
        assert_eq!(read("0, 50 %,100"), Ok(vec![0.0, 50.0, 100.0]));
        assert_eq!(read("3"), Ok(vec![0.0, 50.0, 100.0]));
        assert_eq!(read("11").unwrap().len(), 11);
        assert!(read("1").unwrap_err().contains("2 to 11"));
        assert!(read("a,b").is_err());
    }
}
