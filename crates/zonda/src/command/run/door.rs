//! The way to the runs: through the daemon that records, or, where there is none, by opening the record
//! and asking the same routes.

use std::fmt::Write;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::Args;
use jiff::tz::TimeZone;
use serde_json::Value;
use zonda_station::runs::{Alone, Runs};

use crate::command::check;
use crate::{address, daemon, when};

/// The longest wait for an answer.
const WAIT: Duration = Duration::from_secs(35);
const RUNS: &str = "/api/v1/runs";

/// An answer of the API.
pub(super) type Answer = Value;

/// Where the runs are, and how times are read and shown.
#[derive(Debug, Args)]
pub(super) struct Door {
    /// Directory of the record.
    #[arg(long, default_value = "data")]
    data: PathBuf,
    /// The daemon's configuration file, in place of --data.
    #[arg(long, conflicts_with = "data")]
    config: Option<PathBuf>,
    /// The daemon's address, in place of --data.
    #[arg(long, value_name = "ADDRESS", conflicts_with_all = ["data", "config"])]
    daemon: Option<SocketAddr>,
    /// IANA name of the time zone in which times without an offset are read, and all are shown.
    #[arg(long, default_value = "UTC", value_parser = zone)]
    tz: TimeZone,
}

/// What was asked was not done.
#[derive(Debug, thiserror::Error)]
#[error("{detail}")]
pub(super) struct Refused {
    status: u16,
    detail: String,
}

impl Refused {
    /// True where what was asked makes no sense as it stands.
    pub(super) const fn is_wrong_use(&self) -> bool {
        matches!(self.status, 400 | 422)
    }
}

/// An open door.
pub(super) enum Desk {
    Daemon(SocketAddr, ureq::Agent),
    Reading(Runs),
    Alone(Alone),
}

impl Door {
    /// Opens it to look.
    pub(super) async fn open_to_read(&self) -> anyhow::Result<Desk> {
        match self.daemon()? {
            Some(daemon) => Ok(daemon),
            None => Ok(Desk::Reading(Runs::reading(&self.data()?).await?)),
        }
    }

    /// Opens it to change something.
    pub(super) async fn open_to_write(&self) -> anyhow::Result<Desk> {
        if let Some(daemon) = self.daemon()? {
            return Ok(daemon);
        }
        let data = self.data()?;
        let alone = Runs::alone(&data, env!("CARGO_PKG_VERSION")).await?;
        eprintln!(
            "note: no daemon runs on {}; the record was opened for this",
            data.display()
        );
        Ok(Desk::Alone(alone))
    }

    /// Changes one run.
    pub(super) async fn change(
        &self,
        name: &str,
        method: &str,
        path: &str,
        body: Option<Value>,
    ) -> anyhow::Result<Answer> {
        let desk = self.open_to_write().await?;
        let done = async {
            let id = desk.id(name).await?;
            desk.ask(method, &format!("/{id}{path}"), body).await
        };
        let done = done.await;
        desk.close().await?;
        done
    }

    /// The daemon, where one answers.
    fn daemon(&self) -> anyhow::Result<Option<Desk>> {
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(WAIT))
            .build()
            .into();
        let answers = |at: SocketAddr| agent.get(format!("http://{at}/healthz")).call().is_ok();
        if let Some(at) = self.daemon {
            if !answers(at) {
                bail!("nobody answers at {at}; is the daemon running?");
            }
            return Ok(Some(Desk::Daemon(at, agent)));
        }
        let found = address::read(&self.data()?).ok().filter(|at| answers(*at));
        Ok(found.map(|at| Desk::Daemon(at, agent)))
    }

    fn data(&self) -> anyhow::Result<PathBuf> {
        match &self.config {
            Some(file) => Ok(check::read(file)??.config.station.data),
            None => Ok(self.data.clone()),
        }
    }

    /// A time as a person writes it, as the API reads it.
    pub(super) fn time(&self, text: &str) -> anyhow::Result<String> {
        when::stamp(text, &self.tz).map(|at| at.to_string())
    }

    /// A time of the API as a person reads it.
    pub(super) fn shown(&self, text: &str) -> String {
        match text.parse::<jiff::Timestamp>() {
            Ok(at) => at
                .to_zoned_datetime(self.tz.clone())
                .strftime("%F %T %Z")
                .to_string(),
            Err(_) => text.to_owned(),
        }
    }
}

impl Desk {
    /// Asks for something below `/api/v1/runs`.
    pub(super) async fn ask(
        &self,
        method: &str,
        path: &str,
        body: Option<Value>,
    ) -> anyhow::Result<Answer> {
        let path = format!("{RUNS}{path}");
        let (status, text) = match self {
            Self::Daemon(at, agent) => by_http(agent, method, &format!("http://{at}{path}"), body)
                .with_context(|| format!("the daemon at {at} does not answer"))?,
            Self::Reading(runs) => alone(runs, method, &path, body).await?,
            Self::Alone(alone) => self::alone(&alone.runs, method, &path, body).await?,
        };
        let answer: Value = serde_json::from_str(&text).unwrap_or_default();
        if (200..300).contains(&status) {
            return Ok(answer);
        }
        let detail = answer["detail"].as_str().map_or(text, str::to_owned);
        Err(Refused { status, detail }.into())
    }

    /// How a channel stands, where a daemon says it.
    pub(super) fn live(&self, channel: &str) -> Option<Answer> {
        let Self::Daemon(at, agent) = self else {
            return None;
        };
        let url = format!("http://{at}/api/v1/channels/{channel}");
        let (status, text) = by_http(agent, "GET", &url, None).ok()?;
        serde_json::from_str(&text).ok().filter(|_| status == 200)
    }

    /// The number of the run with this name, or the number itself.
    pub(super) async fn id(&self, name: &str) -> anyhow::Result<i64> {
        match (self.named(name).await, name.parse()) {
            (Err(_), Ok(id)) => Ok(id),
            (named, _) => named,
        }
    }

    /// The number of the run with this name.
    pub(super) async fn named(&self, name: &str) -> anyhow::Result<i64> {
        let found = self.ask("GET", &query(&[("name", name)]), None).await?;
        found["runs"][0]["id"].as_i64().with_context(|| {
            format!("there is no run `{name}`; `zonda run list` shows those there are")
        })
    }

    /// Closes it in order.
    pub(super) async fn close(self) -> anyhow::Result<()> {
        match self {
            Self::Daemon(..) => {}
            Self::Reading(runs) => runs.record().close().await,
            Self::Alone(alone) => alone.close().await?,
        }
        Ok(())
    }
}

async fn alone(
    runs: &Runs,
    method: &str,
    path: &str,
    body: Option<Value>,
) -> anyhow::Result<(u16, String)> {
    let body = body.map(|body| body.to_string());
    Ok(zonda_http::answer_runs(runs, (method, path), body).await?)
}

fn by_http(
    agent: &ureq::Agent,
    method: &str,
    url: &str,
    body: Option<Value>,
) -> anyhow::Result<(u16, String)> {
    let mut request = ureq::http::Request::builder()
        .method(method)
        .uri(url)
        .header("content-type", "application/json");
    if let Ok(token) = std::env::var(daemon::TOKEN) {
        request = request.header("authorization", format!("Bearer {token}"));
    }
    let request = request.body(body.map(|body| body.to_string()).unwrap_or_default())?;
    let mut answer = agent.run(request)?;
    let status = answer.status().as_u16();
    Ok((status, answer.body_mut().read_to_string()?))
}

/// A query as it stands in an address.
pub(super) fn query(pairs: &[(&str, &str)]) -> String {
    let mut text = String::new();
    for (key, value) in pairs {
        text.push(if text.is_empty() { '?' } else { '&' });
        text.push_str(key);
        text.push('=');
        for byte in value.bytes() {
            if byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte) {
                text.push(char::from(byte));
            } else {
                // Writing into a text does not fail.
                let _ = write!(text, "%{byte:02X}");
            }
        }
    }
    text
}

fn zone(name: &str) -> Result<TimeZone, String> {
    TimeZone::get(name)
        .map_err(|_| format!("`{name}` is not an IANA time zone, such as Europe/Berlin"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3986, sections 2.1 and 2.3.
    #[test]
    fn what_is_not_unreserved_is_escaped() {
        assert_eq!(
            query(&[("name", "Ofen-Tür"), ("why", "a & b")]),
            "?name=Ofen-T%C3%BCr&why=a%20%26%20b"
        );
        assert_eq!(query(&[]), "");
    }
}
