//! The gap book: which channels are missing at present, why, and what of that the file does not know yet.

use std::collections::BTreeMap;
use std::time::Duration;

use zonda_model::{Cause, Miss, Stamp};

use crate::row::ChannelId;

/// The smallest step of the axis.
const MICROSECOND: Duration = Duration::from_micros(1);

/// One gap as it goes into the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct GapEntry {
    pub(crate) id: i64,
    pub(crate) channel: ChannelId,
    pub(crate) from: Stamp,
    pub(crate) to: Option<Stamp>,
    pub(crate) cause: Cause,
    pub(crate) missed: i64,
    pub(crate) detail: String,
}

/// Gaps by channel. At most one is open for each, and none holds a sample.
///
/// Every change is told to the file with the next commit, the count of an open gap too: it is one
/// page for all channels, less than their samples would be, and exact after a power cut.
#[derive(Clone, Debug, Default)]
pub(crate) struct GapBook {
    open: BTreeMap<ChannelId, GapEntry>,
    changed: BTreeMap<i64, GapEntry>,
    last_sample: BTreeMap<ChannelId, Stamp>,
    next_id: i64,
}

impl GapBook {
    /// A book whose next gap gets this key, with the gaps that are open in the file.
    pub(crate) fn new(next_id: i64, open: Vec<GapEntry>) -> Self {
        Self {
            open: open.into_iter().map(|gap| (gap.channel, gap)).collect(),
            next_id,
            ..Self::default()
        }
    }

    /// Ticks of this channel, from `tick` on, brought nothing.
    pub(crate) fn miss(&mut self, channel: ChannelId, tick: Stamp, miss: &Miss) {
        let ticks = i64::from(miss.ticks);
        match self.open.get(&channel) {
            Some(gap) if gap.cause == miss.cause => self.extend(channel, ticks),
            _ => self.open_at(channel, tick, miss.cause, ticks, &miss.detail),
        }
    }

    /// The open gap of this channel goes on.
    pub(crate) fn extend(&mut self, channel: ChannelId, missed: i64) {
        if let Some(gap) = self.open.get_mut(&channel) {
            gap.missed += missed;
            self.changed.insert(gap.id, gap.clone());
        }
    }

    /// Opens a gap whose missed ticks are known, and ends the one before it.
    pub(crate) fn open_at(
        &mut self,
        channel: ChannelId,
        from: Stamp,
        cause: Cause,
        missed: i64,
        detail: &str,
    ) {
        let from = match self.close(channel, from) {
            Some(end) => end,
            None => self.after_last_sample(channel, from),
        };
        let gap = GapEntry {
            id: self.next_id,
            channel,
            from,
            to: None,
            cause,
            missed,
            detail: detail.to_owned(),
        };
        self.next_id += 1;
        self.changed.insert(gap.id, gap.clone());
        self.open.insert(channel, gap);
    }

    /// A sample of this channel came: its gap ends here, unless the sample was taken before that
    /// began (it waited in a buffer).
    pub(crate) fn sample(&mut self, channel: ChannelId, at: Stamp) {
        let last = self.last_sample.entry(channel).or_insert(at);
        *last = at.max(*last);
        if self.open.get(&channel).is_some_and(|gap| gap.from <= at) {
            self.close(channel, at);
        }
    }

    pub(crate) fn open_gap(&self, channel: ChannelId) -> Option<&GapEntry> {
        self.open.get(&channel)
    }

    /// How many gaps the file does not know as they are.
    pub(crate) fn news(&self) -> usize {
        self.changed.len()
    }

    /// Takes out what the file does not know yet.
    pub(crate) fn take_news(&mut self) -> Vec<GapEntry> {
        std::mem::take(&mut self.changed).into_values().collect()
    }

    /// A gap has a length, and ends where the next one begins.
    fn close(&mut self, channel: ChannelId, at: Stamp) -> Option<Stamp> {
        let mut gap = self.open.remove(&channel)?;
        let end = at.max(gap.from.plus(MICROSECOND));
        gap.to = Some(end);
        self.changed.insert(gap.id, gap);
        Some(end)
    }

    fn after_last_sample(&self, channel: ChannelId, at: Stamp) -> Stamp {
        let last = self.last_sample.get(&channel);
        last.map_or(at, |last| at.max(last.plus(MICROSECOND)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CHANNEL: ChannelId = ChannelId(7);

    fn miss(cause: Cause) -> Miss {
        Miss {
            ticks: 1,
            cause,
            detail: "no answer within 300 ms".to_owned(),
        }
    }

    fn second(s: i64) -> Stamp {
        Stamp::from_millis(s * 1000)
    }

    #[test]
    fn one_row_a_stretch_and_a_new_one_where_the_cause_changes() {
        let mut book = GapBook::new(1, Vec::new());
        for s in 0..3 {
            book.miss(CHANNEL, second(s), &miss(Cause::Timeout));
        }
        for s in 3..10 {
            book.miss(CHANNEL, second(s), &miss(Cause::NoAnswer));
        }
        book.sample(CHANNEL, second(10));
        let told: Vec<_> = book
            .take_news()
            .into_iter()
            .map(|gap| (gap.id, gap.cause, gap.from, gap.to, gap.missed))
            .collect();
        assert_eq!(
            told,
            [
                (1, Cause::Timeout, second(0), Some(second(3)), 3),
                (2, Cause::NoAnswer, second(3), Some(second(10)), 7)
            ]
        );
        assert_eq!(book.take_news(), []);
    }

    #[test]
    fn a_gap_holds_no_sample() {
        let mut book = GapBook::new(1, Vec::new());
        book.sample(CHANNEL, second(5));
        // The tick before was given up only after its late answer had come.
        book.miss(CHANNEL, second(4), &miss(Cause::Timeout));
        // A sample that waited in the device's buffer does not end the gap that began later.
        book.sample(CHANNEL, second(3));
        let gap = book.open_gap(CHANNEL).unwrap();
        assert_eq!(gap.from, second(5).plus(MICROSECOND));
        book.sample(CHANNEL, second(6));
        assert_eq!(book.take_news()[0].to, Some(second(6)));
    }
}
