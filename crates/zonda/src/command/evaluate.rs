//! `zonda evaluate`: statements about a run, from the record.

mod options;
mod table;

use std::io::IsTerminal;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context, bail};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use jiff::tz::TimeZone;
use tokio_util::sync::CancellationToken;
use zonda_assess::{Answer, Ask, AssessError, ErrorKind, Ruling, Subject, Watch, assess};
use zonda_model::RunId;
use zonda_store::{Readable, RunRow};

use crate::command::check;
use crate::exit::Exit;
use crate::host::Signals;

use options::Options;

/// Evaluate a run: means, windows, uniformity of a zone, flow and heat through a duct, transients, steadiness, agreement.
///
/// Each result comes with its uncertainty and what that rests on, with what was used and what was left out, and why. It is worked
/// out from the record each time: the same record gives the same result. Without more, everything that was asked of the run is
/// evaluated; an evaluation can be named, read from a file, or put together here by --kind and what that needs. Reads the record
/// itself: a daemon may be recording into it or not.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub(crate) struct Evaluate {
    /// The run's name, or its number.
    run: String,
    /// Which of the evaluations asked of it, by name, kind or number; all without.
    names: Vec<String>,
    /// Another run to set beside it: each result of both, and their difference.
    #[arg(long, value_name = "RUN", conflicts_with = "json")]
    against: Option<String>,
    /// A file that holds an ask, or a list of them, as JSON; `-` for standard input. docs/evaluations.md has the schema.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["names", "kind"])]
    ask: Option<PathBuf>,
    /// Whether outcomes that were kept (a file of --json) still hold: worked out again from the record, and which correction
    /// outdated them.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["names", "kind", "ask", "json", "against"])]
    still: Option<PathBuf>,
    #[command(flatten)]
    options: Options,
    /// The outcomes as JSON, one list; docs/outcome.schema.json has the schema.
    #[arg(long)]
    json: bool,
    /// Show the budget of each result, too.
    #[arg(long, conflicts_with = "json")]
    budgets: bool,
    /// Directory of the record.
    #[arg(long, default_value = "data")]
    data: PathBuf,
    /// The daemon's configuration file, in place of --data.
    #[arg(long, conflicts_with = "data")]
    config: Option<PathBuf>,
    /// IANA name of the time zone in which times are shown.
    #[arg(long, default_value = "UTC", value_parser = zone)]
    tz: TimeZone,
}

const EXAMPLES: &str = "Examples:\n  \
    zonda evaluate last-night                                    (what was asked of the run)\n  \
    zonda evaluate last-night soak --budgets\n  \
    zonda evaluate last-night --kind mean --channels Z1-left.temperature --from '5 h' --to '7 h'\n  \
    zonda evaluate last-night --kind uniformity --layout zone-2 --setpoint '200 °C' --tolerance '8 K' --since soaked\n  \
    zonda evaluate last-night --kind traverse --layout exhaust --pressure barometer --json\n  \
    zonda evaluate last-night soak --against the-night-before\n  \
    zonda evaluate last-night --ask soak.json\n  \
    zonda evaluate last-night --json > kept.json\n  \
    zonda evaluate last-night --still kept.json                  (has a correction outdated them?)";

impl Evaluate {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        let done = crate::runtime()?.block_on(self.give());
        match done {
            Err(error)
                if error
                    .downcast_ref::<AssessError>()
                    .is_some_and(|error| error.kind() == ErrorKind::Invalid) =>
            {
                eprintln!("zonda: {error}");
                Ok(Exit::WrongUse)
            }
            other => other,
        }
    }

    async fn give(self) -> anyhow::Result<Exit> {
        let data = match &self.config {
            Some(file) => check::read(file)??.config.station.data,
            None => self.data.clone(),
        };
        let record = Readable::open(&data).await?;
        let done = self.evaluate(&record).await;
        record.close().await;
        done
    }

    async fn evaluate(&self, record: &Readable) -> anyhow::Result<Exit> {
        let run = find(record, &self.run).await?;
        if let Some(kept) = &self.still {
            return still(record, &run, kept).await;
        }
        let asks = self.asks(record, &run).await?;
        let answers = self.answered(record, &run, &asks).await?;
        if self.json {
            println!("{}", serde_json::to_string_pretty(&answers)?);
            return Ok(exit(&answers));
        }
        if let Some(other) = &self.against {
            let other = find(record, other).await?;
            let others = self.answered(record, &other, &asks).await?;
            for (one, two) in answers.iter().zip(&others) {
                print!("{}", table::beside(one, two));
            }
            return Ok(Exit::Done);
        }
        for answer in &answers {
            print!("{}", table::answer(answer, &self.tz, self.budgets));
        }
        Ok(exit(&answers))
    }

    /// Of what was asked here a refusal ends it; of what was asked of the run the others are answered all the same.
    async fn answered(
        &self,
        record: &Readable,
        run: &RunRow,
        asks: &[Ask],
    ) -> anyhow::Result<Vec<Answer>> {
        let is_own = self.options.is_there() || self.ask.is_some();
        worked_out(record, run, asks, is_own).await
    }

    /// What is asked: here, in a file, or of the run.
    async fn asks(&self, record: &Readable, run: &RunRow) -> anyhow::Result<Vec<Ask>> {
        if let Some(ask) = self.options.ask()? {
            return Ok(vec![ask]);
        }
        if let Some(file) = &self.ask {
            return read(file);
        }
        let mut asks = Vec::new();
        for (id, entry) in record.run_evaluations(run.entry.id).await? {
            let ask = Ask::from_parts(&entry.kind, &entry.parameters)
                .with_context(|| format!("evaluation {id} of the run"))?;
            asks.push((id, ask));
        }
        if asks.is_empty() {
            bail!(
                "nothing was asked of the run `{}`; say here what is wanted with --kind, or ask it of the run with `zonda run start … --evaluate` or the API",
                run.entry.name
            );
        }
        pick(asks, &self.names, run)
    }
}

/// Whether what was kept still holds.
async fn still(record: &Readable, run: &RunRow, kept: &PathBuf) -> anyhow::Result<Exit> {
    let text =
        std::fs::read_to_string(kept).with_context(|| format!("cannot read {}", kept.display()))?;
    let kept: Vec<Answer> = serde_json::from_str(&text)
        .with_context(|| format!("{} holds no outcomes", kept.display()))?;
    let mut is_well = true;
    for outcome in kept.iter().filter_map(|answer| answer.outcome.as_ref()) {
        let of = format!("{} of {}", outcome.title, outcome.run);
        if let Some(by) = zonda_assess::outdated(record, outcome).await? {
            println!(
                "{of}: outdated by correction {} of {} ({}, {}, {})",
                by.id, by.channel, by.reason, by.by, by.at
            );
            is_well = false;
            continue;
        }
        let now = worked_out(record, run, std::slice::from_ref(&outcome.ask), true).await?;
        let now = now.first().and_then(|answer| answer.outcome.as_ref());
        let is_same = now.is_some_and(|now| now.results == outcome.results);
        println!(
            "{of}: {}",
            if is_same {
                "still holds; worked out again, every number is the same"
            } else {
                "gives other numbers now, and no correction says why: another version of the program, or another record"
            }
        );
        is_well &= is_same;
    }
    Ok(if is_well { Exit::Done } else { Exit::NotWell })
}

/// 1 where a criterion is not met, or an evaluation was refused.
fn exit(answers: &[Answer]) -> Exit {
    let is_well = |answer: &Answer| {
        answer.outcome.as_ref().is_some_and(|outcome| {
            let mut verdicts = outcome.verdicts.iter();
            verdicts.all(|judged| judged.verdict == Ruling::Conforms)
        })
    };
    if answers.iter().all(is_well) {
        Exit::Done
    } else {
        Exit::NotWell
    }
}

fn pick(asks: Vec<(i64, Ask)>, names: &[String], run: &RunRow) -> anyhow::Result<Vec<Ask>> {
    if names.is_empty() {
        return Ok(asks.into_iter().map(|(_, ask)| ask).collect());
    }
    let mut picked = Vec::new();
    for name in names {
        let is_it = |(id, ask): &&(i64, Ask)| {
            ask.title() == name || ask.question.word() == name || id.to_string() == *name
        };
        let found: Vec<Ask> = asks
            .iter()
            .filter(is_it)
            .map(|(_, ask)| ask.clone())
            .collect();
        if found.is_empty() {
            let known: Vec<&str> = asks.iter().map(|(_, ask)| ask.title()).collect();
            bail!(
                "no evaluation `{name}` was asked of the run `{}`; there are: {}",
                run.entry.name,
                known.join(", ")
            );
        }
        picked.extend(found);
    }
    Ok(picked)
}

async fn find(record: &Readable, name: &str) -> anyhow::Result<RunRow> {
    let mut found = record.run_named(name).await?;
    if found.is_none()
        && let Ok(id) = name.parse()
    {
        found = record.run(RunId(id)).await?;
    }
    found.with_context(|| {
        format!("there is no run `{name}`; `zonda run list` shows those there are")
    })
}

fn read(file: &PathBuf) -> anyhow::Result<Vec<Ask>> {
    let text = if file.as_os_str() == "-" {
        std::io::read_to_string(std::io::stdin()).context("cannot read standard input")?
    } else {
        std::fs::read_to_string(file).with_context(|| format!("cannot read {}", file.display()))?
    };
    let value: serde_json::Value =
        serde_json::from_str(&text).with_context(|| format!("{} is no JSON", file.display()))?;
    let list = match value {
        serde_json::Value::Array(list) => list,
        one => vec![one],
    };
    let asks = list.into_iter().map(|one| Ask::from_json(&one.to_string()));
    Ok(asks.collect::<Result<_, _>>()?)
}

/// One after the other, with a bar where somebody looks on.
async fn worked_out(
    record: &Readable,
    run: &RunRow,
    asks: &[Ask],
    is_own: bool,
) -> anyhow::Result<Vec<Answer>> {
    let subject = Subject::of(record, run).await?;
    let cancel = CancellationToken::new();
    let mut signals = Signals::listen()?;
    let bar = bar()?;
    let mut answers = Vec::new();
    for ask in asks {
        bar.set_message(ask.title().to_owned());
        let shown = bar.clone();
        let watch = Watch::new(cancel.clone(), move |done: Duration, whole: Duration| {
            shown.set_length(whole.as_secs());
            shown.set_position(done.as_secs());
        });
        let working = assess(record, &subject, ask, &watch);
        tokio::pin!(working);
        let outcome = loop {
            tokio::select! {
                outcome = &mut working => break outcome,
                _ = signals.next() => cancel.cancel(),
            }
        };
        let ends = |error: &AssessError| match error.kind() {
            ErrorKind::Cancelled | ErrorKind::Internal => true,
            ErrorKind::Invalid | ErrorKind::Refused => is_own,
        };
        match outcome {
            Err(error) if ends(&error) => {
                bar.finish_and_clear();
                return Err(named(error, ask));
            }
            result => answers.push(Answer::of(ask, result)),
        }
    }
    bar.finish_and_clear();
    Ok(answers)
}

/// Says which evaluation it was, and keeps what that means for the exit code.
fn named(error: AssessError, ask: &Ask) -> anyhow::Error {
    let title = ask.title().to_owned();
    match error.kind() {
        ErrorKind::Invalid => anyhow::Error::from(AssessError::Ask(format!("{title}: {error}"))),
        _ => anyhow::Error::from(error).context(title),
    }
}

fn bar() -> anyhow::Result<ProgressBar> {
    if !std::io::stderr().is_terminal() {
        return Ok(ProgressBar::hidden());
    }
    let style = ProgressStyle::with_template("{msg} {bar:40} {percent} %, {eta} left")?;
    Ok(ProgressBar::new(1).with_style(style))
}

fn zone(name: &str) -> Result<TimeZone, String> {
    TimeZone::get(name)
        .map_err(|_| format!("`{name}` is not an IANA time zone, such as Europe/Berlin"))
}
