//! A daemon without a configuration: it shows the way to one, and waits for it.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use zonda_http::{FirstRun, Search};

use crate::command::check;
use crate::command::discover::Discover;
use crate::host::Signals;

/// How often the file is looked for.
const LOOK: Duration = Duration::from_millis(500);

/// An address of this machine: without a configuration there is no token that could guard another.
///
/// # Errors
/// In words for a person.
pub(crate) fn address(text: &str) -> Result<SocketAddr, String> {
    let address: SocketAddr = text
        .parse()
        .map_err(|_| "write an address and a port, such as 127.0.0.1:7360".to_owned())?;
    if address.ip().is_loopback() {
        return Ok(address);
    }
    Err("without a configuration only this machine is served: use 127.0.0.1 and a port".to_owned())
}

/// Serves the page until the file is there and has no mistakes; false where a signal came before.
///
/// # Errors
/// The address is taken, or the ports cannot be listed.
pub(crate) async fn wait(file: PathBuf, listen: SocketAddr, root: PathBuf) -> anyhow::Result<bool> {
    let mut signals = Signals::listen()?;
    let announcement = Discover::usual(root.clone(), true).announcement()?;
    let shown = std::path::absolute(&file)?;
    let first = FirstRun::new(shown.clone(), &announcement, search(root));
    let listener = TcpListener::bind(listen)
        .await
        .with_context(|| format!("cannot listen on {listen}"))?;
    let address = listener.local_addr()?;
    println!(
        "There is no configuration at {} yet, so nothing is recorded.\n\
         Open http://{address}/ to see what is plugged in and to make one; recording begins as soon as the file is there.\n\
         Ctrl-C ends this.",
        shown.display()
    );
    let stop = CancellationToken::new();
    let serving = tokio::spawn(zonda_http::server::serve(
        listener,
        first.clone().router([]),
        stop.clone(),
    ));
    let looking = tokio::spawn(first.look(false));
    let is_there = tokio::select! {
        _ = signals.next() => false,
        () = until_right(&file) => true,
    };
    looking.abort();
    stop.cancel();
    serving.await.context("the page did not end in order")?;
    Ok(is_there)
}

async fn until_right(file: &Path) {
    loop {
        tokio::time::sleep(LOOK).await;
        // What cannot be read, or has mistakes, is waited for: the page says what is wrong.
        if matches!(check::read(file), Ok(Ok(_))) {
            return;
        }
    }
}

/// The search that `zonda discover` makes.
fn search(root: PathBuf) -> Search {
    Arc::new(move |asks| {
        let search = Discover::usual(root.clone(), asks);
        Box::pin(async move {
            search
                .findings()
                .await
                .map_err(|error| format!("{error:#}"))
        })
    })
}
