//! A run as an SQLite file of its own.

use std::path::Path;

use anyhow::{Context, bail};
use jiff::Timestamp;
use zonda_model::Stamp;
use zonda_report::{RunFacts, cut_ask};
use zonda_store::Readable;

use super::{Export, bar};
use crate::whole_file::WholeFile;

/// Cuts the run out into the file.
pub(super) async fn write(export: &Export, record: &Readable) -> anyhow::Result<()> {
    let (Some(name), Some(path)) = (&export.run, &export.output) else {
        bail!(
            "SQLite is written of a run, into a file: say --run NAME and -o FILE.sqlite (`zonda run cut` makes a run of what is recorded)"
        );
    };
    let run = RunFacts::named(record, name).await?;
    let names = export.names()?;
    let names = (!names.is_empty()).then_some(names.as_slice());
    let now = Stamp::from_micros(Timestamp::now().as_microsecond());
    let ask = cut_ask(record, &run, names, now).await?;
    let file = WholeFile::create(path, export.force)?;
    let ids = ask.channels.clone();
    let ids = ids.unwrap_or_else(|| run.channels.iter().map(|row| row.id).collect());
    let bar = bar(record.count_samples_of(&ids, run.stretch).await?, true)?;
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
