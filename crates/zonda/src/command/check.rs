//! `zonda check`: every mistake in a configuration file at once.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;
use clap::Args;
use zonda_config::{Checked, Config, DriverPlan, Faults, LinePlan, TextWire};
use zonda_model::Name;

use crate::command::prestart;
use crate::exit::Exit;

/// Check a configuration file: every mistake at once, with its line and the way out.
///
/// Opens no port and asks no device. Mistakes end with exit code 1; a port that is not there is
/// only mentioned, because a line waits for its port.
///
/// With --against-devices it goes on to check what the file speaks of, before a night begins: every
/// line opened, every device asked, readings plausible, probe numbers, certificates, loop checks,
/// room on the disk, the clock. `look` is for somebody to look at; `wrong` ends with exit code 1.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  zonda check config/curing-oven.toml\n  zonda check oven.toml --against-devices --night 14h"
)]
pub(crate) struct Check {
    /// The configuration file.
    file: PathBuf,
    /// Say the mistakes, or the findings, as JSON, for scripts and editors.
    #[arg(long)]
    json: bool,
    /// Check the devices, the certificates and the machine as well, for a night that is to begin.
    #[arg(long)]
    against_devices: bool,
    /// How long the planned night is, such as `12h` or `90 min`.
    #[arg(long, default_value = "12h", requires = "against_devices", value_parser = night)]
    night: Duration,
}

impl Check {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        let checked = read(&self.file)?;
        if self.against_devices
            && let Ok(checked) = &checked
        {
            return self.check_devices(checked);
        }
        if self.json {
            println!("{}", as_json(&checked));
        } else {
            match &checked {
                Ok(checked) => say_well(&self.file, checked),
                Err(faults) => say_faults(faults),
            }
        }
        let shared = checked
            .as_ref()
            .ok()
            .and_then(|checked| shared_port(&checked.config));
        if let Some(shared) = &shared {
            eprintln!("{shared}");
        }
        Ok(if checked.is_ok() && shared.is_none() {
            Exit::Done
        } else {
            Exit::NotWell
        })
    }

    fn check_devices(&self, checked: &Checked) -> anyhow::Result<Exit> {
        if !checked.warnings.list().is_empty() {
            eprint!("{}", report(&checked.warnings));
        }
        if let Some(shared) = shared_port(&checked.config) {
            eprintln!("{shared}");
            return Ok(Exit::NotWell);
        }
        prestart::run(&checked.config, self.night, self.json)
    }
}

/// A length of time, not nothing and at most a month.
fn night(text: &str) -> Result<Duration, String> {
    let span = text.parse::<jiff::SignedDuration>().ok();
    span.and_then(|span| Duration::try_from(span).ok())
        .filter(|span| !span.is_zero() && *span <= Duration::from_hours(31 * 24))
        .ok_or_else(|| "write a length of time such as `12h`, up to a month".to_owned())
}

/// Reads and checks a file.
///
/// # Errors
/// Outside: the file cannot be read. Inside: its faults.
pub(crate) fn read(file: &Path) -> anyhow::Result<Result<Checked, Faults>> {
    let text =
        std::fs::read_to_string(file).with_context(|| format!("cannot read {}", file.display()))?;
    let folder = file.parent().unwrap_or(Path::new(""));
    let read_table =
        |path: &str| std::fs::read_to_string(folder.join(path)).map_err(|error| error.to_string());
    let name = file.display().to_string();
    Ok(zonda_config::check_with(&name, &text, &read_table))
}

/// Says faults to a person.
pub(crate) fn say_faults(faults: &Faults) {
    eprint!("{}", report(faults));
    let count = faults.list().len();
    eprintln!(
        "\n{count} {} to put right.",
        if count == 1 { "mistake" } else { "mistakes" }
    );
}

fn report(faults: &Faults) -> String {
    let width = std::env::var("COLUMNS")
        .ok()
        .and_then(|columns| columns.parse().ok())
        .unwrap_or(100);
    faults.report(std::io::stderr().is_terminal(), width)
}

fn say_well(file: &Path, checked: &Checked) {
    if !checked.warnings.list().is_empty() {
        eprint!("{}", report(&checked.warnings));
    }
    for port in missing_ports(&checked.config) {
        eprintln!("  note: {port} is not there now; its line will wait for it");
    }
    let Config {
        lines,
        sources,
        channels,
        derived,
        ..
    } = &checked.config;
    let devices = sources
        .iter()
        .filter(|source| source.name.as_str() != zonda_config::derived::SOURCE);
    let computed = match derived.len() {
        0 => String::new(),
        count => format!(", {count} of them derived"),
    };
    println!(
        "{} is well: {} lines, {} sources, {} channels{computed}.",
        file.display(),
        lines.len(),
        devices.count(),
        channels.len()
    );
}

/// Two lines whose ports are one device under two names; the file alone does not show it.
pub(crate) fn shared_port(config: &Config) -> Option<String> {
    let mut seen: Vec<(PathBuf, &Name)> = Vec::new();
    for line in &config.lines {
        let Some(device) = port_of(line).and_then(|path| path.canonicalize().ok()) else {
            continue;
        };
        if let Some((_, first)) = seen.iter().find(|(other, _)| *other == device) {
            return Some(format!(
                "the lines `{first}` and `{}` both name {}; a port belongs to one line",
                line.name,
                device.display()
            ));
        }
        seen.push((device, &line.name));
    }
    None
}

fn port_of(line: &LinePlan) -> Option<&Path> {
    match &line.driver {
        DriverPlan::ModbusRtu(plan) => Some(&plan.port.path),
        DriverPlan::Text(plan) => match &plan.wire {
            TextWire::Serial(port) => Some(&port.path),
            TextWire::Tcp(..) => None,
        },
        DriverPlan::ModbusTcp(_) | DriverPlan::Iio(_) => None,
    }
}

/// Serial ports of the configuration that do not exist at this moment.
fn missing_ports(config: &Config) -> Vec<String> {
    let ports = config.lines.iter().filter_map(port_of);
    ports
        .filter(|path| !path.exists())
        .map(|path| path.display().to_string())
        .collect()
}

fn as_json(checked: &Result<Checked, Faults>) -> serde_json::Value {
    let list = |faults: &Faults| -> Vec<_> {
        let one = |fault: &zonda_config::Fault| {
            let (line, column) = faults.place(fault);
            serde_json::json!({ "line": line, "column": column, "what": fault.what, "help": fault.help })
        };
        faults.list().iter().map(one).collect()
    };
    match checked {
        Ok(checked) => {
            serde_json::json!({ "well": true, "mistakes": [], "warnings": list(&checked.warnings), "channels": checked.config.channels.len() })
        }
        Err(faults) => {
            serde_json::json!({ "well": false, "mistakes": list(faults), "warnings": [] })
        }
    }
}
