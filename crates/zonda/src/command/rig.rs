//! `zonda rig`: the simulated oven by itself, to practise on and to test against.

use std::io::BufRead;
use std::path::PathBuf;

use anyhow::Context;
use clap::Args;
use tokio::sync::mpsc;
use zonda_rig::{DoorHabit, Fault, Rig, RigOptions};

use crate::exit::Exit;
use crate::host::Signals;

/// Run the simulated curing oven by itself: its modules and meters on pseudo-terminals and TCP.
///
/// Writes the configuration of a daemon that records it, and takes orders on standard input, a line
/// each: a fault (`cut Z1-left.velocity`, `silence A`, `unplug bench`, `garble A 30 %`, `door 40 %`),
/// `clear FAULT`, `clear` for all of them, `faults`, `truth`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example, in two terminals:\n  zonda rig --dir rig\n  zonda serve --config rig/oven.toml"
)]
pub(crate) struct RigCommand {
    /// Directory for the links to the serial ports and for the configuration.
    #[arg(long, default_value = "rig")]
    dir: PathBuf,
    /// Directory of the record that the configuration names.
    #[arg(long, default_value = "data")]
    data: PathBuf,
    /// How many times faster than real the oven heats and cools.
    #[arg(long, default_value_t = 1.0)]
    speed: f64,
    /// Two rigs with the same seed behave alike.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Address at which the daemon shall listen; port 0 takes any free one.
    #[arg(long, default_value = "127.0.0.1:7360")]
    listen: String,
}

/// Name of the configuration file in the rig's directory.
const CONFIG: &str = "oven.toml";

impl RigCommand {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        crate::runtime()?.block_on(self.play())
    }

    async fn play(self) -> anyhow::Result<Exit> {
        let mut signals = Signals::listen()?;
        let dir = std::path::absolute(&self.dir)?;
        let rig = Rig::start(RigOptions {
            seed: self.seed,
            speed: self.speed,
            ..options(&dir)
        })
        .await?;
        let text = configuration(&rig, &std::path::absolute(&self.data)?, &self.listen);
        let config = dir.join(CONFIG);
        std::fs::write(&config, text)
            .with_context(|| format!("cannot write {}", config.display()))?;
        println!(
            "The rig runs. Record it with:\n  zonda serve --config {}",
            config.display()
        );
        let mut orders = orders();
        loop {
            tokio::select! {
                _ = signals.next() => break,
                Some(order) = orders.recv() => println!("{}", obey(&rig, order.trim())),
            }
        }
        rig.stop().await;
        // Without its ports the file would only mislead; it may be gone already.
        let _ = std::fs::remove_file(&config);
        Ok(Exit::Done)
    }
}

/// The rig as demo and tests want it, with its links in `dir`.
pub(crate) fn options(dir: &std::path::Path) -> RigOptions {
    RigOptions {
        door: DoorHabit::NowAndThen,
        ..RigOptions::new(dir)
    }
}

/// The configuration of a daemon that records a rig.
pub(crate) fn configuration(rig: &Rig, data: &std::path::Path, listen: &str) -> String {
    let station = zonda_rig::toml::Station {
        name: "Curing oven 3 (simulated)",
        time_zone: "Europe/Berlin",
        data,
    };
    format!(
        "{}\n[http]\nlisten = \"{listen}\"\n",
        zonda_rig::wiring_toml(station, rig.wiring())
    )
}

/// Lines of standard input. The thread that reads them cannot be stopped; it ends with the process.
fn orders() -> mpsc::Receiver<String> {
    let (say, orders) = mpsc::channel(1);
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if say.blocking_send(line).is_err() {
                return;
            }
        }
    });
    orders
}

fn obey(rig: &Rig, order: &str) -> String {
    let fault = |text: &str| text.parse::<Fault>().map_err(|error| error.to_string());
    let done = match order.split_once(' ') {
        None if order == "clear" => {
            rig.clear_all();
            Ok("clear".to_owned())
        }
        None if order == "faults" => Ok(rig
            .faults()
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("\n")),
        None if order == "truth" => Ok(format!("{:#?}", rig.truth())),
        Some(("clear", what)) => fault(what).map(|fault| {
            rig.clear(&fault);
            format!("clear {fault}")
        }),
        _ => fault(order).and_then(|fault| {
            rig.apply(fault.clone())
                .map(|()| fault.to_string())
                .map_err(|error| error.to_string())
        }),
    };
    done.map_or_else(
        |error| format!("not done: {error}"),
        |done| format!("done: {done}"),
    )
}
