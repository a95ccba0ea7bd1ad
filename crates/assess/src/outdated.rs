//! Whether an outcome that was kept still rests on what the record says.

use zonda_model::{Stamp, TrueUtc};
use zonda_store::{CorrectionRow, Readable};

use crate::error::AssessError;
use crate::outcome::{Correction, Outcome};

/// The first correction, or undo of one, that was made after `outcome` was worked out and touches samples that it rests on; `None` where it still
/// holds.
///
/// # Errors
/// Its stretch cannot be read, or the file cannot be.
pub async fn outdated(
    record: &Readable,
    outcome: &Outcome,
) -> Result<Option<Correction>, AssessError> {
    let utc = TrueUtc::new(record.clock().await?);
    let stretch = &outcome.stretch;
    let pieces = utc.stretches(time(&stretch.from)?, time(&stretch.to)?);
    let channels = record.channels().await?;
    let since = outcome.basis.correction.unwrap_or(0);
    let mut first: Option<CorrectionRow> = None;
    for input in &outcome.inputs {
        let mut rows = channels.iter();
        let Some(row) = rows.find(|row| row.name.as_str() == input.channel) else {
            continue;
        };
        for piece in &pieces {
            let touching = record.corrections_touching(row.id, *piece).await?;
            let later = touching.into_iter().filter(|row| row.id > since);
            first = first.into_iter().chain(later).min_by_key(|row| row.id);
        }
    }
    Ok(first.map(|row| {
        let mut names = channels.iter();
        let channel = names.find(|known| known.id == row.channel);
        Correction {
            id: row.id,
            at: utc.of(row.at).to_string(),
            channel: channel.map_or_else(String::new, |row| row.name.to_string()),
            reason: row.reason,
            by: row.by,
        }
    }))
}

fn time(text: &str) -> Result<Stamp, AssessError> {
    let at = text.parse::<jiff::Timestamp>();
    let at = at.map_err(|why| AssessError::Ask(format!("`{text}` is not a time: {why}")))?;
    Ok(Stamp::from_micros(at.as_microsecond()))
}
