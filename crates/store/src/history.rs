//! History for charts: a uniform grid of means, lows and highs, from rollups where they suffice and
//! from samples where they do not.

use std::collections::BTreeMap;

use futures::{StreamExt, TryStreamExt};
use zonda_model::{Quality, Stamp};

use crate::error::StoreError;
use crate::open::Readable;
use crate::read::Key;
use crate::rollup::{self, LONG_US, Row, SHORT_US, Summary};
use crate::row::ChannelId;

/// The steps that a grid may have, µs: 0.2 s to 1 h.
pub const RUNGS: [i64; 10] = [
    200_000,
    1_000_000,
    2_000_000,
    5_000_000,
    10_000_000,
    30_000_000,
    60_000_000,
    300_000_000,
    600_000_000,
    3_600_000_000,
];

/// Samples read at once, so that no read keeps the log from being folded in for long.
const PAGE: i64 = 50_000;

/// Channels read at once.
const READS: usize = 2;

/// A uniform grid over time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Grid {
    /// Where the first bucket begins, a multiple of the step.
    pub from: Stamp,
    /// The length of a bucket, µs.
    pub step_us: i64,
    /// How many buckets.
    pub count: usize,
}

impl Grid {
    /// The finest grid over `from` to `to` that has at most `most` buckets.
    pub fn over((from, to): (Stamp, Stamp), most: usize) -> Self {
        let most = i64::try_from(most.max(1)).unwrap_or(i64::MAX);
        let buckets =
            |step: i64| (to.micros() - 1).div_euclid(step) - from.micros().div_euclid(step) + 1;
        let finest = RUNGS.into_iter().find(|step| buckets(*step) <= most);
        let step_us = finest.unwrap_or_else(|| coarser(to.micros() - from.micros(), most));
        let begin = from.micros().div_euclid(step_us) * step_us;
        Self {
            from: Stamp::from_micros(begin),
            step_us,
            count: usize::try_from(buckets(step_us)).unwrap_or(0),
        }
    }

    /// Where the grid ends.
    pub fn to(&self) -> Stamp {
        let span = self
            .step_us
            .saturating_mul(i64::try_from(self.count).unwrap_or(i64::MAX));
        Stamp::from_micros(self.from.micros().saturating_add(span))
    }

    fn index(&self, at: Stamp) -> Option<usize> {
        usize::try_from((at.micros() - self.from.micros()).div_euclid(self.step_us))
            .ok()
            .filter(|index| *index < self.count)
    }
}

/// Whole hours, for stretches beyond the ladder.
fn coarser(span: i64, most: i64) -> i64 {
    let hour = RUNGS[RUNGS.len() - 1];
    (span / most / hour + 2) * hour
}

/// One bucket of one channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bucket {
    /// Samples in it.
    pub count: i64,
    /// Samples in it that have a value and nothing against it.
    pub good: i64,
    /// Mean of the values, SI; `None` where no sample had one.
    pub mean: Option<f64>,
    /// Lowest value.
    pub min: Option<f64>,
    /// Highest value.
    pub max: Option<f64>,
    /// Every flag in it.
    pub quality: Quality,
}

/// Buckets of each channel asked for, in the order asked; `None` where there is no sample.
#[derive(Clone, Debug, PartialEq)]
pub struct History {
    /// The grid.
    pub grid: Grid,
    /// By channel, then by bucket.
    pub channels: Vec<Vec<Option<Bucket>>>,
}

impl Readable {
    /// History of these channels on a grid.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn history(&self, channels: &[ChannelId], grid: Grid) -> Result<History, StoreError> {
        let mut columns = Columns::new(channels, grid);
        let mut from = grid.from;
        for step in [LONG_US, SHORT_US] {
            if grid.step_us % step != 0 {
                continue;
            }
            let front = rollup::front(&self.pool(), step).await?;
            let front = front.map_or(from, Stamp::from_micros).min(grid.to());
            if front > from {
                self.add_rollups(&mut columns, channels, step, (from, front))
                    .await?;
                from = front;
            }
        }
        self.add_samples(&mut columns, channels, (from, grid.to()))
            .await?;
        Ok(History {
            grid,
            channels: columns.finish(),
        })
    }

    async fn add_rollups(
        &self,
        columns: &mut Columns,
        channels: &[ChannelId],
        step: i64,
        (from, to): (Stamp, Stamp),
    ) -> Result<(), StoreError> {
        // Where the grid is coarser than the summaries, SQLite adds them up: a row that crosses over costs more than all its
        // sums. Flags cannot be added there, so rows of other flags stay apart until they are here; they are few.
        let (begin, grid_step) = (columns.grid.from.micros(), columns.grid.step_us);
        let (from, to) = (from.micros(), to.micros());
        let read = async |channel: ChannelId| {
            let rows = sqlx::query_as!(
                Row,
                r#"SELECT channel AS "channel!", ? + (at - ?) / ? * ? AS "at!: i64", sum(count) AS "count!: i64", sum(used) AS "used!: i64",
                          sum(good) AS "good!: i64", sum(mean * used) / sum(used) AS "mean: f64", min(min) AS "min: f64", max(max) AS "max: f64",
                          flags AS "flags!"
                   FROM rollup WHERE channel = ? AND step_us = ? AND at >= ? AND at < ? GROUP BY 2, flags"#,
                begin, begin, grid_step, grid_step,
                channel.0,
                step,
                from,
                to
            )
            .fetch_all(&self.pool())
            .await?;
            Ok::<_, StoreError>((channel, rows))
        };
        let reads = columns.distinct(channels).into_iter().map(read);
        let mut reads = futures::stream::iter(reads).buffered(READS);
        while let Some((channel, rows)) = reads.try_next().await? {
            for row in rows {
                if let Some(summary) = columns.bucket(channel, Stamp::from_micros(row.at)) {
                    summary.merge(&row.summary());
                }
            }
        }
        Ok(())
    }

    async fn add_samples(
        &self,
        columns: &mut Columns,
        channels: &[ChannelId],
        (from, to): (Stamp, Stamp),
    ) -> Result<(), StoreError> {
        if channels.is_empty() || from >= to {
            return Ok(());
        }
        let mut after = None;
        loop {
            let page = self
                .samples((from, to), Some(channels), after, PAGE)
                .await?;
            for sample in &page {
                if let Some(summary) = columns.bucket(sample.channel, sample.at) {
                    summary.add(sample.value, sample.quality);
                }
            }
            let Some(last) = page.last() else {
                return Ok(());
            };
            after = Some(Key {
                at: last.at,
                channel: last.channel,
            });
        }
    }
}

struct Columns {
    grid: Grid,
    places: BTreeMap<ChannelId, usize>,
    order: Vec<usize>,
    sums: Vec<Vec<Summary>>,
}

impl Columns {
    fn new(channels: &[ChannelId], grid: Grid) -> Self {
        let mut places = BTreeMap::new();
        for channel in channels {
            let next = places.len();
            places.entry(*channel).or_insert(next);
        }
        let order = channels
            .iter()
            .filter_map(|channel| places.get(channel).copied())
            .collect();
        let sums = vec![vec![Summary::EMPTY; grid.count]; places.len()];
        Self {
            grid,
            places,
            order,
            sums,
        }
    }

    /// The channels, each once.
    fn distinct(&self, channels: &[ChannelId]) -> Vec<ChannelId> {
        let mut seen = vec![false; self.sums.len()];
        let is_new = |channel: &&ChannelId| {
            self.places
                .get(channel)
                .is_some_and(|place| !std::mem::replace(&mut seen[*place], true))
        };
        channels.iter().filter(is_new).copied().collect()
    }

    fn bucket(&mut self, channel: ChannelId, at: Stamp) -> Option<&mut Summary> {
        let place = *self.places.get(&channel)?;
        let index = self.grid.index(at)?;
        self.sums[place].get_mut(index)
    }

    fn finish(self) -> Vec<Vec<Option<Bucket>>> {
        self.order
            .iter()
            .map(|place| self.sums[*place].iter().map(bucket_of).collect())
            .collect()
    }
}

fn bucket_of(summary: &Summary) -> Option<Bucket> {
    (summary.count > 0).then(|| Bucket {
        count: summary.count,
        good: summary.good,
        mean: summary.mean(),
        min: summary.min,
        max: summary.max,
        quality: summary.flags,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_grid_is_the_finest_rung_that_fits() {
        let night = (
            Stamp::from_millis(1_700_000_000_000),
            Stamp::from_millis(1_700_000_000_000 + 12 * 3_600_000),
        );
        assert_eq!(Grid::over(night, 4500).step_us, 10_000_000);
        assert_eq!(Grid::over(night, 4320).count, 4320);
        assert_eq!(Grid::over(night, 500).step_us, 300_000_000);
        let ten_years = (
            night.0,
            Stamp::from_millis(1_700_000_000_000 + 10 * 365 * 86_400_000),
        );
        assert!(Grid::over(ten_years, 1000).count <= 1000);
        let grid = Grid::over(night, 1000);
        assert!(grid.from <= night.0 && grid.to() >= night.1);
    }
}
