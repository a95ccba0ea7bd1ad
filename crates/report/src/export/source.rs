//! Where the rows come from: samples and gaps of one stretch after the other, a page at a time.

use std::collections::HashMap;
use std::panic::resume_unwind;

use tokio_util::task::AbortOnDropHandle;
use zonda_model::{Sample, Stamp};
use zonda_store::{ChannelId, Key, Readable, SampleRow, StoreError};

use crate::TrueUtc;
use crate::table::Column;

/// Samples read at once: some ten milliseconds of reading and 1 MB of memory, of which there are two.
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

/// A page under way.
type Reading = AbortOnDropHandle<Result<Vec<SampleRow>, StoreError>>;

/// What comes after the page at hand.
#[derive(Debug)]
enum Next {
    /// The first page.
    First,
    /// A page on its way.
    Page(Reading),
    /// Nothing more, however often it is asked for.
    Nothing,
}

/// Samples of one stretch, a page at a time. While one page is written the next one is read, and no more.
#[derive(Debug)]
pub(super) struct Samples {
    pub(super) range: (Stamp, Stamp),
    next: Next,
    pub(super) page: std::vec::IntoIter<Sample<usize>>,
}

impl Samples {
    pub(super) fn new(range: (Stamp, Stamp)) -> Self {
        Self {
            range,
            next: Next::First,
            page: Vec::new().into_iter(),
        }
    }

    /// Goes on with the next page where this one is used up. Returns false at the end of the stretch.
    pub(super) async fn turn_page(&mut self, source: &Source) -> Result<bool, StoreError> {
        while self.page.len() == 0 {
            let next = match std::mem::replace(&mut self.next, Next::Nothing) {
                Next::First => source.begin_page(self.range, None),
                Next::Page(reading) => reading,
                Next::Nothing => return Ok(false),
            };
            let rows = next
                .await
                .unwrap_or_else(|error| resume_unwind(error.into_panic()))?;
            let Some(last) = rows.last() else {
                return Ok(false);
            };
            let after = Key {
                at: last.at,
                channel: last.channel,
            };
            self.next = Next::Page(source.begin_page(self.range, Some(after)));
            let samples = rows.iter().filter_map(|row| source.placed(row));
            self.page = samples.collect::<Vec<_>>().into_iter();
        }
        Ok(true)
    }
}

impl Source {
    /// Begins to read a page, while others go on.
    fn begin_page(&self, range: (Stamp, Stamp), after: Option<Key>) -> Reading {
        let (record, keys) = (self.record.clone(), self.keys.clone());
        let read = async move { record.samples(range, keys.as_deref(), after, PAGE).await };
        AbortOnDropHandle::new(tokio::spawn(read))
    }

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
