//! Where the rows come from: samples and gaps of one stretch after the other, a page at a time.

use std::collections::HashMap;

use zonda_model::{Sample, Stamp};
use zonda_store::{ChannelId, Key, Readable, SampleRow, StoreError};

use crate::TrueUtc;
use crate::table::Column;

/// Samples read at once: a few milliseconds of reading and 2 MB of memory.
pub(super) const PAGE: i64 = 20_000;

/// Where the rows come from.
#[derive(Debug)]
pub(super) struct Source {
    pub(super) record: Readable,
    pub(super) utc: TrueUtc,
    pub(super) columns: Vec<Column>,
    pub(super) places: HashMap<ChannelId, usize>,
    /// The keys to read; `None` where all are wanted.
    pub(super) keys: Option<Vec<ChannelId>>,
}

/// Samples of one stretch, a page at a time.
#[derive(Debug)]
pub(super) struct Samples {
    pub(super) range: (Stamp, Stamp),
    after: Option<Key>,
    pub(super) page: std::vec::IntoIter<Sample<usize>>,
}

impl Samples {
    pub(super) fn new(range: (Stamp, Stamp)) -> Self {
        Self {
            range,
            after: None,
            page: Vec::new().into_iter(),
        }
    }

    /// Reads on where the page is used up. Returns false at the end of the stretch.
    pub(super) async fn turn_page(&mut self, source: &Source) -> Result<bool, StoreError> {
        while self.page.len() == 0 {
            let rows = source
                .record
                .samples(self.range, source.keys.as_deref(), self.after, PAGE)
                .await?;
            let Some(last) = rows.last() else {
                return Ok(false);
            };
            self.after = Some(Key {
                at: last.at,
                channel: last.channel,
            });
            let samples = rows.iter().filter_map(|row| source.placed(row));
            self.page = samples.collect::<Vec<_>>().into_iter();
        }
        Ok(true)
    }
}

impl Source {
    /// A sample with the index of its column; `None` for a channel that is not wanted.
    pub(super) fn placed(&self, row: &SampleRow) -> Option<Sample<usize>> {
        let place = *self.places.get(&row.channel)?;
        Some(Sample {
            channel: place,
            at: row.at,
            code: row.code,
            value: row.value,
            quality: row.quality,
        })
    }
}

/// Gaps of one stretch, a page at a time.
#[derive(Debug, Default)]
pub(super) struct GapPages {
    pub(super) range: Option<(Stamp, Stamp)>,
    pub(super) after: Option<(Stamp, i64)>,
    /// Where the stretch before ended: a gap that reaches back over it is written already.
    pub(super) written_to: Option<Stamp>,
}

impl GapPages {
    pub(super) fn go_on(&mut self, range: (Stamp, Stamp)) {
        self.written_to = self.range.map(|(_, to)| to);
        self.range = Some(range);
        self.after = None;
    }
}

/// The parts of these stretches in which anything can be recorded: a wide layout has a record per
/// step, and must not have one for each before the first sample ever or in the days to come.
pub(super) async fn recorded(
    record: &Readable,
    stretches: Vec<(Stamp, Stamp)>,
) -> Result<Vec<(Stamp, Stamp)>, StoreError> {
    let Some((first, last)) = record.extent().await? else {
        return Ok(Vec::new());
    };
    let alive = record
        .sessions(1)
        .await?
        .first()
        .map_or(last, |session| session.alive);
    let end = Stamp::from_micros(last.max(alive).micros().saturating_add(1));
    let clipped = stretches
        .into_iter()
        .map(|(from, to)| (from.max(first), to.min(end)));
    Ok(clipped.filter(|(from, to)| from < to).collect())
}
