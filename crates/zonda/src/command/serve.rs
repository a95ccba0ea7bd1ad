//! `zonda serve`: the daemon.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

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
/// Without --config the file is `station.toml` in the current folder. Where that is not there yet, nothing is
/// recorded: a page on this machine shows what is plugged in and takes a first configuration, and recording
/// begins as soon as the file is there. A file that is named has to be there, unless --first-run says that
/// it is to be made.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  zonda check oven.toml\n  zonda serve --config oven.toml\n  zonda watch --config oven.toml"
)]
pub(crate) struct Serve {
    /// The configuration file; `station.toml` where none is named.
    #[arg(long, short, env = "ZONDA_CONFIG", value_name = "FILE")]
    config: Option<PathBuf>,
    /// The file that --config names is not there yet: show what is plugged in, and make it.
    #[arg(long)]
    first_run: bool,
    /// Where the page is while there is no configuration; afterwards the configuration says where.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:7360", value_parser = first_run::address)]
    first_listen: SocketAddr,
    /// Where the first search finds /dev and /sys; another place only for a laid-out tree.
    #[arg(long, default_value = "/", value_name = "DIR", hide = true)]
    root: PathBuf,
}

/// The configuration where none is named.
const USUAL: &str = "station.toml";

impl Serve {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        let may_be_made = self.first_run || self.config.is_none();
        let file = self.config.unwrap_or_else(|| USUAL.into());
        if !file.exists() {
            if !may_be_made {
                eprintln!("{}", missing(&file));
                return Ok(Exit::WrongUse);
            }
            let waited = first_run::wait(file.clone(), self.first_listen, self.root);
            if !crate::runtime()?.block_on(waited)? {
                return Ok(Exit::Done);
            }
        }
        let checked = match check::read(&file)? {
            Ok(checked) => checked,
            Err(faults) => {
                check::say_faults(&faults);
                return Ok(Exit::WrongUse);
            }
        };
        for warning in checked.warnings.list() {
            let (line, _) = checked.warnings.place(warning);
            tracing::warn!("{}:{line}: {}", file.display(), warning.what);
        }
        if let Some(shared) = check::shared_port(&checked.config) {
            eprintln!("{shared}");
            return Ok(Exit::WrongUse);
        }
        crate::runtime()?.block_on(record(checked.config, file))
    }
}

/// A file that was named is not there: more often a slip than a beginning.
fn missing(file: &Path) -> String {
    let shown = std::path::absolute(file).unwrap_or_else(|_| file.to_owned());
    format!(
        "there is no configuration at {}.\n\
         Put its path right (--config, or the variable ZONDA_CONFIG); or, to make a first one there, with what is plugged in:\n\
         \x20 zonda serve --first-run --config {}",
        shown.display(),
        file.display()
    )
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
