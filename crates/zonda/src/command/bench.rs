//! `zonda bench`: what this machine can do, measured on the real daemon.
//!
//! The daemon runs as a process of its own, and so do the devices, so that the processor time and
//! memory that are told are the daemon's alone, as the kernel accounts them.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use clap::{Args, Subcommand};
use comfy_table::{Cell, CellAlignment, Table};
use serde::Deserialize;

use crate::address;
use crate::exit::Exit;
use crate::host::Signals;

/// Measure what this machine can do: acquisition at two sizes, and a serial line kept busy.
///
/// Starts simulated devices and a daemon as processes of their own and tells processor time, memory,
/// punctuality and missed ticks of the daemon. Quote the figures together with the machine, and run
/// it on a quiet one.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Examples:\n  zonda bench\n  zonda bench --for 60s"
)]
pub(crate) struct Bench {
    /// How long each acquisition is measured.
    #[arg(long = "for", value_name = "TIME", default_value = "20s", value_parser = crate::when::duration)]
    run_for: Duration,
    #[command(subcommand)]
    part: Option<Part>,
}

#[derive(Debug, Subcommand)]
enum Part {
    /// Many cheap simulated TCP modules; prints their configuration, an empty line, and runs until told to stop.
    #[command(hide = true)]
    Farm {
        modules: u16,
        inputs: u16,
        every: String,
    },
}

impl Bench {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        if let Some(Part::Farm {
            modules,
            inputs,
            every,
        }) = self.part
        {
            return crate::runtime()?.block_on(farm(modules, inputs, &every));
        }
        let dir = std::env::temp_dir().join(format!("zonda-bench-{}", std::process::id()));
        std::fs::create_dir_all(&dir)?;
        let outcome = self.measure(&dir);
        std::fs::remove_dir_all(&dir)?;
        outcome
    }

    fn measure(&self, dir: &Path) -> anyhow::Result<Exit> {
        let mut table = Table::new();
        table.load_style(comfy_table::presets::NOTHING);
        table.set_header([
            "acquisition",
            "processor",
            "memory",
            "late p50",
            "late p99.9",
            "latest",
            "samples",
            "missed ticks",
            "cycle/wire",
        ]);
        for (name, devices) in [
            (
                "64 channels x 10 Hz, 4 TCP modules",
                Devices::Farm {
                    modules: 4,
                    inputs: 16,
                },
            ),
            (
                "1024 channels x 10 Hz, 32 TCP modules",
                Devices::Farm {
                    modules: 32,
                    inputs: 32,
                },
            ),
            ("rig: 2 RTU modules at 19200 baud, TCP, text", Devices::Rig),
        ] {
            eprintln!("{name}: {} s …", self.run_for.as_secs());
            let figures = acquire(&dir.join("data"), dir, &devices, self.run_for)
                .with_context(|| name.to_owned())?;
            table.add_row(figures.row(name));
        }
        println!("{table}");
        Ok(Exit::Done)
    }
}

async fn farm(modules: u16, inputs: u16, every: &str) -> anyhow::Result<Exit> {
    let mut signals = Signals::listen()?;
    let farm = zonda_rig::Farm::start(modules, inputs).await?;
    println!("{}\n{END}", farm.toml(every));
    signals.next().await;
    farm.stop().await;
    Ok(Exit::Done)
}

/// Ends the configuration that the farm prints.
const END: &str = "# end";
/// Lines are opened and the first ticks are over.
const WARM_UP: Duration = Duration::from_secs(3);

enum Devices {
    Farm { modules: u16, inputs: u16 },
    Rig,
}

struct Figures {
    processor: f64,
    memory_mib: f64,
    lines: Vec<Line>,
    samples: u64,
}

#[derive(Deserialize)]
struct Lines {
    lines: Vec<Line>,
}

#[derive(Deserialize)]
struct Line {
    missed: std::collections::BTreeMap<String, u64>,
    cycle_ms: Option<f64>,
    wire_min_ms: Option<f64>,
    lateness_p50_ms: f64,
    lateness_p999_ms: f64,
    lateness_max_ms: f64,
}

impl Figures {
    fn row(&self, name: &str) -> Vec<Cell> {
        let worst = |of: fn(&Line) -> f64| self.lines.iter().map(of).fold(0.0, f64::max);
        let missed: u64 = self
            .lines
            .iter()
            .flat_map(|line| line.missed.values())
            .sum();
        let ratio = self
            .lines
            .iter()
            .filter_map(|line| {
                Some(line.cycle_ms? / line.wire_min_ms.filter(|least| *least > 0.0)?)
            })
            .fold(f64::NAN, f64::max);
        let right = |text: String| Cell::new(text).set_alignment(CellAlignment::Right);
        vec![
            Cell::new(name),
            right(format!("{:.1} % of a core", self.processor * 100.0)),
            right(format!("{:.0} MiB", self.memory_mib)),
            right(format!("{:.1} ms", worst(|line| line.lateness_p50_ms))),
            right(format!("{:.1} ms", worst(|line| line.lateness_p999_ms))),
            right(format!("{:.1} ms", worst(|line| line.lateness_max_ms))),
            right(self.samples.to_string()),
            right(missed.to_string()),
            right(if ratio.is_nan() {
                "–".to_owned()
            } else {
                format!("{ratio:.3}")
            }),
        ]
    }
}

/// A child that is told to stop when it is dropped, whatever happened.
struct Running(Child);

impl Running {
    fn stop(mut self) -> anyhow::Result<()> {
        self.tell()?;
        self.0.wait()?;
        Ok(())
    }

    fn tell(&self) -> nix::Result<()> {
        let pid = nix::unistd::Pid::from_raw(i32::try_from(self.0.id()).unwrap_or(0));
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // After an orderly stop there is nobody to tell.
        let _ = self.tell();
    }
}

fn acquire(
    data: &Path,
    dir: &Path,
    devices: &Devices,
    run_for: Duration,
) -> anyhow::Result<Figures> {
    let (config, players) = start_devices(data, dir, devices)?;
    let daemon = Running(
        this()?
            .arg("serve")
            .arg("--config")
            .arg(&config)
            .env("RUST_LOG", "warn")
            .spawn()?,
    );
    let address = wait_for(data)?;
    std::thread::sleep(WARM_UP);
    let pid = daemon.0.id();
    let (before, from) = (processor_time(pid)?, Instant::now());
    std::thread::sleep(run_for);
    let processor =
        processor_time(pid)?.saturating_sub(before).as_secs_f64() / from.elapsed().as_secs_f64();
    let memory_mib = memory(pid)?;
    let lines: Lines = serde_json::from_str(&get(address, "/api/v1/lines")?)?;
    let samples = get(address, "/metrics")?
        .lines()
        .find_map(|line| line.strip_prefix("zonda_samples_total ")?.parse().ok())
        .unwrap_or(0);
    daemon.stop()?;
    players.stop()?;
    std::fs::remove_dir_all(data)?;
    Ok(Figures {
        processor,
        memory_mib,
        lines: lines.lines,
        samples,
    })
}

fn this() -> anyhow::Result<Command> {
    Ok(Command::new(std::env::current_exe()?))
}

fn start_devices(data: &Path, dir: &Path, devices: &Devices) -> anyhow::Result<(PathBuf, Running)> {
    match devices {
        Devices::Farm { modules, inputs } => {
            let mut child = this()?
                .args([
                    "bench",
                    "farm",
                    &modules.to_string(),
                    &inputs.to_string(),
                    "100 ms",
                ])
                .stdout(Stdio::piped())
                .spawn()?;
            let out = child.stdout.take().context("the farm has no output")?;
            let lines: Vec<String> = BufReader::new(out)
                .lines()
                .map_while(Result::ok)
                .take_while(|line| line != END)
                .collect();
            let config = dir.join("farm.toml");
            std::fs::write(
                &config,
                format!(
                    "[station]\ndata = \"{}\"\n[http]\nlisten = \"127.0.0.1:0\"\n{}",
                    data.display(),
                    lines.join("\n")
                ),
            )?;
            Ok((config, Running(child)))
        }
        Devices::Rig => {
            let rig = dir.join("rig");
            let child = this()?
                .arg("rig")
                .arg("--dir")
                .arg(&rig)
                .arg("--data")
                .arg(data)
                .args(["--listen", "127.0.0.1:0"])
                .stdout(Stdio::null())
                .stdin(Stdio::null())
                .spawn()?;
            let config = rig.join("oven.toml");
            wait_until(|| config.exists(), "the rig does not start")?;
            Ok((config, Running(child)))
        }
    }
}

fn wait_for(data: &Path) -> anyhow::Result<std::net::SocketAddr> {
    wait_until(|| address::read(data).is_ok(), "the daemon does not start")?;
    address::read(data)
}

fn wait_until(is_so: impl Fn() -> bool, or: &str) -> anyhow::Result<()> {
    let deadline = Instant::now() + Duration::from_secs(20);
    while !is_so() {
        if Instant::now() > deadline {
            bail!("{or} within 20 s");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

fn get(address: std::net::SocketAddr, path: &str) -> anyhow::Result<String> {
    Ok(ureq::get(format!("http://{address}{path}"))
        .call()?
        .body_mut()
        .read_to_string()?)
}

/// User and system time of a process (`proc_pid_stat(5)`, fields 14 and 15).
fn processor_time(pid: u32) -> anyhow::Result<Duration> {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat"))?;
    // The second field is a name in parentheses that may hold blanks.
    let (_, rest) = stat.rsplit_once(')').context("no such process")?;
    let ticks: u64 = rest
        .split_whitespace()
        .skip(11)
        .take(2)
        .filter_map(|field| field.parse::<u64>().ok())
        .sum();
    let per_second = nix::unistd::sysconf(nix::unistd::SysconfVar::CLK_TCK)?.unwrap_or(100);
    Ok(Duration::from_millis(
        ticks * 1000 / u64::try_from(per_second)?,
    ))
}

/// The most memory that the process had resident, MiB.
fn memory(pid: u32) -> anyhow::Result<f64> {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status"))?;
    let kib = status.lines().find_map(|line| {
        line.strip_prefix("VmHWM:")?
            .split_whitespace()
            .next()?
            .parse::<f64>()
            .ok()
    });
    Ok(kib.context("the kernel does not tell")? / 1024.0)
}
