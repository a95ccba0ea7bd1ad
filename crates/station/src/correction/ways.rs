//! How all codes of a record became values, and what follows from a code by that; for proofs and corrections alike.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use zonda_model::{Quality, Stamp, TrueUtc};
use zonda_signal::{Companion, Description, Mapping};
use zonda_store::{
    ChannelId, ChannelRow, CorrectionRow, Readable, Rule, SampleRow, StoreError, Verdict,
};

use crate::derived::Laws;

/// Flags that depend on what is read beside.
const BESIDE: Quality = Quality::OUTSIDE_ENVELOPE
    .union(Quality::BELOW_THRESHOLD)
    .union(Quality::ABOVE_ENVELOPE)
    .union(Quality::MOVED);

/// The station finds a channel absent by its neighbours, too, and says so with this flag.
const BY_OTHERS: Quality = Quality::UNCERTAIN;

/// How a channel's codes became values, for a while.
#[derive(Clone, Debug)]
pub(super) struct Way {
    pub(super) from: Stamp,
    to: Stamp,
    pub(super) mapping: Arc<Mapping>,
    pub(super) companion: Option<ChannelId>,
}

/// How all codes of a record became values.
#[derive(Clone, Debug)]
pub struct Ways {
    pub(super) channels: Vec<ChannelRow>,
    /// In the order of time, without overlaps. Where there is none, nothing is known.
    pub(super) of: BTreeMap<ChannelId, Vec<Way>>,
    pub(super) laws: Laws,
    pub(super) utc: TrueUtc,
}

/// What follows from a code.
struct Follows {
    value: Option<f64>,
    found: Quality,
    /// The flags that can be told.
    told: Quality,
}

impl Ways {
    /// Of a record: the mappings of its configurations, and over them the corrections in force. Where
    /// a correction is under way, nothing is known.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn of(record: &Readable) -> Result<Self, StoreError> {
        let (channels, mappings) = (record.channels().await?, record.mappings().await?);
        let utc = TrueUtc::new(record.clock().await?);
        let mut ways = Self {
            laws: Laws::of(&channels, &mappings, utc.clone()),
            channels,
            of: BTreeMap::new(),
            utc,
        };
        let end = Stamp::from_micros(i64::MAX);
        for row in mappings {
            // A text that is not understood is no way; the proof says how much it worked out.
            let mapping = row
                .text
                .parse::<Description>()
                .and_then(|text| text.rebuild());
            ways.put(row.channel, (row.since, end), mapping.ok());
        }
        for row in record.corrections().await? {
            ways.overlay(&row);
        }
        Ok(ways)
    }

    pub(super) fn overlay(&mut self, row: &CorrectionRow) {
        if row.is_in_force() && row.is_done() {
            let mapping = row
                .mapping
                .parse::<Description>()
                .and_then(|text| text.rebuild());
            self.put(row.channel, row.stretch, mapping.ok());
        } else if row.undone_by.is_none() && !row.is_done() {
            self.put(row.channel, row.stretch, None);
        }
    }

    /// Has one way, or none, in the place of what was there.
    pub(super) fn put(
        &mut self,
        channel: ChannelId,
        (from, to): (Stamp, Stamp),
        mapping: Option<Mapping>,
    ) {
        let companion = mapping
            .as_ref()
            .and_then(|mapping| mapping.companion())
            .and_then(|name| self.find(name.as_str()))
            .map(|row| row.id);
        let ways = self.of.entry(channel).or_default();
        let mut kept: Vec<Way> = Vec::new();
        for way in ways.drain(..) {
            if way.from < from.min(way.to) {
                kept.push(Way {
                    to: way.to.min(from),
                    ..way.clone()
                });
            }
            if way.to > to.max(way.from) {
                kept.push(Way {
                    from: way.from.max(to),
                    ..way
                });
            }
        }
        kept.extend(mapping.map(|mapping| Way {
            from,
            to,
            mapping: Arc::new(mapping),
            companion,
        }));
        kept.sort_by_key(|way| way.from);
        *ways = kept;
    }

    pub(super) fn find(&self, name: &str) -> Option<&ChannelRow> {
        self.channels.iter().find(|row| row.name.as_str() == name)
    }

    fn way(&self, channel: ChannelId, at: Stamp) -> Option<&Way> {
        let ways = self.of.get(&channel)?;
        let after = ways.partition_point(|way| way.from <= at);
        ways.get(after.checked_sub(1)?).filter(|way| at < way.to)
    }

    /// What follows from a sample's code, beside the others of its time; `None` where nothing can be
    /// told.
    fn follows(&self, row: &SampleRow, together: &[SampleRow]) -> Option<Follows> {
        let way = self.way(row.channel, row.at)?;
        let code = row.code?;
        let mut told = Mapping::FLAGS - BY_OTHERS;
        let beside = way.companion.map(|companion| {
            let found = together.iter().find(|other| other.channel == companion);
            found.map(|other| Companion {
                value: other.value,
                quality: other.quality - crate::mapper::FORGIVEN,
            })
        });
        let companion = match beside {
            None => Companion::NONE,
            Some(Some(companion)) => companion,
            // By its ticks it had one, which the record cannot tell.
            Some(None) if way.mapping.envelope().is_some() => {
                told -= BESIDE;
                Companion::NONE
            }
            Some(None) => return None,
        };
        let (value, mut found) = way.mapping.map_with(Some(code), companion);
        if value.is_some() && way.mapping.certificate().is_some() {
            found |= self.standing(&way.mapping, row.at);
        }
        Some(Follows {
            value,
            found: found & (told | BY_OTHERS),
            told,
        })
    }

    /// What the day says of a certificate.
    fn standing(&self, mapping: &Mapping, at: Stamp) -> Quality {
        let utc = self.utc.of(at);
        let day = Timestamp::from_microsecond(utc.micros()).ok();
        day.map_or(Quality::empty(), |utc| {
            mapping.standing(TimeZone::UTC.to_datetime(utc).date())
        })
    }

    /// Has the verdict on a record say where a derived sample does not follow from those of its inputs.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn prove_derived(
        &self,
        record: &Readable,
        (from, to): (Stamp, Stamp),
        verdict: &mut Verdict,
    ) -> Result<(), StoreError> {
        let channels: Vec<_> = self
            .laws
            .channels()
            .into_iter()
            .chain(self.laws.inputs())
            .collect();
        if self.laws.channels().is_empty() {
            return Ok(());
        }
        for (begin, end) in self.utc.stretches(from, to) {
            let cells = self.laws.cells(begin);
            let mut next = begin;
            while next < end {
                let (page, after) = record.whole_cells((next, end), &channels, cells).await?;
                for cell in page.chunk_by(|one, other| cells.begin(one.at) == cells.begin(other.at))
                {
                    let mut follows = cell.to_vec();
                    self.laws.work_out(&mut follows);
                    for (stored, follows) in cell.iter().zip(&follows) {
                        verdict.compare(stored, follows);
                    }
                }
                next = after;
            }
        }
        Ok(())
    }

    /// A stretch without the cells at its ends that are not whole: of a record that has nothing before and after it.
    pub fn whole_cells(&self, (from, to): (Stamp, Stamp)) -> (Stamp, Stamp) {
        let (first, last) = (self.laws.cells(from), self.laws.cells(to));
        let before = Stamp::from_micros(from.micros().saturating_sub(1));
        let begin = first.begin(before).micros().saturating_add(first.width_us);
        (Stamp::from_micros(begin), last.begin(to))
    }

    /// Works values and flags out for a proof: what can be told is set, everything else left.
    pub fn rule(self: Arc<Self>) -> Rule {
        Arc::new(move |together: &mut [SampleRow]| {
            for index in 0..together.len() {
                if let Some(follows) = self.follows(&together[index], together) {
                    let row = &mut together[index];
                    row.value = follows.value;
                    row.quality = (row.quality - follows.told) | follows.found;
                }
            }
        })
    }

    /// Works out what changes from these ways to other ones: of measured channels, the one that the others are judged by
    /// first, and then of those that are derived from them.
    pub(super) fn change(
        old: Arc<Self>,
        new: Arc<Self>,
        measured: Vec<ChannelId>,
        laws: Laws,
    ) -> Rule {
        let same_time = |one: &SampleRow, other: &SampleRow| one.at == other.at;
        Arc::new(move |cell: &mut [SampleRow]| {
            let before = cell.to_vec();
            let moments = before.chunk_by(same_time);
            for (was, now) in moments.zip(cell.chunk_by_mut(same_time)) {
                old.change_moment(&new, &measured, was, now);
            }
            laws.change(&before, cell);
        })
    }

    /// The samples of one time, as they were and as they become.
    fn change_moment(
        &self,
        new: &Self,
        measured: &[ChannelId],
        before: &[SampleRow],
        together: &mut [SampleRow],
    ) {
        for channel in measured {
            let Some(index) = before.iter().position(|row| row.channel == *channel) else {
                continue;
            };
            let was = self.follows(&before[index], before);
            let now = new.follows(&together[index], together);
            if let (Some(was), Some(now)) = (was, now) {
                let row = &mut together[index];
                row.value = now.value;
                row.quality = (row.quality - was.found) | now.found;
            }
        }
    }

    /// Channels that are judged by this one somewhere in a stretch.
    pub(super) fn judged_by(
        &self,
        channel: ChannelId,
        (from, to): (Stamp, Stamp),
    ) -> Vec<ChannelId> {
        let judged = self.of.iter().filter(|(_, ways)| {
            ways.iter()
                .any(|way| way.companion == Some(channel) && way.from < to && from < way.to)
        });
        judged
            .map(|(id, _)| *id)
            .filter(|id| *id != channel)
            .collect()
    }
}
impl Ways {
    pub(super) fn names(&self, channels: &[ChannelId]) -> String {
        let name = |id: &ChannelId| {
            self.channels
                .iter()
                .find(|row| row.id == *id)
                .map(|row| row.name.as_str())
        };
        channels
            .iter()
            .filter_map(name)
            .collect::<Vec<_>>()
            .join(", ")
    }

    pub(super) fn in_stretch(&self, channel: ChannelId, (from, to): (Stamp, Stamp)) -> Vec<&Way> {
        let ways = self.of.get(&channel).into_iter().flatten();
        ways.filter(|way| way.from < to && from < way.to).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a correction may change is what a mapping may set; the seal covers everything else.
    #[test]
    fn only_flags_of_a_mapping_can_be_told() {
        assert_eq!(zonda_store::MAPPED, Mapping::FLAGS);
    }
}
