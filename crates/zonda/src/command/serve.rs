//! `zonda serve`: the daemon.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::Args;

use crate::command::check;
use crate::exit::Exit;
use crate::first_run;
use crate::host::{Host, Signals};

/// Record: read every meter, store every sample, serve the page and the API.
///
/// Runs until SIGTERM or SIGINT, which lose nothing. A wrong configuration is refused with all its
/// mistakes (exit code 2); a record that must not be touched is refused as well (exit code 3). A
/// port or device that is not there is waited for.
///
/// Where there is no configuration yet, nothing is recorded: a page on this machine shows what is plugged
/// in and takes a first configuration, and recording begins as soon as the file is there.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  zonda check oven.toml\n  zonda serve --config oven.toml\n  zonda watch --config oven.toml"
)]
pub(crate) struct Serve {
    /// The configuration file.
    #[arg(long, short, env = "ZONDA_CONFIG", default_value = "station.toml")]
    config: PathBuf,
    /// Where the page is while there is no configuration; afterwards the configuration says where.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:7360", value_parser = first_run::address)]
    first_listen: SocketAddr,
    /// Where the first search finds /dev and /sys; another place only for a laid-out tree.
    #[arg(long, default_value = "/", value_name = "DIR", hide = true)]
    root: PathBuf,
}

impl Serve {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        if !self.config.exists() {
            let waited = first_run::wait(self.config.clone(), self.first_listen, self.root);
            if !crate::runtime()?.block_on(waited)? {
                return Ok(Exit::Done);
            }
        }
        let checked = match check::read(&self.config)? {
            Ok(checked) => checked,
            Err(faults) => {
                check::say_faults(&faults);
                return Ok(Exit::WrongUse);
            }
        };
        for warning in checked.warnings.list() {
            let (line, _) = checked.warnings.place(warning);
            tracing::warn!("{}:{line}: {}", self.config.display(), warning.what);
        }
        if let Some(shared) = check::shared_port(&checked.config) {
            eprintln!("{shared}");
            return Ok(Exit::WrongUse);
        }
        crate::runtime()?.block_on(record(checked.config, self.config))
    }
}

async fn record(config: zonda_config::Config, file: PathBuf) -> anyhow::Result<Exit> {
    let mut signals = Signals::listen()?;
    let mut host = Host::start(config, Some(file)).await?;
    let failure = tokio::select! {
        name = signals.next() => {
            tracing::info!("{name}: stopping");
            None
        }
        reason = host.station.failed() => Some(reason),
    };
    let stopped = host.stop().await;
    tracing::info!(
        samples = stopped.samples,
        lost = stopped.lost,
        "stopped; everything recorded is {}",
        if stopped.is_complete {
            "durable"
        } else {
            "durable but what memory held"
        }
    );
    match failure {
        Some(reason) => anyhow::bail!("the station could not go on: {reason}"),
        None if stopped.is_complete => Ok(Exit::Done),
        None => Ok(Exit::CouldNot),
    }
}
