//! What is in memory and not in the file yet. No I/O, no clock.
//!
//! Here memory is bounded, and here is decided what happens when it is full: see [`Hand::sample`].

use std::collections::VecDeque;

use zonda_model::{Cause, Miss, Sample, Stamp};

use crate::book::GapBook;
use crate::commit::{Batch, ClockRow};
use crate::recorder::Event;
use crate::row::{ChannelId, guarded};
use crate::session::Session;

/// Samples of one commit at most: after a stall what was held goes into the file in slices that take
/// a fraction of a second each.
const BATCH_SAMPLES: usize = 20_000;

/// Events that memory holds while the disk takes nothing; further ones are counted and logged.
const EVENTS_MAX: usize = 10_000;

#[derive(Debug)]
pub(crate) struct Hand {
    samples: VecDeque<Sample<ChannelId>>,
    samples_max: usize,
    /// Samples and gaps of a batch whose commit is under way or has failed.
    out: usize,
    book: GapBook,
    events: Vec<Event>,
    events_lost: u64,
    clocks: Vec<ClockRow>,
    session: i64,
    next_batch: i64,
    /// The latest time handed in, and as the file will know it.
    alive: Stamp,
    told_alive: Stamp,
    lost: u64,
    /// Samples taken in and samples given out, since the start.
    taken: u64,
    given: u64,
}

impl Hand {
    pub(crate) fn new(session: Session, samples_max: usize) -> Self {
        Self {
            samples: VecDeque::new(),
            samples_max: samples_max.max(1),
            out: 0,
            book: session.book,
            events: Vec::new(),
            events_lost: 0,
            clocks: Vec::new(),
            session: session.id,
            next_batch: 1,
            alive: session.at,
            told_alive: session.at,
            lost: 0,
            taken: 0,
            given: 0,
        }
    }

    /// Takes a sample in; it ends its channel's gap.
    ///
    /// Where memory is full it is not kept: from its time on its channel has a gap with cause
    /// `disk_stalled`, in which it is counted, until the first sample that fits again. What was
    /// measured first is kept, so that one stall makes one gap.
    pub(crate) fn sample(&mut self, sample: Sample<ChannelId>) {
        self.alive(sample.at);
        if self.is_full() {
            self.lost += 1;
            self.book.miss(sample.channel, sample.at, &self.overflow(1));
            return;
        }
        self.taken += 1;
        self.book.sample(sample.channel, sample.at);
        self.samples.push_back(guarded(sample));
    }

    /// Takes ticks without a sample in.
    ///
    /// Where memory is full a new stretch would be one more thing to hold: the ticks are then counted
    /// in the channel's `disk_stalled` gap, so that each stays accounted for.
    pub(crate) fn miss(&mut self, channel: ChannelId, tick: Stamp, miss: &Miss) {
        self.alive(tick);
        let open = self.book.open_gap(channel);
        let goes_on = open.is_some_and(|gap| gap.cause == miss.cause);
        if goes_on || !self.is_full() {
            self.book.miss(channel, tick, miss);
        } else {
            self.book.miss(channel, tick, &self.overflow(miss.ticks));
        }
    }

    pub(crate) fn event(&mut self, event: Event) {
        self.alive(event.at);
        if self.events.len() < EVENTS_MAX {
            self.events.push(event);
            return;
        }
        self.events_lost += 1;
        tracing::warn!(
            kind = event.kind,
            subject = event.subject,
            "event not kept, memory is full: {}",
            event.text
        );
    }

    pub(crate) fn clock(&mut self, row: ClockRow) {
        self.clocks.push(row);
    }

    pub(crate) fn alive(&mut self, at: Stamp) {
        self.alive = self.alive.max(at);
    }

    /// The latest time handed in.
    pub(crate) fn newest(&self) -> Stamp {
        self.alive
    }

    /// Samples that neither disk nor memory could take.
    pub(crate) fn lost(&self) -> u64 {
        self.lost
    }

    /// Events that memory could not hold since this was asked last.
    pub(crate) fn take_events_lost(&mut self) -> u64 {
        std::mem::take(&mut self.events_lost)
    }

    /// Samples in memory, those of the batch under way included (and its gaps).
    pub(crate) fn held(&self) -> usize {
        self.samples.len() + self.out
    }

    /// Samples taken in so far; with [`given`](Self::given) it tells which batch a sample goes with.
    pub(crate) fn taken(&self) -> u64 {
        self.taken
    }

    /// Samples given out in batches so far.
    pub(crate) fn given(&self) -> u64 {
        self.given
    }

    /// True where the file knows everything.
    pub(crate) fn has_nothing(&self) -> bool {
        self.samples.is_empty()
            && self.book.news() == 0
            && self.events.is_empty()
            && self.clocks.is_empty()
            && self.alive == self.told_alive
    }

    /// True where one batch leaves samples behind.
    pub(crate) fn has_much(&self) -> bool {
        self.samples.len() > BATCH_SAMPLES
    }

    /// Gives the next batch out: the oldest samples, and everything else.
    pub(crate) fn take_batch(&mut self, is_ending: bool) -> Batch {
        let count = self.samples.len().min(BATCH_SAMPLES);
        let samples: Vec<_> = self.samples.drain(..count).collect();
        let is_all = self.samples.is_empty();
        self.told_alive = if is_all {
            self.alive
        } else {
            let latest = samples.iter().map(|sample| sample.at).max();
            latest.map_or(self.told_alive, |at| at.max(self.told_alive))
        };
        self.given += count as u64;
        let gaps = self.book.take_news();
        self.out = samples.len() + gaps.len();
        let number = self.next_batch;
        self.next_batch += 1;
        Batch {
            session: self.session,
            number,
            samples,
            gaps,
            events: std::mem::take(&mut self.events),
            clocks: std::mem::take(&mut self.clocks),
            alive: self.told_alive,
            is_last: is_ending && is_all,
        }
    }

    /// The batch that was given out is in the file.
    pub(crate) fn settled(&mut self) {
        self.out = 0;
    }

    /// True where memory holds as much as it may.
    pub(crate) fn is_full(&self) -> bool {
        self.samples.len() + self.book.news() + self.out >= self.samples_max
    }

    fn overflow(&self, ticks: u32) -> Miss {
        Miss {
            ticks,
            cause: Cause::DiskStalled,
            detail: format!(
                "the disk took nothing and memory was full ({} samples)",
                self.samples_max
            ),
        }
    }
}
