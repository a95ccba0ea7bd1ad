//! Previews: what a correction would do, worked out without a change.

use std::collections::BTreeMap;

use zonda_model::Stamp;

use super::work::{differs, whole_cells, worked_out};
use super::{BadCorrection, Cells, CorrectionEntry, rows};
use crate::error::StoreError;
use crate::open::Readable;
use crate::read::SampleRow;
use crate::row::ChannelId;

/// Samples read at once.
const PAGE: i64 = 50_000;

/// What a correction would do.
#[derive(Clone, Debug, PartialEq)]
pub struct Preview {
    /// The channel itself first, then those that are judged by it and would change.
    pub channels: Vec<ChannelPreview>,
}

/// What it would do to one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelPreview {
    /// Which.
    pub channel: ChannelId,
    /// Samples in the stretch.
    pub samples: u64,
    /// Those whose value or flags would change.
    pub changed: u64,
    /// As it is.
    pub before: Side,
    /// As it would be.
    pub after: Side,
}

/// A channel over the stretch, before or after.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Side {
    /// The first value, SI.
    pub first: Option<f64>,
    /// The last value, SI.
    pub last: Option<f64>,
    /// The lowest, SI.
    pub min: Option<f64>,
    /// The highest, SI.
    pub max: Option<f64>,
    sum: f64,
    /// Samples with a value.
    pub values: u64,
    /// Samples with each flag, and those with nothing against them under the empty set.
    pub flags: BTreeMap<u32, u64>,
}

impl Side {
    fn add(&mut self, sample: &SampleRow) {
        for (_, flag) in sample.quality.iter_names() {
            *self.flags.entry(flag.bits()).or_default() += 1;
        }
        if sample.quality.is_good() {
            *self.flags.entry(0).or_default() += 1;
        }
        let Some(value) = sample.value else { return };
        self.first.get_or_insert(value);
        self.last = Some(value);
        self.min = Some(self.min.map_or(value, |min| min.min(value)));
        self.max = Some(self.max.map_or(value, |max| max.max(value)));
        self.sum += value;
        self.values += 1;
    }

    /// The mean of the values, SI.
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of samples stay far below 2^53"
    )]
    pub fn mean(&self) -> Option<f64> {
        (self.values > 0).then(|| self.sum / self.values as f64)
    }
}

impl Readable {
    /// Samples of channels from `from` on, up to `to` at most: of whole cells only, and where the next ones begin.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn whole_cells(
        &self,
        (from, to): (Stamp, Stamp),
        channels: &[ChannelId],
        cells: Cells,
    ) -> Result<(Vec<SampleRow>, Stamp), StoreError> {
        let mut limit = PAGE;
        loop {
            let page = self
                .samples((from, to), Some(channels), None, limit)
                .await?;
            match whole_cells(page, limit, to, cells) {
                Some(found) => return Ok(found),
                None => limit *= 2,
            }
        }
    }

    /// What a correction would do, and what speaks against it. Changes nothing.
    ///
    /// # Errors
    /// [`StoreError::Correction`], or the file cannot be read.
    pub async fn preview(&self, entry: &CorrectionEntry) -> Result<Preview, StoreError> {
        let mut connection = self.pool().acquire().await?;
        rows::refuse(&mut connection, entry).await?;
        drop(connection);
        let channels = entry.channels();
        let of = |channel: &ChannelId| ChannelPreview {
            channel: *channel,
            samples: 0,
            changed: 0,
            before: Side::default(),
            after: Side::default(),
        };
        let mut previews: Vec<_> = entry.written.iter().map(of).collect();
        let (mut from, to) = entry.reach();
        while from < to {
            let (page, next) = self.whole_cells((from, to), &channels, entry.cells).await?;
            let after = worked_out(&page, entry);
            for (before, after) in page.iter().zip(&after) {
                let is_beside = before.at < entry.stretch.0 || before.at >= entry.stretch.1;
                if is_beside && !differs(before, after) {
                    continue;
                }
                let found = previews
                    .iter_mut()
                    .find(|one| one.channel == before.channel);
                let Some(preview) = found else { continue };
                preview.samples += 1;
                preview.changed += u64::from(differs(before, after));
                preview.before.add(before);
                preview.after.add(after);
            }
            from = next;
        }
        if previews.first().is_none_or(|own| own.samples == 0) {
            let mut connection = self.pool().acquire().await?;
            let name = rows::name(&mut connection, entry.channel).await?;
            let (from, to) = entry.stretch;
            return Err(BadCorrection::NoSamples(name, from, to).into());
        }
        let own = entry.channel;
        previews.retain(|one| one.channel == own || one.changed > 0);
        Ok(Preview { channels: previews })
    }
}
