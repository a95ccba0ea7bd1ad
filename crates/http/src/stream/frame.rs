//! Frames: every sample since the last frame, boiled down to mean, lowest, highest and count.
//!
//! Pure: samples in, frames out, the time is handed in. No peak is lost, whatever the sample rate.

use serde::Serialize;
use utoipa::ToSchema;
use zonda_model::quality::Worth;
use zonda_model::{Sample, Stamp};

use super::mark::Mark;

/// What is sent `fps` times a second. The arrays follow the order of `hello.channels`.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub(crate) struct Frame {
    /// Its end, ms since 1970 UTC.
    pub(super) t: i64,
    /// Its length, ms.
    pub(super) dt: i64,
    /// Mean of the usable samples, SI; `null` without any.
    pub(super) mean: Vec<Option<f32>>,
    /// The lowest of them.
    pub(super) lo: Vec<Option<f32>>,
    /// The highest of them.
    pub(super) hi: Vec<Option<f32>>,
    /// How many they were. A fault's number is not one of them.
    pub(super) n: Vec<u32>,
    /// One digit per channel: the worst [`Mark`] of the frame.
    pub(super) q: String,
}

/// Collects samples until the next frame.
#[derive(Clone, Debug)]
pub(super) struct Coalescer {
    since: Stamp,
    tallies: Vec<Tally>,
}

#[derive(Clone, Copy, Debug)]
struct Tally {
    sum: f64,
    lo: f64,
    hi: f64,
    n: u32,
    worst: Option<Worth>,
}

const EMPTY: Tally = Tally {
    sum: 0.0,
    lo: f64::INFINITY,
    hi: f64::NEG_INFINITY,
    n: 0,
    worst: None,
};

impl Coalescer {
    /// For so many channels; the first frame begins at `since`.
    pub(super) fn new(channels: usize, since: Stamp) -> Self {
        Self {
            since,
            tallies: vec![EMPTY; channels],
        }
    }

    /// Takes a sample in.
    pub(super) fn add(&mut self, sample: &Sample<usize>) {
        if let Some(tally) = self.tallies.get_mut(sample.channel) {
            tally.add(sample);
        }
    }

    /// The frame that ends at `at` (true UTC), and begins the next. `idle` says how a channel stands
    /// of which no sample came.
    pub(super) fn frame(&mut self, at: Stamp, idle: impl Fn(usize) -> Mark) -> Frame {
        let marks = self
            .tallies
            .iter()
            .enumerate()
            .map(|(channel, tally)| tally.worst.map_or_else(|| idle(channel), Mark::from));
        let frame = Frame {
            t: at.millis(),
            dt: at.millis().saturating_sub(self.since.millis()).max(0),
            q: marks.map(Mark::digit).collect(),
            mean: self.column(|tally| tally.sum / f64::from(tally.n)),
            lo: self.column(|tally| tally.lo),
            hi: self.column(|tally| tally.hi),
            n: self.tallies.iter().map(|tally| tally.n).collect(),
        };
        self.since = at;
        self.tallies.fill(EMPTY);
        frame
    }

    fn column(&self, of: impl Fn(&Tally) -> f64) -> Vec<Option<f32>> {
        let shown = |tally: &Tally| (tally.n > 0).then(|| of(tally)).and_then(shown);
        self.tallies.iter().map(shown).collect()
    }
}

impl Tally {
    fn add(&mut self, sample: &Sample<usize>) {
        let worth = sample.quality.worth();
        self.worst = self.worst.max(Some(worth));
        if let Some(value) = sample.value
            && worth != Worth::Fault
        {
            self.sum += value;
            self.lo = self.lo.min(value);
            self.hi = self.hi.max(value);
            self.n += 1;
        }
    }
}

/// A number for the eye: seven digits are more than any instrument here has. The store and the
/// exports keep all of them.
#[expect(
    clippy::cast_possible_truncation,
    reason = "display precision is meant"
)]
pub(crate) fn shown(value: f64) -> Option<f32> {
    let shown = value as f32;
    shown.is_finite().then_some(shown)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use zonda_model::Quality;

    fn sample(channel: usize, value: Option<f64>, quality: Quality) -> Sample<usize> {
        Sample {
            channel,
            at: Stamp::from_millis(0),
            code: None,
            value,
            quality,
        }
    }

    fn frame(samples: &[Sample<usize>]) -> Frame {
        let mut coalescer = Coalescer::new(2, Stamp::from_millis(1000));
        for sample in samples {
            coalescer.add(sample);
        }
        coalescer.frame(Stamp::from_millis(1200), |_| Mark::Stale)
    }

    #[test]
    fn a_frame_tells_mean_ends_count_and_the_worst() {
        let frame = frame(&[
            sample(0, Some(1.0), Quality::empty()),
            sample(0, Some(4.0), Quality::LATE),
            sample(0, Some(1.0), Quality::SIMULATED),
        ]);
        let expected = Frame {
            t: 1200,
            dt: 200,
            mean: vec![Some(2.0), None],
            lo: vec![Some(1.0), None],
            hi: vec![Some(4.0), None],
            n: vec![3, 0],
            q: "15".to_owned(),
        };
        assert_eq!(frame, expected);
    }

    #[test]
    fn a_fault_is_told_and_its_number_is_not() {
        let frame = frame(&[
            sample(0, Some(-99.0), Quality::OPEN_LOOP),
            sample(1, None, Quality::NO_NUMBER),
        ]);
        assert_eq!(
            (frame.mean, frame.n, frame.q.as_str()),
            (vec![None; 2], vec![0, 0], "44")
        );
    }

    #[test]
    fn a_frame_begins_where_the_last_one_ended() {
        let mut coalescer = Coalescer::new(1, Stamp::from_millis(0));
        coalescer.add(&sample(0, Some(1.0), Quality::empty()));
        coalescer.frame(Stamp::from_millis(200), |_| Mark::None);
        let second = coalescer.frame(Stamp::from_millis(450), |_| Mark::None);
        assert_eq!(
            (second.dt, second.n, second.q.as_str()),
            (250, vec![0], "7")
        );
    }

    proptest! {
        #[test]
        fn no_peak_is_lost(values in prop::collection::vec(-1e6f64..1e6, 1..200), cut in 0usize..200) {
            let mut coalescer = Coalescer::new(1, Stamp::from_millis(0));
            let mut frames = Vec::new();
            for (index, value) in values.iter().enumerate() {
                coalescer.add(&sample(0, Some(*value), Quality::empty()));
                if index == cut {
                    frames.push(coalescer.frame(Stamp::from_millis(1), |_| Mark::None));
                }
            }
            frames.push(coalescer.frame(Stamp::from_millis(2), |_| Mark::None));
            let highest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let lowest = values.iter().copied().fold(f64::INFINITY, f64::min);
            let hi = frames.iter().filter_map(|it| it.hi[0]).fold(f32::NEG_INFINITY, f32::max);
            let lo = frames.iter().filter_map(|it| it.lo[0]).fold(f32::INFINITY, f32::min);
            prop_assert_eq!((Some(lo), Some(hi)), (shown(lowest), shown(highest)));
            prop_assert_eq!(frames.iter().map(|it| it.n[0] as usize).sum::<usize>(), values.len());
        }
    }
}
