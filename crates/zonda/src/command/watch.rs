//! `zonda watch`: the live table in a terminal.

use std::io::{IsTerminal, Write};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context;
use clap::Args;
use comfy_table::{Cell, CellAlignment, ContentArrangement, Table};
use serde::Deserialize;

use crate::address;
use crate::command::check;
use crate::exit::Exit;

/// How often the table is drawn anew: digits at reading pace.
const DRAW_EVERY: Duration = Duration::from_secs(1);

/// Watch the values of a running daemon in this terminal.
///
/// Shows each channel's mean over a stretch of time that you choose, its spread over the last
/// minute, how old the newest sample is, and what it is worth. Where nothing comes, it says why.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  zonda watch --data demo-data\n  zonda watch --config oven.toml --over 10\n  zonda watch --at 127.0.0.1:7360 --once --json"
)]
pub(crate) struct Watch {
    /// Directory of the record into which the daemon records.
    #[arg(long, default_value = "data")]
    data: PathBuf,
    /// The daemon's configuration file, in place of --data.
    #[arg(long, conflicts_with = "data")]
    config: Option<PathBuf>,
    /// The daemon's address, in place of --data.
    #[arg(long, conflicts_with_all = ["data", "config"])]
    at: Option<SocketAddr>,
    /// Mean over so many seconds: 1, 5 or 10; 0 shows the newest sample.
    #[arg(long, default_value = "1", value_parser = over)]
    over: u8,
    /// Values in SI, not in the units of the configuration.
    #[arg(long)]
    si: bool,
    /// Show the table once and end.
    #[arg(long)]
    once: bool,
    /// The daemon's own answer as JSON, once.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Deserialize)]
struct Board {
    now: String,
    channels: Vec<Channel>,
}

#[derive(Debug, Deserialize)]
struct Channel {
    name: String,
    unit: String,
    basis: Option<String>,
    value: Option<f64>,
    quality: Option<String>,
    age_s: Option<f64>,
    gap: Option<Gap>,
    means: Vec<Mean>,
    spread: Option<Spread>,
}

#[derive(Debug, Deserialize)]
struct Gap {
    cause: String,
    detail: String,
}

#[derive(Debug, Deserialize)]
struct Mean {
    over_s: f64,
    value: f64,
}

#[derive(Debug, Deserialize)]
struct Spread {
    min: f64,
    max: f64,
    deviation: Option<f64>,
}

impl Watch {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        let address = self.address()?;
        let units = if self.si { "si" } else { "configured" };
        let url = format!("http://{address}/api/v1/live?units={units}");
        if self.json {
            println!("{}", fetch(&url).with_context(|| unreachable(address))?);
            return Ok(Exit::Done);
        }
        let live = std::io::stdout().is_terminal() && !self.once;
        loop {
            // A daemon that restarts is waited for; a single look is not.
            match fetch(&url) {
                Ok(text) => self.draw(&serde_json::from_str(&text)?, live)?,
                Err(error) if live => {
                    println!("\n{} ({error}); trying again", unreachable(address));
                }
                Err(error) => return Err(error).with_context(|| unreachable(address)),
            }
            if !live {
                return Ok(Exit::Done);
            }
            std::thread::sleep(DRAW_EVERY);
        }
    }

    fn address(&self) -> anyhow::Result<SocketAddr> {
        if let Some(at) = self.at {
            return Ok(at);
        }
        let data = match &self.config {
            Some(file) => check::read(file)??.config.station.data,
            None => self.data.clone(),
        };
        address::read(&data)
    }

    fn draw(&self, board: &Board, live: bool) -> std::io::Result<()> {
        let mut out = std::io::stdout().lock();
        if live {
            // Home, and clear what stands below: the table is drawn in place.
            write!(out, "\x1b[H\x1b[J")?;
        }
        let of = if self.over == 0 {
            "newest".to_owned()
        } else {
            format!("{} s mean", self.over)
        };
        writeln!(
            out,
            "{}    Ctrl-C ends\n{}",
            board.now,
            self.table(board, &of)
        )
    }

    fn table(&self, board: &Board, of: &str) -> Table {
        let mut table = Table::new();
        table.load_style(comfy_table::presets::NOTHING);
        table.set_content_arrangement(ContentArrangement::Dynamic);
        table.set_header([
            "channel",
            of,
            "unit",
            "min 60 s",
            "max 60 s",
            "dev. 60 s",
            "age",
            "quality",
        ]);
        for channel in &board.channels {
            let shown = if self.over == 0 {
                channel.value
            } else {
                channel
                    .means
                    .iter()
                    .find(|mean| (mean.over_s - f64::from(self.over)).abs() < 0.5)
                    .map(|mean| mean.value)
            };
            let spread = channel.spread.as_ref();
            let number = |value: Option<f64>| {
                Cell::new(value.map_or_else(|| "–".to_owned(), |value| format!("{value:.2}")))
                    .set_alignment(CellAlignment::Right)
            };
            table.add_row([
                Cell::new(&channel.name),
                number(shown),
                Cell::new(in_words(channel)),
                number(spread.map(|spread| spread.min)),
                number(spread.map(|spread| spread.max)),
                number(spread.and_then(|spread| spread.deviation)),
                Cell::new(age(channel.age_s)).set_alignment(CellAlignment::Right),
                Cell::new(standing(channel)),
            ]);
        }
        table
    }
}

/// The unit, and the basis that the number is meaningless without.
fn in_words(channel: &Channel) -> String {
    match &channel.basis {
        Some(basis) => format!("{}, {basis}", channel.unit),
        None => channel.unit.clone(),
    }
}

fn over(text: &str) -> Result<u8, String> {
    match text {
        "0" => Ok(0),
        "1" => Ok(1),
        "5" => Ok(5),
        "10" => Ok(10),
        _ => Err("0, 1, 5 or 10 seconds".to_owned()),
    }
}

fn fetch(url: &str) -> Result<String, ureq::Error> {
    ureq::get(url).call()?.body_mut().read_to_string()
}

fn unreachable(address: SocketAddr) -> String {
    format!("nobody answers at {address}; is the daemon running?")
}

fn age(seconds: Option<f64>) -> String {
    match seconds {
        None => "never".to_owned(),
        Some(seconds) if seconds < 120.0 => format!("{seconds:.1} s"),
        Some(seconds) if seconds < 7200.0 => format!("{:.0} min", seconds / 60.0),
        Some(seconds) => format!("{:.1} h", seconds / 3600.0),
    }
}

fn standing(channel: &Channel) -> String {
    match (&channel.gap, &channel.quality) {
        (Some(gap), _) => format!("{}: {}", gap.cause, gap.detail),
        (None, Some(quality)) => quality.clone(),
        (None, None) => "nothing yet".to_owned(),
    }
}
