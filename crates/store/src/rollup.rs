//! Rollups: what happened in each bucket of 10 s and 10 min, as the data comes in.
//!
//! A bucket is written once it is over; a rebuild from samples goes through the same arithmetic in
//! the same order and gives the same bits.

use std::collections::BTreeMap;

use zonda_model::{Quality, Sample, Stamp};

use crate::row::ChannelId;

/// The lengths of buckets, µs.
pub(crate) const STEPS_US: [i64; 2] = [10_000_000, 600_000_000];

/// What is known of one bucket.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Summary {
    pub(crate) count: i64,
    pub(crate) valued: i64,
    pub(crate) good: i64,
    sum: f64,
    pub(crate) min: Option<f64>,
    pub(crate) max: Option<f64>,
    pub(crate) flags: Quality,
}

impl Summary {
    pub(crate) const EMPTY: Self = Self {
        count: 0,
        valued: 0,
        good: 0,
        sum: 0.0,
        min: None,
        max: None,
        flags: Quality::empty(),
    };

    pub(crate) fn add(&mut self, value: Option<f64>, quality: Quality) {
        self.count += 1;
        self.flags |= quality;
        let Some(value) = value else { return };
        self.valued += 1;
        self.good += i64::from(quality.is_good());
        self.sum += value;
        self.min = Some(self.min.map_or(value, |min| min.min(value)));
        self.max = Some(self.max.map_or(value, |max| max.max(value)));
    }

    /// Takes in a bucket that was stored.
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of samples in one bucket"
    )]
    pub(crate) fn merge(
        &mut self,
        count: i64,
        valued: i64,
        good: i64,
        mean: Option<f64>,
        ends: (Option<f64>, Option<f64>),
        flags: Quality,
    ) {
        self.count += count;
        self.valued += valued;
        self.good += good;
        self.sum += mean.unwrap_or(0.0) * valued as f64;
        let (min, max) = ends;
        self.min = min.into_iter().chain(self.min).reduce(f64::min);
        self.max = max.into_iter().chain(self.max).reduce(f64::max);
        self.flags |= flags;
    }

    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of samples in one bucket"
    )]
    pub(crate) fn mean(&self) -> Option<f64> {
        (self.valued > 0).then(|| self.sum / self.valued as f64)
    }
}

/// One finished bucket.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct RollupRow {
    pub(crate) channel: ChannelId,
    pub(crate) step_us: i64,
    pub(crate) at: Stamp,
    pub(crate) summary: Summary,
}

/// Buckets that are not over yet.
#[derive(Clone, Debug, Default)]
pub(crate) struct Rollups {
    open: BTreeMap<(ChannelId, i64, Stamp), Summary>,
    newest: Stamp,
}

impl Rollups {
    pub(crate) fn add(&mut self, sample: &Sample<ChannelId>) {
        for step_us in STEPS_US {
            let at = bucket(sample.at, step_us);
            self.open
                .entry((sample.channel, step_us, at))
                .or_insert(Summary::EMPTY)
                .add(sample.value, sample.quality);
        }
        self.newest = self.newest.max(sample.at);
    }

    /// Takes out the buckets that ended before the newest sample. They stay out: a sample that comes
    /// later still than that is in the record, and a rebuild counts it.
    pub(crate) fn take_finished(&mut self) -> Vec<RollupRow> {
        let newest = self.newest;
        let is_over = |key: &(ChannelId, i64, Stamp)| key.2.micros() + key.1 <= newest.micros();
        let keys: Vec<_> = self.open.keys().copied().filter(is_over).collect();
        keys.into_iter()
            .filter_map(|key| self.open.remove(&key).map(|summary| row(key, summary)))
            .collect()
    }

    /// All buckets, finished or not, as they stand.
    pub(crate) fn all(&self) -> Vec<RollupRow> {
        self.open
            .iter()
            .map(|(key, summary)| row(*key, *summary))
            .collect()
    }
}

const fn row((channel, step_us, at): (ChannelId, i64, Stamp), summary: Summary) -> RollupRow {
    RollupRow {
        channel,
        step_us,
        at,
        summary,
    }
}

/// Where the bucket begins that `at` falls into.
pub(crate) const fn bucket(at: Stamp, step_us: i64) -> Stamp {
    Stamp::from_micros(at.micros() - at.micros().rem_euclid(step_us))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn samples(steps: &[(u32, Option<f64>)]) -> Vec<Sample<ChannelId>> {
        let mut at = 1_700_000_000_000_000;
        steps
            .iter()
            .map(|(step, value)| {
                at += i64::from(*step) + 1;
                Sample {
                    channel: ChannelId(1),
                    at: Stamp::from_micros(at),
                    code: None,
                    value: *value,
                    quality: Quality::empty(),
                }
            })
            .collect()
    }

    proptest! {
        #[test]
        fn buckets_do_not_depend_on_how_commits_cut_the_stream(
            steps in proptest::collection::vec((0u32..4_000_000, proptest::option::of(-50.0..500.0)), 1..200),
            cut in 1usize..50,
        ) {
            let samples = samples(&steps);
            let mut whole = Rollups::default();
            samples.iter().for_each(|sample| whole.add(sample));
            let mut expected = whole.take_finished();
            expected.extend(whole.all());

            let mut pieces = Rollups::default();
            let mut found = Vec::new();
            for piece in samples.chunks(cut) {
                piece.iter().for_each(|sample| pieces.add(sample));
                found.extend(pieces.take_finished());
            }
            found.extend(pieces.all());
            let key = |row: &RollupRow| (row.step_us, row.at);
            expected.sort_by_key(key);
            found.sort_by_key(key);
            prop_assert_eq!(expected, found);
        }
    }
}
