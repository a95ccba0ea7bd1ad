//! The running daemon, as other commands speak with it: through its API and by no other door.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::Args;
use serde_json::Value;

use crate::address;
use crate::command::check;

/// The longest wait for an answer.
const WAIT: Duration = Duration::from_secs(35);

/// Which daemon.
#[derive(Debug, Args)]
pub(crate) struct Where {
    /// Directory of the record into which the daemon records.
    #[arg(long, default_value = "data")]
    data: PathBuf,
    /// The daemon's configuration file, in place of --data.
    #[arg(long, conflicts_with = "data")]
    config: Option<PathBuf>,
    /// The daemon's address, in place of --data. On another machine it asks for a token, which is taken
    /// from the variable `ZONDA_TOKEN`.
    #[arg(long, conflicts_with_all = ["data", "config"])]
    at: Option<SocketAddr>,
}

impl Where {
    /// The daemon, which may not be there.
    ///
    /// # Errors
    /// Nobody left an address.
    pub(crate) fn daemon(&self) -> anyhow::Result<Daemon> {
        if let Some(at) = self.at {
            return Ok(Daemon::new(at));
        }
        let data = match &self.config {
            Some(file) => check::read(file)??.config.station.data,
            None => self.data.clone(),
        };
        address::read(&data).map(Daemon::new)
    }
}

/// The variable of the environment that holds the token for a daemon on another machine.
pub(crate) const TOKEN: &str = "ZONDA_TOKEN";

/// With the token of the environment, if there is one.
fn signed<B>(request: ureq::RequestBuilder<B>) -> ureq::RequestBuilder<B> {
    match std::env::var(TOKEN) {
        Ok(token) => request.header("authorization", format!("Bearer {token}")),
        Err(_) => request,
    }
}

/// A daemon at an address.
#[derive(Debug)]
pub(crate) struct Daemon {
    address: SocketAddr,
    agent: ureq::Agent,
}

impl Daemon {
    pub(crate) fn new(address: SocketAddr) -> Self {
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(WAIT))
            .build()
            .into();
        Self { address, agent }
    }

    /// True where somebody answers there.
    pub(crate) fn answers(&self) -> bool {
        self.get("/healthz").is_ok()
    }

    /// A document of its API.
    ///
    /// # Errors
    /// Nobody answers, or the answer is a problem, in its own words.
    pub(crate) fn get(&self, path: &str) -> anyhow::Result<Value> {
        let answer = signed(self.agent.get(self.url(path))).call();
        self.read(answer)
    }

    /// Asks it to do something.
    ///
    /// # Errors
    /// As with [`get`](Self::get).
    pub(crate) fn post(&self, path: &str, body: &Value) -> anyhow::Result<Value> {
        let answer = signed(self.agent.post(self.url(path))).send_json(body);
        self.read(answer)
    }

    fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    fn read(
        &self,
        answer: Result<ureq::http::Response<ureq::Body>, ureq::Error>,
    ) -> anyhow::Result<Value> {
        let mut answer = answer.with_context(|| {
            format!("nobody answers at {}; is the daemon running?", self.address)
        })?;
        let status = answer.status();
        let text = answer.body_mut().read_to_string()?;
        if status.is_success() {
            return Ok(serde_json::from_str(&text).unwrap_or(Value::String(text)));
        }
        let problem: Value = serde_json::from_str(&text).unwrap_or_default();
        match problem["detail"].as_str() {
            Some(detail) => bail!("{detail}"),
            None => bail!("the daemon answered {status}: {text}"),
        }
    }
}
