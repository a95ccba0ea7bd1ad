//! What a run as an SQLite file of its own asks of the record. The store makes the file.

use zonda_model::{ChannelName, Stamp};
use zonda_store::{CutAsk, Readable};

use super::ExportError;
use super::columns::pick;
use crate::run::RunFacts;

/// A run cut out, whole and with its part of the seal; or of these channels alone, and then without.
/// `now` is true UTC.
///
/// # Errors
/// The record has no such channel, or cannot be read.
pub async fn cut_ask(
    record: &Readable,
    run: &RunFacts,
    channels: Option<&[ChannelName]>,
    now: Stamp,
) -> Result<CutAsk, ExportError> {
    let channels = match channels {
        Some(names) => {
            let rows = pick(&record.channels().await?, names)?;
            let mut ids: Vec<_> = rows.iter().map(|row| row.id).collect();
            ids.sort_unstable();
            ids.dedup();
            Some(ids)
        }
        None => None,
    };
    Ok(CutAsk {
        run: run.row.entry.id,
        stretch: run.stretch,
        channels,
        program: concat!("zonda ", env!("CARGO_PKG_VERSION")).to_owned(),
        made: now,
    })
}
