//! `zonda report`: the test report on a run, as one file.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;
use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use tokio_util::sync::CancellationToken;
use zonda_assess::Watch;
use zonda_config::Paper;
use zonda_model::Stamp;
use zonda_report::document::Document;
use zonda_report::{RunFacts, Typesetter, Wanted, html, report};
use zonda_store::Readable;

use crate::command::check;
use crate::exit::Exit;
use crate::host::Signals;
use crate::whole_file::WholeFile;

/// Write the test report on a run: a PDF, or one HTML file that needs nothing else; A4 or US Letter.
///
/// In it: what was tested and a verdict for each criterion that was asked, cautions, results with their uncertainties, the set-up
/// drawn to scale, instruments with certificates and loop checks, what was recorded, gaps, flags, corrections and notes, the sources
/// of the formulae, what ISO/IEC 17025 asks of a report, with what you must fill in left open; and in appendices what the results rest
/// on, budgets, each channel over time and every gap, flagged stretch and event in full. Laboratory, address, logo and texts come from
/// `[report]` in the configuration that the run was recorded under; --config takes them from a file, so that a report can be put right
/// afterwards. The PDF is tagged for screen readers and set by `zonda-typeset`, a program of its own. Reads the record itself: a daemon
/// may be recording into it or not.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda report last-night -o last-night.pdf\n  \
    zonda report last-night -o last-night.html                (any browser shows and prints it)\n  \
    zonda report last-night --config oven.toml --paper letter -o last-night.pdf\n  \
    zonda report last-night --json | jq .blocks               (the document, for a renderer of your own)")]
pub(crate) struct Report {
    /// The run's name.
    run: String,
    /// The file to write; it must not exist. Its ending says what: .pdf or .html. Standard output without it, as HTML.
    #[arg(long, short)]
    output: Option<PathBuf>,
    /// Write over a file that exists.
    #[arg(long)]
    force: bool,
    /// The paper, whatever the configuration says.
    #[arg(long, value_enum)]
    paper: Option<On>,
    /// The document as JSON, whatever the file's ending.
    #[arg(long)]
    json: bool,
    /// Directory of the record.
    #[arg(long, default_value = "data")]
    data: PathBuf,
    /// The daemon's configuration file, in place of --data; its `[report]` is used, and its logo.
    #[arg(long, conflicts_with = "data")]
    config: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum On {
    /// 210 mm by 297 mm.
    A4,
    /// 8.5 in by 11 in.
    Letter,
}

/// As what the report is wanted.
enum Form {
    Json,
    Html,
    Pdf(Typesetter),
}

impl Report {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        crate::runtime()?.block_on(self.give())
    }

    async fn give(self) -> anyhow::Result<Exit> {
        let mut wanted = Wanted {
            paper: self.paper.map(|paper| match paper {
                On::A4 => Paper::A4,
                On::Letter => Paper::Letter,
            }),
            now: now(),
            ..Wanted::default()
        };
        let data = match &self.config {
            Some(file) => {
                let config = check::read(file)??.config;
                wanted.laboratory = Some(config.report);
                wanted.logo_dir = Some(file.parent().unwrap_or(Path::new(".")).to_owned());
                config.station.data
            }
            None => self.data.clone(),
        };
        // What is not there is said before the work, not after it.
        let form = self.form()?;
        let out = self.output.as_deref();
        let out = out
            .map(|path| WholeFile::create(path, self.force))
            .transpose()?;
        let record = Readable::open(&data).await?;
        let bytes = self.bytes(&record, wanted, form).await?;
        if let Some(mut file) = out {
            file.write_all(&bytes)
                .context("the report cannot be written")?;
            file.finish()?;
        } else if let Err(error) = std::io::stdout().write_all(&bytes)
            && error.kind() != std::io::ErrorKind::BrokenPipe
        {
            return Err(error.into());
        }
        Ok(Exit::Done)
    }

    fn form(&self) -> anyhow::Result<Form> {
        if self.json {
            return Ok(Form::Json);
        }
        let Some(path) = &self.output else {
            return Ok(Form::Html);
        };
        let ending = path.extension().and_then(|ending| ending.to_str());
        match ending.map(str::to_ascii_lowercase).as_deref() {
            Some("pdf") => Ok(Form::Pdf(Typesetter::find()?)),
            Some("html" | "htm") => Ok(Form::Html),
            _ => anyhow::bail!(
                "{}: a report is a .pdf or an .html file; end the name with one of them",
                path.display()
            ),
        }
    }

    /// Worked out with a bar where somebody looks on, until all of it is there or it is called off.
    async fn bytes(
        &self,
        record: &Readable,
        wanted: Wanted,
        form: Form,
    ) -> anyhow::Result<Vec<u8>> {
        let run = RunFacts::named(record, &self.run).await?;
        let bar = bar()?;
        let (cancel, shown) = (CancellationToken::new(), bar.clone());
        let watch = Watch::new(cancel.clone(), move |done: Duration, whole: Duration| {
            shown.set_length(whole.as_secs());
            shown.set_position(done.as_secs());
        });
        let mut signals = Signals::listen()?;
        let working = async {
            let document = report(record, run, wanted, &watch).await?;
            bar.finish_and_clear();
            form.bytes(&document).await
        };
        tokio::select! {
            bytes = working => bytes,
            signal = signals.next() => {
                cancel.cancel();
                anyhow::bail!("cancelled by {signal}; nothing was left behind")
            }
        }
    }
}

impl Form {
    async fn bytes(&self, document: &Document) -> anyhow::Result<Vec<u8>> {
        Ok(match self {
            Self::Json => serde_json::to_vec_pretty(document)?,
            Self::Html => html(document).into_bytes(),
            Self::Pdf(typesetter) => typesetter.set(document).await?,
        })
    }
}

fn bar() -> anyhow::Result<ProgressBar> {
    if !std::io::stderr().is_terminal() {
        return Ok(ProgressBar::hidden());
    }
    let style = ProgressStyle::with_template("evaluating {bar:40} {percent} %, {eta} left")?;
    Ok(ProgressBar::new(1).with_style(style))
}

fn now() -> Stamp {
    Stamp::from_micros(jiff::Timestamp::now().as_microsecond())
}
