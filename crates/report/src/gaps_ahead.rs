//! Gaps, read a little ahead of the samples that they lie between.

use std::collections::{HashMap, VecDeque};

use zonda_model::Stamp;
use zonda_store::{ChannelId, GapRow, Readable, StoreError};

use crate::grid::{Grid, Missing};

/// Gaps read at once.
const PAGE: i64 = 1000;

/// The gaps that touch a stretch, by their beginning. Holds a page at most.
#[derive(Debug)]
pub(crate) struct GapsAhead {
    range: (Stamp, Stamp),
    rows: VecDeque<GapRow>,
    after: Option<(Stamp, i64)>,
    is_end: bool,
}

impl GapsAhead {
    pub(crate) const fn new(range: (Stamp, Stamp)) -> Self {
        Self {
            range,
            rows: VecDeque::new(),
            after: None,
            is_end: false,
        }
    }

    /// Tells the grid the gaps that begin before `until`, a page of them at most. Returns up to
    /// where it now knows them all.
    pub(crate) async fn tell(
        &mut self,
        grid: &mut Grid,
        until: Stamp,
        record: &Readable,
        places: &HashMap<ChannelId, usize>,
    ) -> Result<Stamp, StoreError> {
        if self.rows.is_empty() && !self.is_end {
            self.load(record).await?;
        }
        while let Some(gap) = self.rows.pop_front_if(|gap| gap.from < until) {
            if let Some(column) = places.get(&gap.channel) {
                grid.gap(missing(&gap, *column));
            }
        }
        let is_told = self.is_end || !self.rows.is_empty();
        Ok(match self.after {
            Some((from, _)) if !is_told => from.min(until),
            _ => until,
        })
    }

    async fn load(&mut self, record: &Readable) -> Result<(), StoreError> {
        let page = record.gaps(self.range, self.after, PAGE).await?;
        self.is_end = page.is_empty();
        self.after = page.last().map(|gap| (gap.from, gap.id)).or(self.after);
        self.rows = page.into();
        Ok(())
    }
}

fn missing(gap: &GapRow, column: usize) -> Missing {
    Missing {
        column,
        from: gap.from,
        to: gap.to,
        cause: gap.cause,
    }
}
