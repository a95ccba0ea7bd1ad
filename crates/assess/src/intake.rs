//! Samples of a stretch, page by page, counted and averaged on their way to whoever evaluates them.
//!
//! Memory stays the same however long the stretch is: a page, and some 30 KiB a channel. Between pages it is told how far
//! the reading is, and asked whether to go on.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use zonda_evaluate::mean::TooLittle;
use zonda_evaluate::{Averaging, Mean, MeanRule, Reading, Sieve, Stretch, Tally as Used};
use zonda_model::{ChannelName, Period, Quality, Quantity, Stamp, Unit};
use zonda_store::{ChannelId, Key, Readable};

use crate::error::AssessError;
use crate::outcome::Tally;
use crate::work::Watch;

/// Samples of one page: a tenth of a second's reading or so.
const PAGE: i64 = 20_000;
/// Gaps of one page.
const GAPS: i64 = 1_000;
const FLAGS: usize = 32;

/// A channel that goes in.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Feed {
    pub(crate) id: ChannelId,
    pub(crate) name: ChannelName,
    pub(crate) quantity: Quantity,
    /// In which unit it is shown.
    pub(crate) shown: Unit,
    pub(crate) period: Period,
    pub(crate) basis: Option<String>,
    pub(crate) point: Option<String>,
}

/// How readings are used.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Use {
    pub(crate) sieve: Sieve,
    pub(crate) coverage_min: zonda_evaluate::coverage::CoverageMin,
}

impl Use {
    pub(crate) const fn rule(self, period: Period) -> MeanRule {
        MeanRule {
            period,
            sieve: self.sieve,
            coverage_min: self.coverage_min,
        }
    }
}

/// What a channel's samples came to.
#[derive(Clone, Debug)]
pub(crate) struct Counted {
    samples: u64,
    flagged: [u64; FLAGS],
    missing: BTreeMap<String, u64>,
    averaging: Averaging,
}

impl Counted {
    fn new(stretch: Stretch, rule: MeanRule) -> Self {
        Self {
            samples: 0,
            flagged: [0; FLAGS],
            missing: BTreeMap::new(),
            averaging: Averaging::new(stretch, rule),
        }
    }

    fn count(&mut self, reading: &Reading) -> Result<(), AssessError> {
        self.samples += 1;
        let mut bits = reading.quality.bits();
        while bits != 0 {
            let bit = bits.trailing_zeros();
            self.flagged[bit as usize] += 1;
            bits &= bits - 1;
        }
        Ok(self.averaging.push(reading)?)
    }

    /// The mean of its used readings.
    pub(crate) fn mean(&self) -> Result<Mean, TooLittle> {
        self.averaging.finish()
    }

    pub(crate) const fn samples(&self) -> u64 {
        self.samples
    }

    pub(crate) fn has(&self, flag: Quality) -> bool {
        let bit = flag.bits().trailing_zeros();
        self.flagged
            .get(bit as usize)
            .is_some_and(|count| *count > 0)
    }

    pub(crate) const fn missing(&self) -> &BTreeMap<String, u64> {
        &self.missing
    }

    pub(crate) fn tally(&self) -> Tally {
        let (used, coverage, longest) = match self.mean() {
            Ok(mean) => {
                let longest = mean.longest_gap.as_secs_f64();
                (mean.tally, mean.coverage, Some(longest))
            }
            Err(lack) => (*lack.tally, lack.coverage, None),
        };
        let word = |(bit, count): (usize, &u64)| {
            let flag = Quality::from_bits_retain(1 << bit);
            (*count > 0).then(|| (flag.to_string(), *count))
        };
        Tally {
            samples: self.samples,
            used: used.used(),
            left_out: used.left_out(),
            flagged: self.flagged.iter().enumerate().filter_map(word).collect(),
            left_out_for: by_word(&used),
            missing: self.missing.clone(),
            coverage,
            longest_gap_s: longest,
        }
    }
}

fn by_word(used: &Used) -> BTreeMap<String, u64> {
    let reasons = used.reasons();
    reasons
        .map(|(flag, count)| (flag.to_string(), count))
        .collect()
}

/// Reads the samples of `feeds` in `stretch` and hands each over: which feed, the reading, and its value where it is used.
pub(crate) async fn read(
    record: &Readable,
    feeds: &[Feed],
    stretch: Stretch,
    using: Use,
    watch: &Watch,
    mut take: impl FnMut(usize, &Reading, Option<f64>) -> Result<ControlFlow<()>, AssessError>,
) -> Result<Vec<Counted>, AssessError> {
    let mut counted: Vec<Counted> = feeds
        .iter()
        .map(|feed| Counted::new(stretch, using.rule(feed.period)))
        .collect();
    let ids: Vec<ChannelId> = feeds.iter().map(|feed| feed.id).collect();
    let mut places: Vec<(ChannelId, usize)> = ids.iter().copied().zip(0..).collect();
    places.sort_unstable();
    let mut scratch = Used::default();
    let mut after: Option<Key> = None;
    'pages: loop {
        watch.check()?;
        let range = (stretch.from(), stretch.to());
        let page = record.samples(range, Some(&ids), after, PAGE).await?;
        for sample in &page {
            let Ok(found) = places.binary_search_by_key(&sample.channel, |(id, _)| *id) else {
                continue;
            };
            let feed = places[found].1;
            let reading = Reading::from(sample);
            counted[feed].count(&reading)?;
            let value = using.sieve.admit(&reading, &mut scratch);
            if take(feed, &reading, value)?.is_break() {
                break 'pages;
            }
        }
        let Some(last) = page.last() else {
            break;
        };
        watch.tell(last.at.since(stretch.from()), stretch.length());
        after = Some(Key {
            at: last.at,
            channel: last.channel,
        });
    }
    count_missing(record, feeds, stretch, &mut counted).await?;
    Ok(counted)
}

/// Ticks without a sample, by the causes that the record gives.
async fn count_missing(
    record: &Readable,
    feeds: &[Feed],
    stretch: Stretch,
    counted: &mut [Counted],
) -> Result<(), AssessError> {
    let mut after: Option<(Stamp, i64)> = None;
    loop {
        let range = (stretch.from(), stretch.to());
        let gaps = record.gaps(range, after, GAPS).await?;
        for gap in &gaps {
            let Some(feed) = feeds.iter().position(|feed| feed.id == gap.channel) else {
                continue;
            };
            let (from, to) = (gap.from, gap.to.unwrap_or(stretch.to()));
            let is_whole = gap.to.is_some() && from >= stretch.from() && to <= stretch.to();
            let within = to.min(stretch.to()).since(from.max(stretch.from()));
            let period = feeds[feed].period.duration();
            let ticks = if is_whole {
                gap.missed.unsigned_abs()
            } else {
                u64::try_from(within.as_micros() / period.as_micros()).unwrap_or(u64::MAX)
            };
            let missing = counted[feed].missing.entry(gap.cause.to_string());
            *missing.or_insert(0) += ticks;
        }
        let Some(last) = gaps.last() else {
            return Ok(());
        };
        after = Some((last.from, last.id));
    }
}
