//! `zonda run`: runs asked for, noted, stopped, listed, shown, cut out afterwards, discarded.

mod ask;
mod door;
mod table;
mod traverse;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use crate::exit::Exit;

use ask::{Cut, Start};
use door::{Answer, Door, Refused, query};
use traverse::Traverse;

/// Give a stretch of the recording a name: who, what for, from when to when.
///
/// A run begins now, at a time, or on a condition; it ends by hand, after a while, at a time, or on a
/// condition. Several may go on at once, over the same channels or others. A run survives a restart of
/// the daemon and says where it was interrupted. What is recorded already can be cut out as a run
/// afterwards. Nothing said is ever lost: words are said anew, notes are added, and a run that is
/// discarded leaves its name, who discarded it and why; samples stay in any case.
///
/// Where no daemon runs, list and show read the record, and note, stop, cut, change and discard open
/// it themselves. Only a daemon can see a run begin.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct RunCommand {
    #[command(subcommand)]
    order: Order,
}

const EXAMPLES: &str = "Examples:\n  \
    zonda run start night-1 --purpose 'acceptance, zone 1' --end 8h\n  \
    zonda run start soak --start 'when Z1-left.temperature rises above 180 °C for 5 min' --end 'after 4 h'\n  \
    zonda run start soak --start 'when Z1-left.temperature, Z1-right.temperature steady within 2 K over 10 min'\n  \
    zonda run note night-1 'door opened' --at '2026-11-25 02:10' --tz Europe/Berlin\n  \
    zonda run stop night-1\n  \
    zonda run show night-1\n  \
    zonda run cut last-night --from '2026-11-24 18:00' --to '2026-11-25 06:00' --tz Europe/Berlin\n  \
    zonda run discard trial-1 --through trial-4 --why 'wrong range on the meter'";

#[derive(Debug, Subcommand)]
enum Order {
    Start(Start),
    /// Add a note to a run, also after it ended. Notes are never edited.
    Note(Note),
    /// Stop a run, or call it off before it began.
    Stop(Stop),
    /// List the runs, newest first.
    List(List),
    /// Show a run: what was asked, what happened, what not to overlook, the notes.
    Show(Show),
    Cut(Cut),
    Traverse(Traverse),
    /// Say operator, purpose, object or ambient conditions anew; what was said before stays.
    Change(Change),
    /// Discard a run, or several in a row. Their samples stay, and so does a tombstone.
    Discard(Discard),
}

/// `zonda run note`.
#[derive(Debug, Args)]
struct Note {
    /// The run's name.
    name: String,
    /// The note.
    text: String,
    /// The moment that it is about, where that is not now.
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    #[command(flatten)]
    who: Who,
    #[command(flatten)]
    door: Door,
}

/// `zonda run stop`.
#[derive(Debug, Args)]
struct Stop {
    /// The run's name.
    name: String,
    /// When it ended, where that was before now.
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// Why.
    #[arg(long, default_value = "")]
    why: String,
    #[command(flatten)]
    who: Who,
    #[command(flatten)]
    door: Door,
}

/// `zonda run list`.
#[derive(Debug, Args)]
struct List {
    /// How many, 1 to 1000.
    #[arg(long, default_value_t = 20)]
    limit: u16,
    /// Those that were discarded, too.
    #[arg(long)]
    discarded: bool,
    /// The API's own answer as JSON.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    door: Door,
}

/// `zonda run show`.
#[derive(Debug, Args)]
struct Show {
    /// The run's name, or its number.
    name: String,
    /// The API's own answer as JSON.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    door: Door,
}

/// `zonda run change`.
#[derive(Debug, Args)]
struct Change {
    /// The run's name.
    name: String,
    #[command(flatten)]
    words: ask::Words,
    #[command(flatten)]
    who: Who,
    #[command(flatten)]
    door: Door,
}

/// `zonda run discard`.
#[derive(Debug, Args)]
struct Discard {
    /// The run's name, typed out.
    name: String,
    /// The last run of several: every run from the first to this one is discarded.
    #[arg(long, value_name = "NAME")]
    through: Option<String>,
    /// Why; it stays in the record.
    #[arg(long)]
    why: String,
    #[command(flatten)]
    who: Who,
    #[command(flatten)]
    door: Door,
}

/// Who says so.
#[derive(Debug, Args)]
struct Who {
    /// Who you are; the name of your login by default.
    #[arg(long, env = "ZONDA_BY")]
    by: Option<String>,
}

impl Who {
    fn name(&self) -> anyhow::Result<String> {
        let login = || std::env::var("USER").ok().filter(|user| !user.is_empty());
        let name = self.by.clone().or_else(login);
        name.ok_or_else(|| anyhow::anyhow!("nobody knows who you are; say it with --by"))
    }
}

impl RunCommand {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        let done = crate::runtime()?.block_on(self.order.give());
        match done {
            Err(error)
                if error
                    .downcast_ref::<Refused>()
                    .is_some_and(Refused::is_wrong_use) =>
            {
                eprintln!("zonda: {error}");
                Ok(Exit::WrongUse)
            }
            other => other,
        }
    }
}

impl Order {
    async fn give(self) -> anyhow::Result<Exit> {
        match self {
            Self::Start(start) => start.give().await,
            Self::Cut(cut) => cut.give().await,
            Self::Note(note) => note.give().await,
            Self::Stop(stop) => stop.give().await,
            Self::List(list) => list.give().await,
            Self::Show(show) => show.give().await,
            Self::Traverse(traverse) => traverse.give().await,
            Self::Change(change) => change.give().await,
            Self::Discard(discard) => discard.give().await,
        }
    }
}

impl Note {
    async fn give(self) -> anyhow::Result<Exit> {
        let at = self
            .at
            .as_deref()
            .map(|at| self.door.time(at))
            .transpose()?;
        let body = json!({ "by": self.who.name()?, "text": self.text, "about": at });
        let desk = self.door.open_to_write().await?;
        let done = async {
            let id = desk.id(&self.name).await?;
            desk.ask("POST", &format!("/{id}/notes"), Some(body)).await
        };
        let done = done.await;
        desk.close().await?;
        let notes = done?;
        let count = notes["noted"].as_array().map_or(0, Vec::len);
        println!(
            "Noted to {}; it has {count} {} now.",
            self.name,
            if count == 1 { "note" } else { "notes" }
        );
        Ok(Exit::Done)
    }
}

impl Stop {
    async fn give(self) -> anyhow::Result<Exit> {
        let at = self
            .at
            .as_deref()
            .map(|at| self.door.time(at))
            .transpose()?;
        let body = json!({ "by": self.who.name()?, "why": self.why, "at": at });
        let run = self
            .door
            .change(&self.name, "POST", "/stop", Some(body))
            .await?;
        match run["until"].as_str() {
            Some(until) => println!(
                "{} ended at {}, after {}.",
                self.name,
                self.door.shown(until),
                table::length(&run["length_s"])
            ),
            None => println!("{} was called off before it began.", self.name),
        }
        Ok(Exit::Done)
    }
}

impl List {
    async fn give(self) -> anyhow::Result<Exit> {
        let discarded = if self.discarded { "true" } else { "false" };
        let limit = self.limit.to_string();
        let query = query(&[("limit", &limit), ("discarded", discarded)]);
        let desk = self.door.open_to_read().await?;
        let list = desk.ask("GET", &query, None).await;
        desk.close().await?;
        let list = list?;
        if self.json {
            println!("{list}");
        } else {
            print!("{}", table::list(&list, &self.door));
        }
        Ok(Exit::Done)
    }
}

impl Show {
    async fn give(self) -> anyhow::Result<Exit> {
        let desk = self.door.open_to_read().await?;
        let run = async {
            let id = desk.id(&self.name).await?;
            let run = desk.ask("GET", &format!("/{id}"), None).await?;
            let asked = run["evaluations"].as_array().map_or(0, Vec::len);
            let outcomes = if asked == 0 || self.json {
                Answer::Null
            } else {
                desk.ask("GET", &format!("/{id}/evaluations?wait_s=20"), None)
                    .await?
            };
            Ok((run, outcomes))
        };
        let run: anyhow::Result<(Answer, Answer)> = run.await;
        desk.close().await?;
        let (run, outcomes) = run?;
        if self.json {
            println!("{run}");
        } else {
            print!("{}", table::show(&run, &self.door));
            print!("{}", table::outcomes(&self.name, &outcomes, &self.door));
        }
        Ok(Exit::Done)
    }
}

impl Change {
    async fn give(self) -> anyhow::Result<Exit> {
        let mut body = self.words.as_json();
        body["by"] = Value::String(self.who.name()?);
        let run = self
            .door
            .change(&self.name, "PATCH", "", Some(body))
            .await?;
        print!("{}", table::show(&run, &self.door));
        Ok(Exit::Done)
    }
}

impl Discard {
    async fn give(self) -> anyhow::Result<Exit> {
        let by = self.who.name()?;
        let desk = self.door.open_to_write().await?;
        let done = async {
            let id = desk.named(&self.name).await?;
            let mut asked = vec![
                ("name", self.name.as_str()),
                ("by", &by),
                ("why", &self.why),
            ];
            let through = match &self.through {
                Some(name) => Some((name, desk.named(name).await?.to_string())),
                None => None,
            };
            if let Some((name, id)) = &through {
                asked.extend([("through_name", name.as_str()), ("through", id.as_str())]);
            }
            desk.ask("DELETE", &format!("/{id}{}", query(&asked)), None)
                .await
        };
        let done: anyhow::Result<Answer> = done.await;
        desk.close().await?;
        for name in done?["discarded"].as_array().into_iter().flatten() {
            println!(
                "{} is discarded; its samples stay.",
                name.as_str().unwrap_or("?")
            );
        }
        Ok(Exit::Done)
    }
}
