//! The gap book: which channels are missing at present, why, and what of that the file does not know yet.

use std::collections::{BTreeMap, BTreeSet};

use zonda_model::{Cause, Miss, Stamp};

use crate::row::ChannelId;

/// How long the number of missed ticks of an open gap may be behind in the file, µs. Opening and
/// closing are written at once; a bench that is dead all night should not write all night.
const COUNT_BEHIND_US: i64 = 60_000_000;

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

/// Gaps by channel. At most one is open for each.
#[derive(Clone, Debug, Default)]
pub(crate) struct GapBook {
    open: BTreeMap<ChannelId, GapEntry>,
    written_at: BTreeMap<ChannelId, Stamp>,
    stale: BTreeSet<ChannelId>,
    closed: Vec<GapEntry>,
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
        match self.open.get_mut(&channel) {
            Some(gap) if gap.cause == miss.cause => {
                gap.missed += ticks;
                let written = self.written_at.get(&channel).copied().unwrap_or_default();
                if tick.micros() - written.micros() >= COUNT_BEHIND_US {
                    self.stale.insert(channel);
                    self.written_at.insert(channel, tick);
                }
            }
            _ => {
                self.close(channel, tick);
                self.open_at(channel, tick, miss.cause, ticks, &miss.detail);
            }
        }
    }

    /// Opens a gap whose missed ticks are known.
    pub(crate) fn open_at(
        &mut self,
        channel: ChannelId,
        from: Stamp,
        cause: Cause,
        missed: i64,
        detail: &str,
    ) {
        self.close(channel, from);
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
        self.open.insert(channel, gap);
        self.stale.insert(channel);
        self.written_at.insert(channel, from);
    }

    /// A sample of this channel came: its gap, if any, ends here.
    pub(crate) fn close(&mut self, channel: ChannelId, at: Stamp) {
        if let Some(mut gap) = self.open.remove(&channel) {
            gap.to = Some(at.max(gap.from));
            self.closed.push(gap);
            self.stale.remove(&channel);
        }
    }

    pub(crate) fn open_gap(&self, channel: ChannelId) -> Option<&GapEntry> {
        self.open.get(&channel)
    }

    /// Takes out what the file does not know yet.
    pub(crate) fn take_news(&mut self) -> Vec<GapEntry> {
        let stale = std::mem::take(&mut self.stale);
        let mut news = std::mem::take(&mut self.closed);
        news.extend(
            stale
                .iter()
                .filter_map(|channel| self.open.get(channel).cloned()),
        );
        news
    }

    /// Makes everything open news, at an orderly end.
    pub(crate) fn mark_all(&mut self) {
        self.stale.extend(self.open.keys().copied());
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
        book.close(CHANNEL, second(10));
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
    fn an_open_gap_is_news_at_once_and_then_once_a_minute() {
        let mut book = GapBook::new(1, Vec::new());
        let mut news = 0;
        for s in 0..600 {
            book.miss(CHANNEL, second(s), &miss(Cause::Unplugged));
            news += book.take_news().len();
        }
        assert_eq!(news, 10);
    }
}
