//! A run as an SQLite file of its own.

use std::path::Path;

use anyhow::{Context, bail};
use jiff::Timestamp;
use zonda_model::{ChannelName, Stamp};
use zonda_report::RunFacts;
use zonda_store::{ChannelId, CutAsk, Readable};

use super::{Export, bar};
use crate::whole_file::WholeFile;

/// Cuts the run out into the file.
pub(super) async fn write(export: &Export, record: &Readable) -> anyhow::Result<()> {
    refuse_what_means_nothing(export)?;
    let (Some(name), Some(path)) = (&export.run, &export.output) else {
        bail!(
            "SQLite is written of a run, into a file: say --run NAME and -o FILE.sqlite (`zonda run cut` makes a run of what is recorded)"
        );
    };
    let run = RunFacts::named(record, name).await?;
    let channels = chosen(export, record).await?;
    let file = WholeFile::create(path, export.force)?;
    let ids = channels.clone();
    let ids = ids.unwrap_or_else(|| run.channels.iter().map(|row| row.id).collect());
    let bar = bar(record.count_samples_of(&ids, run.stretch).await?, true)?;
    let ask = CutAsk {
        run: run.row.entry.id,
        stretch: run.stretch,
        channels,
        program: format!("zonda {}", env!("CARGO_PKG_VERSION")),
        made: Stamp::from_micros(Timestamp::now().as_microsecond()),
    };
    let shown = bar.clone();
    let tell = move |samples: u64| {
        // Whole commits have the samples of other channels, too.
        shown.set_length(shown.length().unwrap_or(0).max(samples));
        shown.set_position(samples);
    };
    let samples = record.cut_out_into(&ask, file.path(), tell).await;
    let samples = samples.with_context(|| format!("{} cannot be written", path.display()))?;
    file.finish()?;
    bar.finish_and_clear();
    say(path, samples, ask.channels.is_none());
    Ok(())
}

fn say(path: &Path, samples: u64, is_sealed: bool) {
    let path = path.display();
    if is_sealed {
        eprintln!(
            "{path}: {samples} samples, of all channels that were recorded meanwhile, with their seal; `zonda verify --data {path}` proves it"
        );
    } else {
        eprintln!(
            "{path}: {samples} samples; note: the seal covers all channels together and cannot be proved of chosen ones, so it was left out"
        );
    }
}

/// A cut-out has the record's own rows: nothing about them is chosen but whose they are.
fn refuse_what_means_nothing(export: &Export) -> anyhow::Result<()> {
    let said = [
        (export.layout.is_some(), "--layout"),
        (export.step.is_some(), "--step"),
        (export.tz.is_some(), "--tz"),
        (!export.unit.is_empty(), "--unit"),
        (export.decimal_comma, "--decimal-comma"),
        (export.bom, "--bom"),
        (export.header, "--header"),
        (export.sidecars, "--sidecars"),
    ];
    match said.iter().find(|(is_said, _)| *is_said) {
        Some((_, option)) => bail!(
            "{option} means nothing to SQLite: a cut-out has the record's own rows, in SI and UTC; leave it out"
        ),
        None => Ok(()),
    }
}

async fn chosen(export: &Export, record: &Readable) -> anyhow::Result<Option<Vec<ChannelId>>> {
    if export.channels.is_empty() {
        return Ok(None);
    }
    let known = record.channels().await?;
    let find = |name: &ChannelName| known.iter().find(|row| row.name == *name).map(|row| row.id);
    let mut ids = Vec::new();
    for name in export.names()? {
        let id = find(&name).with_context(|| {
            format!("the record has no channel `{name}`; `zonda run show` lists those of the run")
        })?;
        ids.push(id);
    }
    ids.sort_unstable();
    ids.dedup();
    Ok(Some(ids))
}
