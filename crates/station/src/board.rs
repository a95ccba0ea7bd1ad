//! The live board: for each channel the last sample, means by time, and the spread of the last minute.
//!
//! Windows are lengths of time, never counts: a mean over 5 s is that at any rate. Everything is
//! worked out when somebody looks, from the samples of the last minute. What is kept is bounded in
//! time and number ([`KEPT_MAX`]); the record is the store's business, not the board's.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use zonda_model::{Cause, Period, Quality, Sample, Stamp};

/// The stretch over which spread is stated.
pub const SPREAD_OVER: Duration = Duration::from_mins(1);
/// The windows of the moving means.
pub const MEANS_OVER: [Duration; 3] = [
    Duration::from_secs(1),
    Duration::from_secs(5),
    Duration::from_secs(10),
];
/// At most this many samples of a channel are kept; a channel faster than 1 kHz has its minute cut short.
pub const KEPT_MAX: usize = 60_000;

/// A mean over the last stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mean {
    /// How long the window is.
    pub over: Duration,
    /// The mean of the values in it, SI.
    pub value: f64,
    /// How many values that is.
    pub count: usize,
    /// Every flag among them.
    pub quality: Quality,
}

/// The spread of the values of the last minute, SI.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// The lowest.
    pub min: f64,
    /// The highest.
    pub max: f64,
    /// Sample standard deviation (n − 1); `None` of a single value.
    pub deviation: Option<f64>,
    /// How many values that is.
    pub count: usize,
}

/// What the board shows of one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Live {
    /// The newest sample, however old.
    pub last: Option<Sample<usize>>,
    /// How old it is.
    pub age: Option<Duration>,
    /// Why nothing newer came, if the last tick brought none.
    pub missing: Option<Missing>,
    /// The moving means whose window holds any value, in the order of [`MEANS_OVER`].
    pub means: [Option<Mean>; 3],
    /// The spread over the last minute, if it holds any value.
    pub spread: Option<Spread>,
}

/// A channel that brings no samples at present.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// Since which tick.
    pub since: Stamp,
    /// Why.
    pub cause: Cause,
    /// One sentence.
    pub detail: String,
}

#[derive(Debug, Default)]
struct Channel {
    last: Option<Sample<usize>>,
    missing: Option<Missing>,
    recent: VecDeque<(Stamp, f64, Quality)>,
}

/// The live board. Cheap to write to; whoever looks pays for the arithmetic.
#[derive(Debug)]
pub struct Board {
    channels: Mutex<Vec<Channel>>,
    periods: Vec<Period>,
}

impl Board {
    /// A board of channels with these ticks.
    pub fn new(periods: Vec<Period>) -> Self {
        let channels = periods.iter().map(|_| Channel::default()).collect();
        Self {
            channels: Mutex::new(channels),
            periods,
        }
    }

    /// The tick of a channel.
    pub fn period(&self, channel: usize) -> Option<Period> {
        self.periods.get(channel).copied()
    }

    /// Puts samples on the board. Their `channel` is the index in the configuration.
    pub fn note(&self, samples: &[Sample<usize>]) {
        let mut channels = self.lock();
        for sample in samples {
            if let Some(channel) = channels.get_mut(sample.channel) {
                channel.note(*sample);
            }
        }
    }

    /// Says that a tick of these channels brought nothing.
    pub fn note_missing(&self, of: &[usize], missing: &Missing) {
        let mut channels = self.lock();
        for index in of {
            if let Some(channel) = channels.get_mut(*index) {
                let since = channel
                    .missing
                    .take()
                    .map_or(missing.since, |earlier| earlier.since);
                channel.missing = Some(Missing {
                    since,
                    ..missing.clone()
                });
            }
        }
    }

    /// What the board shows at `now`, in the order of the configuration.
    pub fn look(&self, now: Stamp) -> Vec<Live> {
        self.lock()
            .iter()
            .map(|channel| channel.look(now))
            .collect()
    }

    /// The newest sample of each channel, without the arithmetic.
    pub fn last(&self) -> Vec<Option<Sample<usize>>> {
        self.lock().iter().map(|channel| channel.last).collect()
    }

    /// A panic while somebody held the lock leaves whole samples behind; the board goes on.
    fn lock(&self) -> MutexGuard<'_, Vec<Channel>> {
        self.channels.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Channel {
    fn note(&mut self, sample: Sample<usize>) {
        self.missing = None;
        self.last = Some(sample);
        if let Some(value) = sample.value {
            self.recent.push_back((sample.at, value, sample.quality));
        }
        let too_old = sample.at.minus(SPREAD_OVER);
        while self.recent.front().is_some_and(|(at, ..)| *at <= too_old)
            || self.recent.len() > KEPT_MAX
        {
            self.recent.pop_front();
        }
    }

    fn look(&self, now: Stamp) -> Live {
        Live {
            last: self.last,
            age: self.last.map(|sample| now.since(sample.at)),
            missing: self.missing.clone(),
            means: MEANS_OVER.map(|over| self.mean(now, over)),
            spread: self.spread(now),
        }
    }

    /// The values of the window (now − over, now]; what is stamped after now counts as now.
    fn window(&self, now: Stamp, over: Duration) -> impl Iterator<Item = (f64, Quality)> + '_ {
        let from = now.minus(over);
        self.recent
            .iter()
            .rev()
            .take_while(move |(at, ..)| *at > from)
            .map(|(_, value, quality)| (*value, *quality))
    }

    #[expect(clippy::cast_precision_loss, reason = "at most 60 000 values")]
    fn mean(&self, now: Stamp, over: Duration) -> Option<Mean> {
        let (mut sum, mut count, mut quality) = (0.0, 0, Quality::empty());
        for (value, flags) in self.window(now, over) {
            sum += value;
            count += 1;
            quality |= flags;
        }
        (count > 0).then(|| Mean {
            over,
            value: sum / count as f64,
            count,
            quality,
        })
    }

    /// Welford's single pass: stable where the mean is large against the spread.
    #[expect(clippy::cast_precision_loss, reason = "at most 60 000 values")]
    fn spread(&self, now: Stamp) -> Option<Spread> {
        let (mut min, mut max) = (f64::INFINITY, f64::NEG_INFINITY);
        let (mut count, mut mean, mut squares) = (0_usize, 0.0, 0.0);
        for (value, _) in self.window(now, SPREAD_OVER) {
            count += 1;
            let from_mean = value - mean;
            mean += from_mean / count as f64;
            squares += from_mean * (value - mean);
            min = min.min(value);
            max = max.max(value);
        }
        let deviation = (count > 1).then(|| (squares / (count - 1) as f64).sqrt());
        (count > 0).then_some(Spread {
            min,
            max,
            deviation,
            count,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use zonda_model::Code;

    fn sample(at_ms: i64, value: f64) -> Sample<usize> {
        Sample {
            channel: 0,
            at: Stamp::from_millis(at_ms),
            code: Some(Code::Number(value)),
            value: Some(value),
            quality: Quality::empty(),
        }
    }

    fn board() -> Board {
        Board::new(vec![Period::SECOND])
    }

    #[test]
    fn means_are_over_time_whatever_the_rate() {
        let board = board();
        let slow: Vec<_> = (0..10).map(|k| sample(k * 1000, 1.0)).collect();
        let fast: Vec<_> = (0..100).map(|k| sample(10_000 + k * 10, 3.0)).collect();
        board.note(&slow);
        board.note(&fast);
        let live = &board.look(Stamp::from_millis(10_990))[0];
        let counts = live
            .means
            .map(|mean| mean.map(|mean| (mean.count, mean.value)));
        // 100 samples of 3 in the last second; 1 s of the window of 5 s holds them, 4 s hold 4 of 1.
        assert_eq!(counts[0], Some((100, 3.0)));
        assert_eq!(counts[1], Some((104, 304.0 / 104.0)));
        assert_eq!(counts[2], Some((109, 309.0 / 109.0)));
    }

    #[test]
    fn the_spread_covers_the_last_minute_and_no_more() {
        let board = board();
        let samples: Vec<_> = [
            (0, 100.0),
            (70_000, 2.0),
            (80_000, 4.0),
            (90_000, 4.0),
            (100_000, 6.0),
        ]
        .map(|(at, value)| sample(at, value))
        .into();
        board.note(&samples);
        let spread = board.look(Stamp::from_millis(100_000))[0].spread.unwrap();
        assert_eq!((spread.min, spread.max, spread.count), (2.0, 6.0, 4));
        // Sample standard deviation of 2, 4, 4, 6: √(8/3).
        assert!((spread.deviation.unwrap() - (8.0_f64 / 3.0).sqrt()).abs() < 1e-12);
    }

    #[test]
    fn an_old_value_stays_with_its_age_and_enters_no_mean() {
        let board = board();
        board.note(&[sample(0, 5.0)]);
        board.note_missing(
            &[0],
            &Missing {
                since: Stamp::from_millis(1000),
                cause: Cause::Timeout,
                detail: String::new(),
            },
        );
        board.note_missing(
            &[0],
            &Missing {
                since: Stamp::from_millis(2000),
                cause: Cause::NoAnswer,
                detail: String::new(),
            },
        );
        let live = &board.look(Stamp::from_millis(20_000))[0];
        assert_eq!(live.age, Some(Duration::from_secs(20)));
        assert_eq!(live.means, [None; 3]);
        let missing = live.missing.as_ref().unwrap();
        assert_eq!(
            (missing.since, missing.cause),
            (Stamp::from_millis(1000), Cause::NoAnswer)
        );
        board.note(&[sample(21_000, 5.0)]);
        assert_eq!(board.look(Stamp::from_millis(21_000))[0].missing, None);
    }

    #[test]
    fn a_channel_without_values_shows_its_sample_and_no_number() {
        let board = board();
        let fault = Sample {
            value: None,
            quality: Quality::OPEN_LOOP,
            ..sample(0, 0.0)
        };
        board.note(&[fault]);
        let live = &board.look(Stamp::from_millis(10))[0];
        assert_eq!(live.last, Some(fault));
        assert_eq!((live.means[0], live.spread), (None, None));
    }
}
