//! `zonda run start` and `zonda run cut`.

use clap::Args;
use serde_json::{Map, Value, json};
use zonda_model::run::{Begin, Finish, spelled};

use super::door::{Answer, Desk, Door};
use super::{Who, table};
use crate::exit::Exit;
use crate::when;

/// What is said of a run.
#[derive(Debug, Args)]
pub(super) struct Words {
    /// Who sees to it.
    #[arg(long)]
    operator: Option<String>,
    /// What it is for.
    #[arg(long)]
    purpose: Option<String>,
    /// What is tested.
    #[arg(long)]
    object: Option<String>,
    /// The conditions around, such as '1013 hPa, hall at 21 °C'.
    #[arg(long)]
    ambient: Option<String>,
}

impl Words {
    pub(super) fn as_json(&self) -> Value {
        let said = [
            ("operator", &self.operator),
            ("purpose", &self.purpose),
            ("object", &self.object),
            ("ambient", &self.ambient),
        ];
        let said = said
            .into_iter()
            .filter_map(|(field, text)| Some((field.to_owned(), Value::String(text.clone()?))));
        Value::Object(said.collect::<Map<_, _>>())
    }
}

/// What both have.
#[derive(Debug, Args)]
struct About {
    /// Its channels, separated by commas; all that are configured by default.
    #[arg(long, value_delimiter = ',')]
    channels: Vec<String>,
    #[command(flatten)]
    words: Words,
    /// The layout of points that it refers to.
    #[arg(long)]
    layout: Option<String>,
    /// An evaluation asked of it: a kind, or a kind with parameters as JSON, such as
    /// `mean={"from":"30 min"}`. May be repeated.
    #[arg(long, value_name = "KIND[=JSON]")]
    evaluate: Vec<String>,
    /// Print the API's own answer as JSON.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    who: Who,
    #[command(flatten)]
    door: Door,
}

/// Ask for a run.
///
/// Without --start it begins now, without --end it goes on until `zonda run stop`. A condition is
/// `CHANNEL above 180 °C for 5 min` (or `below`, `rises above`, `falls below`), or
/// `CHANNEL, CHANNEL steady within 2 K over 10 min`. A planned run begins up to an hour late; later
/// than that it is missed, and says so.
#[derive(Debug, Args)]
pub(super) struct Start {
    /// Its name: letters, digits, `-` and `_`. With --template it may be left out.
    #[arg(required_unless_present = "template")]
    name: Option<String>,
    /// A template of the configuration, `[run.NAME]`; what is said here goes before it.
    #[arg(long, value_name = "NAME")]
    template: Option<String>,
    /// When it begins: `now`, a time such as `2026-11-25 22:00`, or `when CONDITION`.
    #[arg(long = "start", value_name = "WHEN")]
    begin: Option<String>,
    /// When it ends: `by hand`, a while such as `8h`, a time, or `when CONDITION`.
    #[arg(long = "end", value_name = "WHEN")]
    finish: Option<String>,
    #[command(flatten)]
    about: About,
}

/// Cut a run out of what is recorded.
///
/// Its channels need not be configured any more. A stretch in which none of them has a sample is
/// refused. Where the daemon was down within it, the run says so.
#[derive(Debug, Args)]
pub(super) struct Cut {
    /// Its name: letters, digits, `-` and `_`.
    name: String,
    /// From this time on: `2026-11-24T18:00:00Z`, or `2026-11-24 18:00` in the zone of --tz.
    #[arg(long, value_name = "TIME")]
    from: String,
    /// Up to, not including, this time.
    #[arg(long, value_name = "TIME")]
    to: String,
    #[command(flatten)]
    about: About,
}

impl Start {
    pub(super) async fn give(self) -> anyhow::Result<Exit> {
        let mut body = self.about.body()?;
        body["name"] = json!(self.name);
        body["template"] = json!(self.template);
        let door = &self.about.door;
        body["start"] = json!(
            self.begin
                .as_deref()
                .map(|text| begin(text, door))
                .transpose()?
        );
        body["end"] = json!(
            self.finish
                .as_deref()
                .map(|text| finish(text, door))
                .transpose()?
        );
        // Without a daemon nothing can begin: then it is not opened to be written.
        let desk = self.about.door.open_to_read().await?;
        self.about.give(desk, body).await
    }
}

impl Cut {
    pub(super) async fn give(self) -> anyhow::Result<Exit> {
        let mut body = self.about.body()?;
        body["name"] = json!(self.name);
        body["from"] = json!(self.about.door.time(&self.from)?);
        body["to"] = json!(self.about.door.time(&self.to)?);
        let desk = self.about.door.open_to_write().await?;
        self.about.give(desk, body).await
    }
}

impl About {
    fn body(&self) -> anyhow::Result<Value> {
        let mut body = self.words.as_json();
        if !self.channels.is_empty() {
            body["channels"] = json!(self.channels);
        }
        let evaluations = self.evaluate.iter().map(|text| evaluation(text));
        body["evaluations"] = Value::Array(evaluations.collect::<Result<_, _>>()?);
        body["layout"] = json!(self.layout);
        body["by"] = json!(self.who.name()?);
        Ok(body)
    }

    async fn give(&self, desk: Desk, body: Value) -> anyhow::Result<Exit> {
        let run: anyhow::Result<Answer> = desk.ask("POST", "", Some(body)).await;
        desk.close().await?;
        let run = run?;
        if self.json {
            println!("{run}");
        } else {
            print!("{}", table::show(&run, &self.door));
        }
        Ok(Exit::Done)
    }
}

/// A begin as the API reads it; a bare time is one.
fn begin(text: &str, door: &Door) -> anyhow::Result<String> {
    let bare = text.strip_prefix("at ").unwrap_or(text);
    match (text.parse::<Begin>(), door.time(bare)) {
        (Ok(begin), _) => Ok(begin.to_string()),
        (Err(_), Ok(at)) => Ok(format!("at {at}")),
        (Err(error), Err(_)) => Err(error.into()),
    }
}

/// An end as the API reads it; a bare time or length of time is one.
fn finish(text: &str, door: &Door) -> anyhow::Result<String> {
    let bare = text.strip_prefix("at ").unwrap_or(text);
    match (
        text.parse::<Finish>(),
        when::duration(text),
        door.time(bare),
    ) {
        (Ok(finish), ..) => Ok(finish.to_string()),
        (_, Ok(span), _) => Ok(format!("after {}", spelled(span))),
        (_, _, Ok(at)) => Ok(format!("at {at}")),
        (Err(error), ..) => Err(error.into()),
    }
}

fn evaluation(text: &str) -> anyhow::Result<Value> {
    let (kind, parameters) = text.split_once('=').unwrap_or((text, "{}"));
    let parameters: Value = serde_json::from_str(parameters)
        .map_err(|error| anyhow::anyhow!("the parameters of `{kind}` are no JSON: {error}"))?;
    Ok(json!({ "kind": kind, "parameters": parameters }))
}
