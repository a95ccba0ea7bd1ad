//! One walk over the samples of a run: what each channel holds, quality by quality, and where it is flagged.

use zonda_evaluate::Moments;
use zonda_model::{Quality, Stamp};
use zonda_store::{ChannelId, Key, Readable, SampleRow, StoreError};

use crate::fold::Fold;
use crate::run::RunFacts;

/// Samples read at once: some milliseconds of reading and 1 MB of memory.
const PAGE: i64 = 20_000;

/// Flagged stretches that are told apart; more are folded together.
const FLAGGED_MAX: usize = 400;

/// The samples of one channel that have the same quality. Values are SI.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Tally {
    pub(crate) quality: Quality,
    /// How many there are.
    pub(crate) count: i64,
    /// Of those that have a value.
    pub(crate) moments: Moments,
    pub(crate) first: Stamp,
    pub(crate) last: Stamp,
}

/// What the samples of a run come to.
#[derive(Debug)]
pub(crate) struct Survey {
    /// The channels by their keys, and their places in the run.
    places: Vec<(ChannelId, usize)>,
    /// By place in the run: the furthest that samples which follow each other are apart, µs.
    touching: Vec<i64>,
    tallies: Vec<Vec<Tally>>,
    /// Flagged stretches, by channel and flags: what says more than that a reading was played.
    pub(crate) flagged: Fold<(ChannelId, u32)>,
}

impl Survey {
    /// Walks over all of them, page by page.
    ///
    /// # Errors
    /// The record cannot be read.
    pub(crate) async fn of(record: &Readable, run: &RunFacts) -> Result<Self, StoreError> {
        let mut survey = Self::new(run);
        let ids: Vec<_> = run.channels.iter().map(|row| row.id).collect();
        let range = (run.stretch.from, run.stretch.to);
        let mut after = None;
        loop {
            let page = record.samples(range, Some(&ids), after, PAGE).await?;
            let Some(last) = page.last() else {
                return Ok(survey.sorted());
            };
            after = Some(Key {
                at: last.at,
                channel: last.channel,
            });
            for sample in &page {
                survey.take(sample);
            }
        }
    }

    fn new(run: &RunFacts) -> Self {
        let ids = run.channels.iter().map(|row| row.id);
        let mut places: Vec<_> = ids.zip(0..).collect();
        places.sort_unstable();
        // Samples follow each other where less than half of one is missing between them.
        let touching = run
            .channels
            .iter()
            .map(|row| row.period_us + row.period_us / 2);
        Self {
            places,
            touching: touching.collect(),
            tallies: vec![Vec::new(); run.channels.len()],
            flagged: Fold::new(FLAGGED_MAX),
        }
    }

    fn take(&mut self, sample: &SampleRow) {
        let found = self
            .places
            .binary_search_by_key(&sample.channel, |(id, _)| *id);
        let Ok(found) = found else { return };
        let place = self.places[found].1;
        let flags = sample.quality - Quality::SIMULATED;
        if !flags.is_empty() {
            let (kind, touching) = ((sample.channel, flags.bits()), self.touching[place]);
            self.flagged.take(kind, (sample.at, sample.at), 1, touching);
        }
        let tallies = &mut self.tallies[place];
        let known = tallies.iter().position(|own| own.quality == sample.quality);
        let known = known.unwrap_or_else(|| {
            tallies.push(Tally {
                quality: sample.quality,
                count: 0,
                moments: Moments::default(),
                first: sample.at,
                last: sample.at,
            });
            tallies.len() - 1
        });
        let tally = &mut tallies[known];
        tally.count += 1;
        tally.last = sample.at;
        if let Some(value) = sample.value {
            tally.moments.push(value);
        }
    }

    /// With the qualities of each channel in the order of their flags.
    fn sorted(mut self) -> Self {
        for tallies in &mut self.tallies {
            tallies.sort_by_key(|tally| tally.quality.bits());
        }
        self
    }

    /// By channel of the run.
    pub(crate) fn tallies(&self) -> &[Vec<Tally>] {
        &self.tallies
    }

    /// True where any sample bears the mark.
    pub(crate) fn is_simulated(&self) -> bool {
        let mut all = self.tallies.iter().flatten();
        all.any(|tally| tally.quality.contains(Quality::SIMULATED))
    }
}
