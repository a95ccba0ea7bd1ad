//! Whoever carries a correction out, and what was cut short.

use zonda_model::Stamp;
use zonda_signal::Description;
use zonda_store::{CorrectionEntry, CorrectionRow, Readable, Recorder, StoreError, UndoEntry};

use super::refused::Refused;
use super::ways::Ways;
use super::{Change, Request, entry};

/// Who does it: the recorder at work, or nobody records and it is done on the file itself.
#[derive(Clone, Copy, Debug)]
pub enum Hands<'a> {
    /// Beside the recording.
    Recorder(&'a Recorder),
    /// On a file into which nobody records.
    Store(&'a zonda_store::Store),
}

impl Hands<'_> {
    /// Corrects; gives the correction's number.
    ///
    /// # Errors
    /// As [`Recorder::correct`].
    pub async fn correct(self, entry: CorrectionEntry) -> Result<i64, StoreError> {
        match self {
            Self::Recorder(recorder) => recorder.correct(entry).await,
            Self::Store(store) => store.correct(entry).await,
        }
    }

    /// Takes a correction back; gives the number under which.
    ///
    /// # Errors
    /// As [`Recorder::undo`].
    pub async fn undo(self, entry: UndoEntry) -> Result<i64, StoreError> {
        match self {
            Self::Recorder(recorder) => recorder.undo(entry).await,
            Self::Store(store) => store.undo(entry).await,
        }
    }

    /// Goes on with whatever was cut short; how much that was.
    ///
    /// # Errors
    /// A mapping cannot be understood any more, or the disk fails.
    pub async fn finish(self, record: &Readable) -> Result<usize, Refused> {
        let unfinished = record.unfinished().await?;
        for row in &unfinished {
            match (row.undoes, self) {
                (Some(_), Self::Recorder(recorder)) => recorder.go_on_undoing(row).await?,
                (Some(_), Self::Store(store)) => store.go_on_undoing(row).await?,
                (None, Self::Recorder(recorder)) => {
                    recorder.go_on(row, again(record, row).await?).await?
                }
                (None, Self::Store(store)) => store.go_on(row, again(record, row).await?).await?,
            };
        }
        Ok(unfinished.len())
    }
}

/// Goes on with what the last session left unfinished, beside the recording.
pub(crate) async fn finish(record: Readable, recorder: Recorder) {
    match Hands::Recorder(&recorder).finish(&record).await {
        Ok(0) => {}
        Ok(count) => tracing::info!(count, "corrections that were cut short are done"),
        Err(error) => tracing::warn!("a correction that was cut short stays so: {error}"),
    }
}

/// Makes a correction that was cut short ready to be gone on with.
///
/// # Errors
/// As [`prepare`].
async fn again(record: &Readable, row: &CorrectionRow) -> Result<CorrectionEntry, Refused> {
    let mut ways = Ways::of(record).await?;
    // What was in force before this one: its own stretch is not known while it is under way.
    let end = Stamp::from_micros(i64::MAX);
    for mapping in record.mappings().await? {
        if mapping.channel == row.channel {
            let text = mapping.text.parse::<Description>()?.rebuild()?;
            ways.put(row.channel, (mapping.since, end), Some(text));
        }
    }
    for other in record.corrections().await? {
        if other.channel == row.channel && other.id != row.id {
            ways.overlay(&other);
        }
    }
    let channel = ways
        .channels
        .iter()
        .find(|channel| channel.id == row.channel)
        .cloned();
    let channel = channel.ok_or_else(|| Refused::Unknown(format!("{}", row.channel.0)))?;
    let request = Request {
        channel: channel.name.to_string(),
        from: row.stretch.0,
        to: row.stretch.1,
        change: Change::Mapping(row.mapping.clone()),
        reason: row.reason.clone(),
        by: row.by.clone(),
    };
    let mapping = row.mapping.parse::<Description>()?.rebuild()?;
    Ok(entry(
        ways,
        &channel,
        row.stretch,
        mapping,
        &request,
        row.at,
    ))
}
