//! `zonda discover`: what is plugged in, as configuration to paste.

mod json;
mod report;

use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use zonda_lines::discover::{
    self, IioFinding, OnLine, ProbePlan, REQUESTS_A_UNIT, Search, SerialPort, SerialSettings, Tell,
};

use crate::exit::Exit;
use crate::host::Signals;

/// Find ports, devices and converters, and print configuration for them.
///
/// Lists the serial ports with the names that stay with them, listens on each for meters that talk
/// by themselves, asks for Modbus units where nothing talks, and lists the converters that the Linux
/// kernel reads. What was found is printed as configuration that `zonda check` accepts.
///
/// Listening sends nothing. Asking sends Modbus read requests only, never a write; how many at most,
/// and how long that takes at most, is said before the first one goes out, and on a terminal you are
/// asked. A device that is no Modbus device may take a request for a command: do not let unknown
/// devices be asked while they do something that matters. A port that another program has locked,
/// such as a running daemon, is left alone.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  zonda discover                          every port; asks before it sends\n  zonda discover --listen-only            sends nothing at all\n  zonda discover --port /dev/ttyUSB0 --units 1-32 --serial \"9600 8N1\" --yes\n  zonda discover --tcp 192.0.2.10 --yes > found.toml && zonda check found.toml\n\nExit codes: 0 done; 3 stopped before the end, or could not."
)]
pub(crate) struct Discover {
    /// Search only this serial port; may be given several times. Default: every port there is.
    #[arg(long, value_name = "PATH")]
    port: Vec<PathBuf>,
    /// Search this address, too: a Modbus TCP device or a serial server; may be given several times.
    #[arg(long, value_name = "HOST[:PORT]")]
    tcp: Vec<Address>,
    /// Modbus units to ask for: numbers and stretches, such as `1-16` or `1,5,20-30`.
    #[arg(long, default_value = "1-16", value_name = "UNITS")]
    units: Units,
    /// Ask at these settings only, such as "19200 8E1"; may be given several times. Default: the
    /// ten most usual.
    #[arg(long, value_name = "SETTINGS")]
    serial: Vec<SerialSettings>,
    /// How long a unit may take to answer.
    #[arg(long, default_value = "200ms", value_name = "TIME", value_parser = patience)]
    timeout: Duration,
    /// How long to listen at each speed. A meter that speaks every 5 s needs more than 10 s.
    #[arg(long, default_value = "3s", value_name = "TIME", value_parser = listening)]
    listen_for: Duration,
    /// Only list and listen; send nothing.
    #[arg(long)]
    listen_only: bool,
    /// Do not ask me before requests go out. Needed where there is no terminal.
    #[arg(long)]
    yes: bool,
    /// Print what was found as JSON, with the configuration in it.
    #[arg(long)]
    json: bool,
    /// Where /dev and /sys are; another place only for a laid-out tree.
    #[arg(long, default_value = "/", value_name = "DIR")]
    root: PathBuf,
}

/// Host and port, 502 by default.
#[derive(Clone, Debug)]
struct Address {
    host: String,
    port: u16,
}

impl std::str::FromStr for Address {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (host, port) = zonda_config::read_address(text, Some(502))?;
        Ok(Self { host, port })
    }
}

/// Modbus units of a serial line.
#[derive(Clone, Debug)]
struct Units(Vec<u8>);

impl std::str::FromStr for Units {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let unit = |digits: &str| {
            let unit = digits
                .trim()
                .parse()
                .ok()
                .filter(|unit| (1..=247).contains(unit));
            unit.ok_or_else(|| format!("`{digits}` is not a unit; they are 1 to 247"))
        };
        let mut units = Vec::new();
        for part in text.split(',') {
            let (first, last) = part.split_once('-').unwrap_or((part, part));
            let (first, last): (u8, u8) = (unit(first)?, unit(last)?);
            if last < first {
                return Err(format!("`{part}` runs backwards"));
            }
            units.extend(
                (first..=last)
                    .filter(|unit| !units.contains(unit))
                    .collect::<Vec<_>>(),
            );
        }
        Ok(Self(units))
    }
}

fn patience(text: &str) -> Result<Duration, String> {
    span(text, Duration::from_millis(20), Duration::from_secs(10))
}

fn listening(text: &str) -> Result<Duration, String> {
    span(text, Duration::from_millis(100), Duration::from_mins(5))
}

fn span(text: &str, least: Duration, most: Duration) -> Result<Duration, String> {
    let span: Option<jiff::SignedDuration> = text.parse().ok();
    let span = span.and_then(|span| Duration::try_from(span).ok());
    span.filter(|span| (least..=most).contains(span))
        .ok_or_else(|| format!("expected a time from {least:?} to {most:?}, such as 300ms"))
}

/// Everything that was found.
#[derive(Debug)]
struct Found {
    ports: Vec<(SerialPort, OnLine)>,
    tcp: Vec<(Address, OnLine)>,
    iio: Vec<IioFinding>,
    /// Nothing was asked.
    is_listening_only: bool,
    /// Ctrl-C came before the end.
    is_cut_short: bool,
}

impl Discover {
    /// The search that nobody has said more about: as without options, in the tree at `root`.
    pub(crate) fn usual(root: PathBuf, asks: bool) -> Self {
        Self {
            port: Vec::new(),
            tcp: Vec::new(),
            units: Units((1..=16).collect()),
            serial: Vec::new(),
            timeout: Duration::from_millis(200),
            listen_for: Duration::from_secs(3),
            listen_only: !asks,
            yes: asks,
            json: true,
            root,
        }
    }

    /// What it finds, as JSON with the configuration in it.
    ///
    /// # Errors
    /// The ports or converters cannot be listed.
    pub(crate) async fn findings(self) -> anyhow::Result<serde_json::Value> {
        let ports = self.ports()?;
        let iio =
            discover::find_iio(&self.root).context("cannot look for the kernel's converters")?;
        let search = Search {
            listen_for: self.listen_for,
            probe: self.probe(),
        };
        Ok(json::of(&self.search(ports, iio, search).await?))
    }

    /// What asking would send on the ports that are there.
    ///
    /// # Errors
    /// The ports cannot be listed.
    pub(crate) fn announcement(&self) -> anyhow::Result<String> {
        let ports = self.ports()?.len();
        Ok(self.probe().map_or_else(String::new, |probe| {
            report::announcement(self, &probe, ports)
        }))
    }

    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        let ports = self.ports()?;
        let iio =
            discover::find_iio(&self.root).context("cannot look for the kernel's converters")?;
        let probe = self.probe();
        let is_asking = probe.is_some() && !(ports.is_empty() && self.tcp.is_empty());
        if let (true, Some(probe)) = (is_asking, &probe) {
            eprintln!("{}", report::announcement(&self, probe, ports.len()));
            if !self.may_ask()? {
                return Ok(Exit::WrongUse);
            }
        }
        let search = Search {
            listen_for: self.listen_for,
            probe,
        };
        let found = crate::runtime()?.block_on(self.search(ports, iio, search))?;
        if self.json {
            println!("{:#}", json::of(&found));
        } else {
            print!("{}", report::of(&found));
        }
        if found.is_cut_short {
            eprintln!("Stopped before the end; this is what was found until then.");
            return Ok(Exit::CouldNot);
        }
        Ok(Exit::Done)
    }

    /// The ports that were named, or all.
    fn ports(&self) -> anyhow::Result<Vec<SerialPort>> {
        let all = discover::serial_ports(&self.root).context("cannot list the serial ports")?;
        if self.port.is_empty() {
            return Ok(all);
        }
        let named = |path: &PathBuf| {
            let real = path.canonicalize().ok();
            let device = real.as_deref().unwrap_or(path).file_name();
            let device =
                device.map_or_else(String::new, |name| name.to_string_lossy().into_owned());
            let known = all.iter().find(|port| port.device == device).cloned();
            let unknown = SerialPort {
                device,
                path: path.clone(),
                // Whoever names a port has a reason.
                is_stable: true,
                adapter: None,
                has_twin: false,
            };
            let known = known.unwrap_or(unknown);
            SerialPort {
                path: path.clone(),
                ..known
            }
        };
        Ok(self.port.iter().map(named).collect())
    }

    fn probe(&self) -> Option<ProbePlan> {
        let settings = if self.serial.is_empty() {
            ProbePlan::usual_settings()
        } else {
            self.serial.clone()
        };
        (!self.listen_only).then(|| ProbePlan {
            settings,
            units: self.units.0.clone(),
            patience: self.timeout,
        })
    }

    fn may_ask(&self) -> anyhow::Result<bool> {
        if self.yes {
            return Ok(true);
        }
        if !std::io::stdin().is_terminal() {
            bail!(
                "this sends requests, and there is no terminal to ask you on: add --yes, or --listen-only"
            );
        }
        eprint!("Send them? [y/N] ");
        std::io::stderr().flush()?;
        let mut answer = String::new();
        std::io::stdin().lock().read_line(&mut answer)?;
        let is_yes = matches!(answer.trim(), "y" | "Y" | "yes");
        if !is_yes {
            eprintln!("Nothing was sent. `--listen-only` looks without sending.");
        }
        Ok(is_yes)
    }

    /// Searches all lines at the same time; each is somebody else's wire.
    async fn search(
        &self,
        ports: Vec<SerialPort>,
        iio: Vec<IioFinding>,
        search: Search,
    ) -> anyhow::Result<Found> {
        let mut signals = Signals::listen()?;
        let stop = CancellationToken::new();
        let bar = bar();
        let shown = bar.clone();
        let tell: Tell = Arc::new(move |line, what| shown.set_message(format!("{line}: {what}")));
        let mut tasks = JoinSet::new();
        for (index, port) in ports.iter().enumerate() {
            let (path, search, tell, stop) = (
                port.path.clone(),
                search.clone(),
                Arc::clone(&tell),
                stop.clone(),
            );
            tasks.spawn(async move {
                (
                    index,
                    discover::search_port(&path, &search, &tell, &stop).await,
                )
            });
        }
        for (index, Address { host, port }) in self.tcp.iter().cloned().enumerate() {
            let (index, search, tell, stop) = (
                ports.len() + index,
                search.clone(),
                Arc::clone(&tell),
                stop.clone(),
            );
            tasks.spawn(async move {
                (
                    index,
                    discover::search_tcp(&host, port, &search, &tell, &stop).await,
                )
            });
        }
        let mut outcomes = vec![OnLine::Nothing; ports.len() + self.tcp.len()];
        while !tasks.is_empty() {
            tokio::select! {
                _ = signals.next() => stop.cancel(),
                Some(done) = tasks.join_next() => {
                    let (index, outcome) = done.context("a search ended inside the program")?;
                    outcomes[index] = outcome;
                }
            }
        }
        bar.finish_and_clear();
        let of_tcp = outcomes.split_off(ports.len());
        Ok(Found {
            ports: ports.into_iter().zip(outcomes).collect(),
            tcp: self.tcp.iter().cloned().zip(of_tcp).collect(),
            iio,
            is_listening_only: search.probe.is_none(),
            is_cut_short: stop.is_cancelled(),
        })
    }
}

/// Hidden where standard error is no terminal.
fn bar() -> ProgressBar {
    let bar = ProgressBar::new_spinner();
    if let Ok(style) = ProgressStyle::with_template("{spinner} {elapsed} {wide_msg}") {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(100));
    bar
}

/// A name for a line: `port1`, `tcp1`, `board1`.
fn name(kind: &str, index: usize) -> String {
    format!("{kind}{}", index + 1)
}

fn shown(path: &Path) -> String {
    path.display().to_string()
}
