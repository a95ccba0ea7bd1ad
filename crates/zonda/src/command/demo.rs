//! `zonda demo`: rig and daemon in one process, so that there is something to see at once.

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use zonda_rig::Rig;

use crate::command::rig::{configuration, options};
use crate::exit::Exit;
use crate::host::{Host, Signals};

/// Run a simulated curing oven and record it: the whole way from the wire to the CSV, without hardware.
///
/// The oven's modules and meters speak Modbus RTU, Modbus TCP and text lines on this machine; the
/// daemon does not know that they are simulated, but for the mark on every reading.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  zonda demo\n  zonda export --data demo-data --layout wide --last 1m -o minute.csv"
)]
pub(crate) struct Demo {
    /// Directory of the record.
    #[arg(long, default_value = "demo-data")]
    data: PathBuf,
    /// End by itself after this time, such as `20s` or `5m`; until Ctrl-C otherwise.
    #[arg(long = "for", value_name = "TIME", value_parser = crate::when::duration)]
    run_for: Option<Duration>,
    /// Where to listen; port 0 takes any free one.
    #[arg(long, default_value = "127.0.0.1:7360")]
    listen: String,
    /// How many times faster than real the oven heats and cools.
    #[arg(long, default_value_t = 1.0)]
    speed: f64,
}

impl Demo {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        crate::runtime()?.block_on(self.play())
    }

    async fn play(self) -> anyhow::Result<Exit> {
        let mut signals = Signals::listen()?;
        let data = std::path::absolute(&self.data)?;
        let rig = Rig::start(zonda_rig::RigOptions {
            speed: self.speed,
            ..options(&data.join("rig"))
        })
        .await?;
        let text = configuration(&rig, &data, &self.listen);
        let config = zonda_config::check("the demo's configuration", &text)?.config;
        let (channels, data) = (config.channels.len(), config.station.data.clone());
        std::fs::write(data.join("oven.toml"), &text)?;
        let mut host = Host::start(config).await?;
        say_where(channels, &data, host.address);
        let failure = tokio::select! {
            _ = signals.next() => None,
            () = wait(self.run_for) => None,
            reason = host.station.failed() => Some(reason),
        };
        println!("\nStopping.");
        let stopped = host.stop().await;
        rig.stop().await;
        println!(
            "{} samples are in {}. Get them as CSV:\n  zonda export --data {} --layout wide -o oven.csv",
            stopped.samples,
            data.display(),
            data.display()
        );
        match failure {
            Some(reason) => anyhow::bail!("the station could not go on: {reason}"),
            None => Ok(Exit::Done),
        }
    }
}

fn say_where(channels: usize, data: &std::path::Path, address: std::net::SocketAddr) {
    println!(
        "\nA simulated curing oven is being recorded: {channels} channels, once a second. Nothing here is a real measurement.\n\n\
         \x20 Page        http://{address}/\n\
         \x20 Terminal    zonda watch --data {data}\n\
         \x20 CSV         zonda export --data {data} --layout wide --last 1m -o minute.csv\n\
         \x20 Wiring      {data}/oven.toml\n\n\
         Ctrl-C ends it; nothing is lost.\n",
        data = data.display()
    );
}

async fn wait(time: Option<Duration>) {
    match time {
        Some(time) => tokio::time::sleep(time).await,
        None => std::future::pending().await,
    }
}
