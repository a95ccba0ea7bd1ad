//! `zonda correct`: put a wrong setting right in what is recorded already.

use std::io::{IsTerminal, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context, bail};
use clap::{Args, Subcommand};
use comfy_table::{Cell, CellAlignment, ContentArrangement, Table};
use indicatif::{HumanCount, ProgressBar, ProgressStyle};
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use zonda_model::Stamp;
use zonda_report::TrueUtc;
use zonda_station::correction::{self, Change, Hands, Request};
use zonda_store::{Readable, Store, UndoEntry};

use crate::address;
use crate::command::check;
use crate::daemon::Daemon;
use crate::exit::Exit;
use crate::when;

/// How often a correction that takes longer is asked about.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// Correct recorded values where a setting was wrong: they are worked out anew from the stored codes.
///
/// The usual case: the meter's output range was set to 0-100 m/s while the channel expected 0-50 m/s.
/// Say which channel, from when to when, and the range that the meter really had. What would change is
/// shown first, and nothing is changed before you say yes.
///
/// Codes never change. Only values and the flags that follow from them do; what the acquisition said
/// (`late`, `stuck`, `simulated` …) stays. Velocities that are judged by a corrected temperature are
/// judged anew. The correction is signed, sealed with everything else, kept as an event, and can be
/// undone exactly. It changes the past only: put the configuration right as well.
///
/// Works beside a running daemon and without one.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    subcommand_negates_reqs = true,
    after_help = "Examples:\n  \
    zonda correct Z1-left.velocity --from '2026-11-24 18:00' --to '2026-11-25 06:10' --tz Europe/Berlin \\\n      \
        --range '0-100 m/s' --preview\n  \
    zonda correct Z1-left.velocity --from 2026-11-24T17:00:00Z --to 2026-11-25T05:10:00Z \\\n      \
        --range '0-100 m/s' --reason 'the meter was set to 0-100 m/s, see its display' --by 'shift lead'\n  \
    zonda correct Z1-left.velocity --from … --to … --config oven-new.toml --reason … --by …   (the channel's whole new mapping)\n  \
    zonda correct list\n  \
    zonda correct undo 1 --reason 'it was the other meter' --by 'shift lead'"
)]
pub(crate) struct Correct {
    #[command(subcommand)]
    order: Option<Order>,
    /// The channel.
    #[arg(required = true)]
    channel: Option<String>,
    /// From this time on: `2026-11-25T02:10:00Z`, or `2026-11-25 02:10` in the zone of --tz.
    #[arg(long, required = true)]
    from: Option<String>,
    /// Up to, and not including, this time.
    #[arg(long, required = true)]
    to: Option<String>,
    /// IANA name of the time zone in which --from and --to are written.
    #[arg(long)]
    tz: Option<String>,
    /// The range that the signal's span really stood for, such as `0-100 m/s`; all else stays.
    #[arg(long, required_unless_present = "config", conflicts_with = "config")]
    range: Option<String>,
    /// A configuration file whose mapping of this channel is the right one.
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Why; whoever reads the record later has to understand it.
    #[arg(long, required_unless_present = "preview")]
    reason: Option<String>,
    /// Who corrects.
    #[arg(long, required_unless_present = "preview")]
    by: Option<String>,
    /// Only show what would change.
    #[arg(long)]
    preview: bool,
    /// Do not ask before it is done.
    #[arg(long)]
    yes: bool,
    /// What would change, or what was done, as JSON.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: Place,
}

/// Which record.
#[derive(Debug, Args)]
struct Place {
    /// Directory of the record.
    #[arg(long, default_value = "data")]
    data: PathBuf,
    /// Address of a daemon, in place of --data.
    #[arg(long, conflicts_with = "data")]
    at: Option<SocketAddr>,
}

#[derive(Debug, Subcommand)]
enum Order {
    /// List the corrections of a record.
    List(List),
    /// Take a correction back: values and flags become exactly as they were.
    Undo(Undo),
}

#[derive(Debug, Args)]
struct List {
    #[command(flatten)]
    place: Place,
    /// As JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct Undo {
    /// The correction's number; `zonda correct list` shows it.
    id: i64,
    /// Why.
    #[arg(long)]
    reason: String,
    /// Who takes it back.
    #[arg(long)]
    by: String,
    /// Do not ask before it is done.
    #[arg(long)]
    yes: bool,
    #[command(flatten)]
    place: Place,
}

/// Where a correction is made.
enum Door {
    /// Through the daemon that records.
    Daemon(Daemon),
    /// On a record into which nobody records.
    Record(PathBuf),
}

impl Place {
    /// The daemon where one is at work, else the record itself.
    fn door(&self) -> Door {
        let address = self.at.or_else(|| address::read(&self.data).ok());
        let daemon = address.map(Daemon::new);
        match daemon {
            Some(daemon) if self.at.is_some() || daemon.answers() => Door::Daemon(daemon),
            _ => Door::Record(self.data.clone()),
        }
    }
}

impl Correct {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        crate::runtime()?.block_on(async {
            match self.order {
                Some(Order::List(list)) => list.show().await,
                Some(Order::Undo(undo)) => undo.take_back().await,
                None => self.correct().await,
            }
        })
    }

    async fn correct(self) -> anyhow::Result<Exit> {
        let request = self.request()?;
        let door = self.place.door();
        let preview = door.preview(&request).await?;
        if self.json && self.preview {
            println!("{preview:#}");
        } else if !self.json {
            println!("{}", shown(&preview, &request));
        }
        if self.preview {
            return Ok(Exit::Done);
        }
        if !self.yes && !agreed("Correct these values?")? {
            return Ok(Exit::CouldNot);
        }
        let done = door.correct(request).await?;
        if self.json {
            println!("{done:#}");
        } else {
            println!(
                "Correction {} of {} is done: {} samples. To take it back: zonda correct undo {} --reason … --by …\n\
                 The configuration is not changed by this; put it right as well.",
                done["id"],
                done["channel"].as_str().unwrap_or_default(),
                done["samples"],
                done["id"]
            );
        }
        Ok(Exit::Done)
    }

    fn request(&self) -> anyhow::Result<Request> {
        let given = |text: &Option<String>| text.clone().unwrap_or_default();
        let zone = match &self.tz {
            Some(name) => {
                TimeZone::get(name).with_context(|| format!("`{name}` is not an IANA time zone"))?
            }
            None => TimeZone::UTC,
        };
        let channel = given(&self.channel);
        Ok(Request {
            from: when::stamp(&given(&self.from), &zone).context("--from")?,
            to: when::stamp(&given(&self.to), &zone).context("--to")?,
            change: match (&self.range, &self.config) {
                (Some(range), _) => Change::Range(range.clone()),
                (None, Some(file)) => Change::Mapping(mapping_in(file, &channel)?),
                (None, None) => bail!("say --range or --config"),
            },
            channel,
            reason: given(&self.reason),
            by: given(&self.by),
        })
    }
}

/// The mapping of a channel in a configuration file.
fn mapping_in(file: &Path, channel: &str) -> anyhow::Result<String> {
    let checked = check::read(file)?.map_err(|faults| {
        check::say_faults(&faults);
        anyhow::anyhow!("{} has mistakes; put them right first", file.display())
    })?;
    let plan = checked
        .config
        .channels
        .iter()
        .find(|plan| plan.name.as_str() == channel);
    let plan = plan.with_context(|| format!("{} has no channel `{channel}`", file.display()))?;
    Ok(plan.mapping.describe().to_string())
}

impl List {
    async fn show(self) -> anyhow::Result<Exit> {
        let list = self.place.door().list().await?;
        if self.json {
            println!("{list:#}");
            return Ok(Exit::Done);
        }
        let rows = list["corrections"].as_array().cloned().unwrap_or_default();
        if rows.is_empty() {
            println!("Nothing in this record has been corrected.");
            return Ok(Exit::Done);
        }
        let mut table = bare();
        table.set_header([
            "id",
            "made (UTC)",
            "channel",
            "from",
            "to",
            "state",
            "samples",
            "why",
            "by",
        ]);
        for row in &rows {
            let text = |key: &str| row[key].as_str().unwrap_or_default().to_owned();
            let second = |key: &str| text(key).chars().take(19).collect::<String>();
            let state = match (&row["undoes"], &row["undone_by"]) {
                (Value::Number(id), _) => {
                    format!("undoes {id}, {}", text("state").replace('_', " "))
                }
                (_, Value::Number(id)) => format!("undone by {id}"),
                _ => text("state").replace('_', " "),
            };
            table.add_row([
                row["id"].to_string(),
                second("at"),
                text("channel"),
                second("from"),
                second("to"),
                state,
                row["samples"].to_string(),
                text("reason"),
                text("by"),
            ]);
        }
        println!("{table}");
        Ok(Exit::Done)
    }
}

impl Undo {
    async fn take_back(self) -> anyhow::Result<Exit> {
        let door = self.place.door();
        let list = door.list().await?;
        let rows = list["corrections"].as_array();
        let row = rows.and_then(|rows| rows.iter().find(|row| row["id"] == self.id));
        if let Some(row) = row {
            let text = |key: &str| row[key].as_str().unwrap_or_default();
            println!(
                "Correction {} of {}, {} to {}: {} samples get their earlier values back.",
                self.id,
                text("channel"),
                text("from"),
                text("to"),
                row["samples"]
            );
        }
        if row.is_some() && !self.yes && !agreed("Take it back?")? {
            return Ok(Exit::CouldNot);
        }
        door.undo(&self).await?;
        println!("Correction {} is undone.", self.id);
        Ok(Exit::Done)
    }
}

/// Asks on a terminal. Elsewhere nobody can answer, and --yes is needed.
fn agreed(question: &str) -> anyhow::Result<bool> {
    if !std::io::stdin().is_terminal() {
        bail!("nobody is here to be asked; look at the preview, and add --yes");
    }
    print!("{question} [y/N] ");
    std::io::stdout().flush()?;
    let mut answer = String::new();
    std::io::stdin().read_line(&mut answer)?;
    let is_yes = matches!(answer.trim(), "y" | "Y" | "yes");
    if !is_yes {
        println!("Nothing was changed.");
    }
    Ok(is_yes)
}

impl Door {
    async fn list(&self) -> anyhow::Result<Value> {
        match self {
            Self::Daemon(daemon) => daemon.get("/api/v1/corrections"),
            Self::Record(dir) => {
                let record = Readable::open(dir).await?;
                Ok(serde_json::to_value(
                    zonda_http::corrections(&record).await?,
                )?)
            }
        }
    }

    async fn preview(&self, request: &Request) -> anyhow::Result<Value> {
        match self {
            Self::Daemon(daemon) => {
                let answer = daemon.post("/api/v1/corrections?preview=true", &body(request))?;
                Ok(answer["preview"].clone())
            }
            Self::Record(dir) => {
                let record = Readable::open(dir).await?;
                let entry = correction::prepare(&record, request, Stamp::default()).await?;
                let preview = record.preview(&entry).await?;
                let channels = record.channels().await?;
                Ok(serde_json::to_value(zonda_http::correction_changes(
                    &preview, &channels,
                ))?)
            }
        }
    }

    /// Corrects; gives the correction as the API lists it.
    async fn correct(&self, request: Request) -> anyhow::Result<Value> {
        match self {
            Self::Daemon(daemon) => {
                let answer = daemon.post("/api/v1/corrections", &body(&request))?;
                finished(daemon, answer["correction"].clone())
            }
            Self::Record(dir) => {
                let (store, now) = claim(dir).await?;
                let entry = correction::prepare(store.read(), &request, now).await?;
                let id = Hands::Store(&store).correct(entry).await?;
                let list = serde_json::to_value(zonda_http::corrections(store.read()).await?)?;
                Ok(row(&list, id))
            }
        }
    }

    async fn undo(&self, undo: &Undo) -> anyhow::Result<()> {
        match self {
            Self::Daemon(daemon) => {
                let path = format!("/api/v1/corrections/{}/undo", undo.id);
                let body = json!({ "reason": undo.reason, "by": undo.by });
                let answer = daemon.post(&path, &body)?;
                finished(daemon, answer["correction"].clone())?;
            }
            Self::Record(dir) => {
                let (store, at) = claim(dir).await?;
                let entry = UndoEntry {
                    correction: undo.id,
                    reason: undo.reason.trim().to_owned(),
                    by: undo.by.trim().to_owned(),
                    at,
                };
                Hands::Store(&store).undo(entry).await?;
            }
        }
        Ok(())
    }
}

/// The right to write, after whatever was cut short before is done; and now, on the record's axis.
async fn claim(dir: &Path) -> anyhow::Result<(Store, Stamp)> {
    Readable::open(dir).await?; // a record is not begun by the way
    let store = Store::open(dir).await?;
    Hands::Store(&store).finish(store.read()).await?;
    let utc = Stamp::from_micros(jiff::Timestamp::now().as_microsecond());
    let clock = TrueUtc::new(store.read().clock().await?);
    // The axis never runs backwards, also where this machine's clock did.
    let ahead = store
        .newest()
        .await?
        .map_or(0, |newest| newest.micros() - clock.of(newest).micros());
    let now = Stamp::from_micros(utc.micros().saturating_add(ahead));
    let now = store.newest().await?.map_or(now, |newest| now.max(newest));
    Ok((store, now))
}

fn row(list: &Value, id: i64) -> Value {
    let rows = list["corrections"].as_array();
    let found = rows.and_then(|rows| rows.iter().find(|row| row["id"] == id));
    found.cloned().unwrap_or_default()
}

/// Waits for the end of one that the daemon goes on with.
fn finished(daemon: &Daemon, mut correction: Value) -> anyhow::Result<Value> {
    let id = correction["id"]
        .as_i64()
        .context("the daemon named no correction")?;
    let style = ProgressStyle::with_template("{bar:40} {percent} %, {eta} left")?;
    let bar = ProgressBar::new(1000).with_style(style);
    while correction["state"] == "under_way" {
        let share = correction["share"].as_f64().unwrap_or(0.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of a thousand"
        )]
        bar.set_position((share * 1000.0) as u64);
        std::thread::sleep(LOOK_EVERY);
        correction = row(&daemon.get("/api/v1/corrections")?, id);
    }
    bar.finish_and_clear();
    Ok(correction)
}

fn body(request: &Request) -> Value {
    let (range, mapping) = match &request.change {
        Change::Range(range) => (Some(range), None),
        Change::Mapping(mapping) => (None, Some(mapping)),
    };
    json!({
        "channel": request.channel, "from": request.from.to_string(), "to": request.to.to_string(),
        "range": range, "mapping": mapping, "reason": request.reason, "by": request.by,
    })
}

/// The preview as tables: what changes about each channel, before and after.
fn shown(preview: &Value, request: &Request) -> String {
    let one = |one: &Value| {
        let name = one["channel"].as_str().unwrap_or_default();
        let role = if name == request.channel {
            String::new()
        } else {
            format!(" (judged by {})", request.channel)
        };
        format!(
            "\n{name}{role}: {} of {} samples change, {} to {}\n{}\n",
            HumanCount(one["changed"].as_u64().unwrap_or(0)),
            HumanCount(one["samples"].as_u64().unwrap_or(0)),
            request.from,
            request.to,
            sides(one)
        )
    };
    preview.as_array().into_iter().flatten().map(one).collect()
}

fn sides(one: &Value) -> Table {
    let unit = one["unit"].as_str().unwrap_or_default();
    let mut table = bare();
    table.set_header(["", "before", "after"]);
    let right = |text: String| Cell::new(text).set_alignment(CellAlignment::Right);
    for key in ["first", "last", "min", "max", "mean"] {
        let number = |side: &str| {
            let value = one[side][key].as_f64();
            right(value.map_or_else(|| "–".to_owned(), |value| format!("{value:.3} {unit}")))
        };
        table.add_row([Cell::new(key), number("before"), number("after")]);
    }
    let count = |side: &str, word: &str| match word {
        "good" => one[side]["good"].as_u64().unwrap_or(0),
        word => one[side]["flags"][word].as_u64().unwrap_or(0),
    };
    let flags =
        ["before", "after"].map(|side| one[side]["flags"].as_object().cloned().unwrap_or_default());
    let mut words: Vec<String> = flags
        .iter()
        .flat_map(|flags| flags.keys().cloned())
        .collect();
    words.sort_unstable();
    words.dedup();
    words.insert(0, "good".to_owned());
    for word in words {
        let cell = |side: &str| right(HumanCount(count(side, &word)).to_string());
        table.add_row([Cell::new(&word), cell("before"), cell("after")]);
    }
    table
}

fn bare() -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Dynamic);
    table
}
