//! Derived values worked out anew, from what a record holds of their inputs.
//!
//! A proof compares with what is stored, and a correction of an input goes through all that is derived from it. Both
//! find the inputs as the station did: the first reading of each within the tick, on the UTC grid. Where the record
//! cannot tell which readings those were, nothing is said: beside a step of the clock, and where a reading came late.

use std::collections::BTreeSet;

use zonda_config::derived::{Law, recall};
use zonda_model::{Quality, Stamp, TrueUtc};
use zonda_store::{Cells, ChannelId, ChannelRow, MappingRow, SampleRow};

use super::{FLAGS, put_through};

/// A grid that is longer than this would need too many samples at once; what does not fit in it is left alone.
const WIDTH_MAX_US: i64 = 3_600_000_000;

/// Readings that may have been told in another order than that of their times.
const OUT_OF_ORDER: Quality = Quality::BACKLOG;

/// The laws of a record's derived channels.
#[derive(Clone, Debug, Default)]
pub(crate) struct Laws {
    /// What a law is fed with stands before it.
    ways: Vec<Way>,
    utc: TrueUtc,
}

/// A law, for a while.
#[derive(Clone, Debug)]
struct Way {
    channel: ChannelId,
    from: Stamp,
    to: Stamp,
    law: Law,
    inputs: Vec<ChannelId>,
    every_us: i64,
}

/// What follows for a derived sample.
struct Follows {
    value: Option<f64>,
    found: Quality,
}

impl Laws {
    /// `mappings` by channel and version.
    pub(crate) fn of(channels: &[ChannelRow], mappings: &[MappingRow], utc: TrueUtc) -> Self {
        let mut ways = Vec::new();
        for (index, row) in mappings.iter().enumerate() {
            let known = channels
                .iter()
                .map(|row| (&row.name, row.quantity, row.unit));
            let Some(recalled) = recall(&row.text, known) else {
                continue;
            };
            let next = mappings
                .get(index + 1)
                .filter(|next| next.channel == row.channel);
            ways.push(Way {
                channel: row.channel,
                from: row.since,
                to: next.map_or(Stamp::from_micros(i64::MAX), |next| next.since),
                law: recalled.law,
                inputs: recalled
                    .inputs
                    .iter()
                    .map(|index| channels[*index].id)
                    .collect(),
                every_us: recalled.every_us,
            });
        }
        sort_by_depth(&mut ways);
        Self { ways, utc }
    }

    /// By which law a channel is derived, and from what: as of the last time that it was.
    pub(crate) fn law(&self, channel: ChannelId) -> Option<(&Law, &[ChannelId])> {
        let mine = self.ways.iter().filter(|way| way.channel == channel);
        let last = mine.max_by_key(|way| way.from)?;
        Some((&last.law, &last.inputs))
    }

    /// Those laws that lead on from these channels within a stretch.
    pub(crate) fn fed_by(&self, channels: &[ChannelId], (from, to): (Stamp, Stamp)) -> Self {
        let mut feeding: BTreeSet<ChannelId> = channels.iter().copied().collect();
        let mut ways = Vec::new();
        for way in &self.ways {
            let is_fed = way.inputs.iter().any(|input| feeding.contains(input));
            if is_fed && way.from < to && from < way.to {
                feeding.insert(way.channel);
                ways.push(way.clone());
            }
        }
        Self {
            ways,
            utc: self.utc.clone(),
        }
    }

    /// The derived channels.
    pub(crate) fn channels(&self) -> BTreeSet<ChannelId> {
        self.ways.iter().map(|way| way.channel).collect()
    }

    /// What they are fed with.
    pub(crate) fn inputs(&self) -> BTreeSet<ChannelId> {
        self.ways
            .iter()
            .flat_map(|way| way.inputs.iter().copied())
            .collect()
    }

    /// The grid of which each cell has all that belongs together; `ahead` of UTC, as the axis is there.
    pub(crate) fn cells(&self, at: Stamp) -> Cells {
        if self.ways.is_empty() {
            return Cells::MOMENTS;
        }
        Cells {
            width_us: self.width_us(),
            origin: Stamp::from_micros(self.ahead_us(at)),
        }
    }

    fn width_us(&self) -> i64 {
        let together = |width: i64, way: &Way| {
            let both = width / greatest_common_divisor(width, way.every_us);
            both.checked_mul(way.every_us)
                .filter(|width| *width <= WIDTH_MAX_US)
                .unwrap_or(width)
        };
        self.ways.iter().fold(1, together)
    }

    fn ahead_us(&self, at: Stamp) -> i64 {
        at.micros() - self.utc.of(at).micros()
    }

    /// Sets values and flags of a cell's derived samples to what follows; what cannot be told stays. How many could be.
    pub(crate) fn work_out(&self, cell: &mut [SampleRow]) -> u64 {
        let mut told = 0;
        for way in &self.ways {
            for index in self.own(way, cell) {
                if let Some(follows) = self.follows(way, cell[index].at, cell) {
                    let row = &mut cell[index];
                    row.value = follows.value;
                    row.quality = (row.quality - FLAGS) | follows.found;
                    told += 1;
                }
            }
        }
        told
    }

    /// Carries a change of inputs on: `before` is the cell as it was. A sample that had no number has none to change.
    pub(crate) fn change(&self, before: &[SampleRow], cell: &mut [SampleRow]) {
        for way in &self.ways {
            for index in self.own(way, cell) {
                let at = cell[index].at;
                let (was, now) = (self.follows(way, at, before), self.follows(way, at, cell));
                let row = &mut cell[index];
                if let (Some(was), Some(now), Some(_)) = (was, now, row.code) {
                    row.value = now.value;
                    row.quality = (row.quality - was.found) | now.found;
                }
            }
        }
    }

    /// Where the samples of a law stand in a cell.
    fn own(&self, way: &Way, cell: &[SampleRow]) -> Vec<usize> {
        let is_own =
            |row: &SampleRow| row.channel == way.channel && way.from <= row.at && row.at < way.to;
        let fits = self.width_us() % way.every_us == 0;
        let rows = cell
            .iter()
            .enumerate()
            .filter(|(_, row)| fits && is_own(row));
        rows.map(|(index, _)| index).collect()
    }

    fn follows(&self, way: &Way, at: Stamp, cell: &[SampleRow]) -> Option<Follows> {
        let ahead = self.ahead_us(at);
        let beside =
            [-2 * way.every_us, way.every_us].map(|by| Stamp::from_micros(at.micros() + by));
        if beside.iter().any(|at| self.ahead_us(*at) != ahead) {
            return None;
        }
        let slot = |at: Stamp| (at.micros() - ahead).div_euclid(way.every_us);
        let mine = slot(at);
        let mut inputs = Vec::with_capacity(way.inputs.len());
        for input in &way.inputs {
            let first = cell
                .iter()
                .find(|row| row.channel == *input && slot(row.at) == mine)?;
            if first.quality.intersects(OUT_OF_ORDER) {
                return None;
            }
            inputs.push((first.value, first.quality));
        }
        let (value, found) = put_through(&way.law, &inputs);
        Some(Follows { value, found })
    }
}

/// Feeding goes downwards within each configuration; over several of them, what cannot be put in order stays as it is.
fn sort_by_depth(ways: &mut [Way]) {
    let mut depths = vec![0_usize; ways.len()];
    for _ in 0..ways.len() {
        let deeper = |way: &Way| {
            let feeding = ways
                .iter()
                .zip(&depths)
                .filter(|(other, _)| way.inputs.contains(&other.channel));
            feeding.map(|(_, depth)| depth + 1).max().unwrap_or(0)
        };
        let next: Vec<usize> = ways.iter().map(deeper).collect();
        if next == depths {
            break;
        }
        depths = next;
    }
    let mut order: Vec<usize> = (0..ways.len()).collect();
    order.sort_by_key(|index| depths[*index]);
    let sorted: Vec<Way> = order.into_iter().map(|index| ways[index].clone()).collect();
    ways.clone_from_slice(&sorted);
}

const fn greatest_common_divisor(one: i64, other: i64) -> i64 {
    let (mut one, mut other) = (one, other);
    while other != 0 {
        (one, other) = (other, one % other);
    }
    one
}
