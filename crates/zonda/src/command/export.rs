//! `zonda export`: files from the record, with or without a daemon at work.

mod asked;
mod cut_out;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{Context, bail};
use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use zonda_model::{ChannelName, Unit};
use zonda_report::{Export as Writing, Layout, Request, own_unit, sidecar, sidecar_name};
use zonda_store::Readable;

use crate::exit::Exit;
use crate::host::Signals;
use crate::when;
use crate::whole_file::WholeFile;

/// Write CSV, Parquet, a workbook (XLSX) or SQLite from the record. Reads the file itself: a daemon may be recording into it or not.
///
/// Everything by default; narrow it down by time and channels. Times are UTC unless --tz asks for a
/// local column beside it.
#[derive(Debug, Args)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a flag on the command line"
)]
#[command(after_help = "Examples:\n  \
    zonda export --data data --layout wide --last 12h -o night.csv\n  \
    zonda export --data data --from '2026-11-24 22:00' --to '2026-11-25 06:00' --tz Europe/Berlin -o night.csv\n  \
    zonda export --data data --layout wide --step 10m --cells summary --units us -o night.csv\n  \
    zonda export --data data --run night-1 --layout wide --sidecars -o night-1.csv\n  \
    zonda export --data data --run night-1 -o night-1.xlsx\n  \
    zonda export --data data --run night-1 -o night-1.sqlite   (a record of its own: `zonda report night-1 --data night-1.sqlite`)\n  \
    zonda export --data data --layout gaps            (what is missing, and why)\n  \
    zonda export --data data --channels Z1-left.velocity,Z1-left.temperature")]
pub(crate) struct Export {
    /// Directory of the record.
    #[arg(long, default_value = "data")]
    data: PathBuf,
    /// The format; by default what the name of the output ends in, else CSV.
    #[arg(long, value_enum)]
    format: Option<Kind>,
    /// How the rows are laid out; long by default, and of a workbook always wide.
    #[arg(long, value_enum)]
    layout: Option<Laid>,
    /// A run: its stretch and its channels, and with --sidecars all that was said of it.
    #[arg(long, value_name = "NAME", conflicts_with_all = ["from", "to", "last"])]
    run: Option<String>,
    /// From this time on: `2026-11-25T02:10:00Z`, or `2026-11-25 02:10` in the zone of --tz.
    #[arg(long)]
    from: Option<String>,
    /// Up to, and not including, this time.
    #[arg(long)]
    to: Option<String>,
    /// The last stretch of the record, such as `1m` or `12h`, in place of --from.
    #[arg(long, value_parser = when::duration, conflicts_with = "from")]
    last: Option<Duration>,
    /// Only these channels, in this order, separated by commas.
    #[arg(long, value_delimiter = ',')]
    channels: Vec<String>,
    /// Step of the wide layout, such as `1s` or `10m`; by default the tick of the fastest channel.
    #[arg(long, value_parser = when::duration)]
    step: Option<Duration>,
    /// What a step of the wide layout says of a channel; `mean` by default.
    #[arg(long, value_enum)]
    cells: Option<Said>,
    /// In which units values are written; `si` by default.
    #[arg(long, value_enum)]
    units: Option<In>,
    /// One channel's own unit, such as `Z1-left.velocity=ft/min`; may be repeated.
    #[arg(long, value_name = "CHANNEL=UNIT", value_parser = own_unit)]
    unit: Vec<(ChannelName, Unit)>,
    /// IANA name of a time zone: adds local time and offset beside UTC, and --from and --to are read in it.
    #[arg(long)]
    tz: Option<String>,
    /// Semicolons between cells and decimal commas in CSV, for spreadsheets of some countries.
    #[arg(long)]
    decimal_comma: bool,
    /// Put a byte order mark in front of CSV, so that some spreadsheets read ° and µ right.
    #[arg(long)]
    bom: bool,
    /// Put lines that begin with # above the heading of CSV: run, stretch, seal. Many programs choke on them.
    #[arg(long)]
    header: bool,
    /// Write what is missing and why into a file beside it, NAME.gaps.csv (of Parquet NAME.gaps.parquet); and of
    /// CSV another, NAME.csv-metadata.json (CSV on the Web), with units, mappings, certificates and the seal.
    #[arg(long, requires = "output")]
    sidecars: bool,
    /// The file to write; it must not exist. Standard output without it.
    #[arg(long, short)]
    output: Option<PathBuf>,
    /// Write over a file that exists.
    #[arg(long)]
    force: bool,
}

/// The file's format.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Kind {
    /// RFC 4180, UTF-8.
    Csv,
    /// Apache Parquet, with units in the fields' metadata.
    Parquet,
    /// A workbook of a run: summary, results, charts, wide data, gaps, events, instruments.
    Xlsx,
    /// A run as a record of its own, with its seal: `zonda` and any SQLite tool open it.
    Sqlite,
}

/// How an export is laid out.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum Laid {
    /// A row per sample: time, channel, value, unit, quality, code.
    Long,
    /// A row per step, a column per channel, then a quality column per channel.
    Wide,
    /// A row per gap: channel, from, to, cause.
    Gaps,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum In {
    /// m/s, °C, Pa: as the record keeps them.
    Si,
    /// As the configuration speaks of each channel.
    Configured,
    /// ft/min, °F, inH₂O: as people in the United States speak of each quantity.
    Us,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Said {
    /// Its sample, or the mean of those that fell into it.
    Mean,
    /// The sample next to the step's time.
    Nearest,
    /// Mean, least, greatest and number of the samples that fell into it.
    Summary,
}

impl Export {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        crate::runtime()?.block_on(self.write())
    }

    async fn write(self) -> anyhow::Result<Exit> {
        let mut signals = Signals::listen()?;
        tokio::select! {
            done = self.write_all() => done,
            signal = signals.next() => bail!("cancelled by {signal}; nothing was left behind"),
        }
    }

    async fn write_all(&self) -> anyhow::Result<Exit> {
        self.refuse_misfits()?;
        let record = Readable::open(&self.data).await?;
        if self.format() == Kind::Sqlite {
            cut_out::write(self, &record).await?;
            return Ok(Exit::Done);
        }
        let request = self.request(&record).await?;
        let bar = progress(&record, &request, self.output.is_some()).await?;
        let count = if let Some(path) = &self.output {
            self.to_files(&record, &request, path, &bar).await?
        } else {
            let mut out = std::io::BufWriter::new(std::io::stdout());
            let mut writing = Writing::begin(&record, &request).await?;
            copy(&mut writing, &mut out, &bar).await?;
            writing.count()
        };
        bar.finish_and_clear();
        if let Some(path) = &self.output {
            eprintln!(
                "{}: {} rows, {} samples",
                path.display(),
                count.rows,
                count.samples
            );
        }
        if count.rows == 0 {
            eprintln!(
                "note: nothing was recorded between {} and {}",
                request.range.0, request.range.1
            );
        }
        Ok(Exit::Done)
    }

    /// The file, and beside it what it cannot say of itself.
    async fn to_files(
        &self,
        record: &Readable,
        request: &Request,
        path: &Path,
        bar: &ProgressBar,
    ) -> anyhow::Result<zonda_report::Count> {
        let ending = match self.format() {
            Kind::Parquet => "gaps.parquet",
            _ => "gaps.csv",
        };
        let gaps =
            (self.sidecars && request.layout != Layout::Gaps).then(|| path.with_extension(ending));
        let mut file = WholeFile::create(path, self.force)?;
        let mut writing = Writing::begin(record, request).await?;
        copy(&mut writing, &mut file, bar).await?;
        if let Some(gaps) = &gaps {
            let request = Request {
                layout: Layout::Gaps,
                ..request.clone()
            };
            let mut file = WholeFile::create(gaps, self.force)?;
            let mut writing = Writing::begin(record, &request).await?;
            copy(&mut writing, &mut file, &ProgressBar::hidden()).await?;
            file.finish()?;
        }
        // Parquet carries its units itself.
        if self.sidecars && self.format() == Kind::Csv {
            let (name, gaps) = (
                file_name(path)?,
                gaps.as_deref().map(file_name).transpose()?,
            );
            let about = sidecar(record, request, &writing, &name, gaps.as_deref()).await?;
            let mut file =
                WholeFile::create(&path.with_file_name(sidecar_name(&name)), self.force)?;
            serde_json::to_writer_pretty(&mut file, &about)?;
            file.finish()?;
        }
        // Last, so that whoever finds it finds the others, too.
        file.finish()?;
        Ok(writing.count())
    }
}

/// Progress on a terminal, by samples; silent otherwise.
async fn progress(
    record: &Readable,
    request: &Request,
    to_file: bool,
) -> anyhow::Result<ProgressBar> {
    if !to_file || matches!(request.layout, Layout::Gaps) {
        return Ok(ProgressBar::hidden());
    }
    let all = match &request.run {
        Some(run) => {
            let ids: Vec<_> = run.channels.iter().map(|row| row.id).collect();
            record.count_samples_of(&ids, run.stretch).await?
        }
        None => record.count_samples(request.range).await?,
    };
    bar(all, to_file)
}

/// A bar of so many samples, with their rate and the time that is left.
fn bar(samples: i64, is_shown: bool) -> anyhow::Result<ProgressBar> {
    if !is_shown {
        return Ok(ProgressBar::hidden());
    }
    let style = ProgressStyle::with_template(
        "{bar:40} {human_pos} of {human_len} samples, {per_sec}, {eta} left",
    )?;
    Ok(ProgressBar::new(u64::try_from(samples).unwrap_or(0)).with_style(style))
}

fn file_name(path: &Path) -> anyhow::Result<String> {
    let name = path.file_name().and_then(|name| name.to_str());
    let name = name.with_context(|| format!("{} has no name in UTF-8", path.display()))?;
    Ok(name.to_owned())
}

/// All of it, or as much as whoever reads wants to see.
async fn copy(
    writing: &mut Writing,
    out: &mut impl Write,
    bar: &ProgressBar,
) -> anyhow::Result<()> {
    while let Some(chunk) = writing.next().await? {
        match out.write_all(&chunk) {
            // Whoever reads has seen enough, as `head` does.
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => return Ok(()),
            written => written.context("the file cannot be written")?,
        }
        bar.set_position(writing.count().samples);
        // Where the next page is there already nothing else would be waited for, and nobody would hear a Ctrl-C.
        tokio::task::yield_now().await;
    }
    out.flush().or_else(|error| match error.kind() {
        std::io::ErrorKind::BrokenPipe => Ok(()),
        _ => Err(error),
    })?;
    Ok(())
}
