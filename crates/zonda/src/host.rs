//! A station with its HTTP side in this process, from start to orderly end.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use tokio::net::TcpListener;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use zonda_config::Config;
use zonda_http::{App, View};
use zonda_station::{Station, Stopped};
use zonda_store::Tokens;

use crate::address;

/// A running daemon.
pub(crate) struct Host {
    pub(crate) station: Station,
    /// Where it listens.
    pub(crate) address: SocketAddr,
    data: PathBuf,
    http: Vec<JoinHandle<()>>,
    stop: CancellationToken,
    /// Evaluations that are kept up to date, and what ends that.
    keeping: (JoinHandle<()>, CancellationToken),
}

impl Host {
    /// Starts: record, lines, HTTP. `file` is where the configuration was read from.
    pub(crate) async fn start(config: Config, file: Option<PathBuf>) -> anyhow::Result<Self> {
        let (listen, data) = (config.http.listen, config.station.data.clone());
        let hosts = config.http.hosts.clone();
        refuse_open_doors(listen, &data)?;
        // Before the record: an address that is taken should not leave a session behind.
        let listener = TcpListener::bind(listen)
            .await
            .with_context(|| format!("cannot listen on {listen}"))?;
        let address = listener.local_addr()?;
        let station = Station::start(config, env!("CARGO_PKG_VERSION")).await?;
        let stop = CancellationToken::new();
        let view = View {
            file,
            ..View::of(&station, env!("CARGO_PKG_VERSION"))
        };
        let app = App::new(view, hosts, stop.clone());
        let feed = tokio::spawn(app.feed());
        let kept = CancellationToken::new();
        let keeping = (tokio::spawn(app.evaluations(kept.clone())), kept);
        let serving = tokio::spawn(zonda_http::server::serve(
            listener,
            app.router(),
            stop.clone(),
        ));
        if let Err(error) = address::write(&data, address) {
            tracing::warn!("other commands will not find this daemon by itself: {error}");
        }
        tracing::info!(
            "recording into {}; page and API at http://{address}/",
            data.display()
        );
        Ok(Self {
            station,
            address,
            data,
            http: vec![feed, serving],
            stop,
            keeping,
        })
    }

    /// Ends: nobody evaluates any more, what is recorded is made safe, then readers are sent away.
    pub(crate) async fn stop(self) -> Stopped {
        address::remove(&self.data);
        let (keeping, kept) = self.keeping;
        kept.cancel();
        if let Err(error) = keeping.await {
            tracing::error!("evaluations were not kept up to date to the end: {error}");
        }
        let stopped = self.station.stop().await;
        self.stop.cancel();
        for task in self.http {
            if let Err(error) = task.await {
                tracing::error!("the HTTP side did not end in order: {error}");
            }
        }
        stopped
    }
}

/// Beyond this machine nobody is served without a token, so there has to be one.
fn refuse_open_doors(listen: SocketAddr, data: &Path) -> anyhow::Result<()> {
    if !listen.ip().is_loopback() && Tokens::load(data)?.all().is_empty() {
        bail!(
            "{listen} can be reached from the network, and there is no token yet. Make one with\n  zonda token add desk --role operate --data {}\nor listen on 127.0.0.1.",
            data.display()
        );
    }
    Ok(())
}

/// The signals that end the daemon. Made before anything else, so that none goes astray; a second
/// one while it is ending is taken in and changes nothing.
pub(crate) struct Signals {
    term: Signal,
    interrupt: Signal,
}

impl Signals {
    pub(crate) fn listen() -> std::io::Result<Self> {
        Ok(Self {
            term: signal(SignalKind::terminate())?,
            interrupt: signal(SignalKind::interrupt())?,
        })
    }

    /// Waits for the next one; gives its name. Safe to drop while it waits.
    pub(crate) async fn next(&mut self) -> &'static str {
        tokio::select! {
            _ = self.term.recv() => "SIGTERM",
            _ = self.interrupt.recv() => "SIGINT",
        }
    }
}
