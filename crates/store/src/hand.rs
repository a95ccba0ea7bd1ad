//! What is in memory and not in the file yet. No I/O, no clock.
//!
//! Here memory is bounded, and here is decided what happens when it is full: see [`Hand::sample`].

use zonda_model::{Cause, Miss, Sample, Stamp};

use crate::book::GapBook;
use crate::commit::{Batch, ClockRow};
use crate::loop_check::LoopCheckEntry;
use crate::recorder::Event;
use crate::row::{ChannelId, guarded};
use crate::run::RunChange;
use crate::session::Session;

/// Events that memory holds while the disk takes nothing; further ones are counted and logged.
const EVENTS_MAX: usize = 10_000;

/// Changes of the clock that memory holds; a further one takes the place of the last, so that the
/// present distance from UTC is always known.
const CLOCKS_MAX: usize = 10_000;

/// A batch is everything in hand, however long the disk took nothing: what is said of a time (samples,
/// gaps, that the daemon was alive) gets into the file together or not at all. Some million samples
/// take a few seconds then.
#[derive(Debug)]
pub(crate) struct Hand {
    samples: Vec<Sample<ChannelId>>,
    samples_max: usize,
    /// Samples and gaps of a batch whose commit is under way or has failed.
    samples_out: usize,
    gaps_out: usize,
    book: GapBook,
    events: Vec<Event>,
    events_lost: u64,
    clocks: Vec<ClockRow>,
    /// Few: some rows for each run that is open, and what people say of runs, who wait for the disk.
    runs: Vec<RunChange>,
    /// Few: a person stands behind each.
    loop_checks: Vec<LoopCheckEntry>,
    session: i64,
    next_batch: i64,
    /// The latest time handed in, and as the file will know it.
    alive: Stamp,
    told_alive: Stamp,
    lost: u64,
}

impl Hand {
    pub(crate) fn new(session: Session, samples_max: usize) -> Self {
        Self {
            samples: Vec::new(),
            samples_max: samples_max.max(1),
            samples_out: 0,
            gaps_out: 0,
            book: session.book,
            events: Vec::new(),
            events_lost: 0,
            clocks: Vec::new(),
            runs: Vec::new(),
            loop_checks: Vec::new(),
            session: session.id,
            next_batch: 1,
            alive: session.at,
            told_alive: session.at,
            lost: 0,
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
        self.book.sample(sample.channel, sample.at);
        self.samples.push(guarded(sample));
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
        if self.clocks.len() == CLOCKS_MAX {
            self.clocks.pop();
        }
        self.clocks.push(row);
    }

    pub(crate) fn runs(&mut self, mut changes: Vec<RunChange>) {
        self.runs.append(&mut changes);
    }

    pub(crate) fn loop_check(&mut self, check: LoopCheckEntry) {
        self.loop_checks.push(check);
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

    /// Samples in memory, those of the batch under way included.
    pub(crate) fn held(&self) -> usize {
        self.samples.len() + self.samples_out
    }

    /// True where the file knows everything.
    pub(crate) fn has_nothing(&self) -> bool {
        self.samples.is_empty()
            && self.book.news() == 0
            && self.events.is_empty()
            && self.clocks.is_empty()
            && self.runs.is_empty()
            && self.loop_checks.is_empty()
            && self.alive == self.told_alive
    }

    /// Gives everything out.
    pub(crate) fn take_batch(&mut self, is_last: bool) -> Batch {
        self.told_alive = self.alive;
        let samples = std::mem::take(&mut self.samples);
        let gaps = self.book.take_news();
        (self.samples_out, self.gaps_out) = (samples.len(), gaps.len());
        let number = self.next_batch;
        self.next_batch += 1;
        Batch {
            session: self.session,
            number,
            samples,
            gaps,
            events: std::mem::take(&mut self.events),
            clocks: std::mem::take(&mut self.clocks),
            runs: std::mem::take(&mut self.runs),
            loop_checks: std::mem::take(&mut self.loop_checks),
            alive: self.alive,
            is_last,
        }
    }

    /// The batch that was given out is in the file.
    pub(crate) fn settled(&mut self) {
        (self.samples_out, self.gaps_out) = (0, 0);
    }

    /// True where memory holds as much as it may.
    pub(crate) fn is_full(&self) -> bool {
        self.held() + self.book.news() + self.gaps_out >= self.samples_max
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
