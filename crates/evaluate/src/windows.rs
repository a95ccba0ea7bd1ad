//! Repeated windows: the mean of every five minutes, or of five minutes once an hour.

use std::collections::VecDeque;
use std::time::Duration;

use zonda_model::Stamp;

use crate::float;
use crate::mean::{Averaging, Mean, MeanRule, PushError, TooLittle};
use crate::reading::Reading;
use crate::stretch::Stretch;

/// How many windows may be open at one time; a window every second over an hour is a moving mean.
pub const OVERLAP_MAX: u64 = 100;

/// Where the first window begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Start {
    /// With the stretch.
    WithStretch,
    /// At the first multiple of the step, counted from midnight UTC of 1970-01-01, within the stretch.
    OnTheClock,
}

/// Windows of one length at even steps within a stretch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WindowPlan {
    within: Stretch,
    length: Duration,
    every: Duration,
    start: Start,
    count_max: Option<u64>,
}

/// Why windows cannot be laid out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WindowError {
    /// Without length, or without step.
    #[error("windows of {length:?} every {every:?} cannot be: length and step are at least 1 µs")]
    Empty {
        /// The length.
        length: Duration,
        /// The step.
        every: Duration,
    },
    /// More open at one time than allowed.
    #[error(
        "windows of {length:?} every {every:?} overlap more than {OVERLAP_MAX}-fold; ask for a moving mean, or for fewer windows"
    )]
    Overlap {
        /// The length.
        length: Duration,
        /// The step.
        every: Duration,
    },
}

impl WindowPlan {
    /// Windows of `length`, one `every` so often, from the beginning of `within` on, as many as lie in it whole.
    ///
    /// # Errors
    /// [`WindowError`] for a length or step of nothing, or an overlap beyond [`OVERLAP_MAX`].
    pub fn new(within: Stretch, length: Duration, every: Duration) -> Result<Self, WindowError> {
        if float::micros(length) < 1 || float::micros(every) < 1 {
            return Err(WindowError::Empty { length, every });
        }
        if length.as_micros() > every.as_micros() * u128::from(OVERLAP_MAX) {
            return Err(WindowError::Overlap { length, every });
        }
        Ok(Self {
            within,
            length,
            every,
            start: Start::WithStretch,
            count_max: None,
        })
    }

    /// With another start.
    pub const fn starting(self, start: Start) -> Self {
        Self { start, ..self }
    }

    /// No more than `count` windows.
    pub const fn at_most(self, count: u64) -> Self {
        Self {
            count_max: Some(count),
            ..self
        }
    }

    /// The windows.
    pub fn windows(self) -> impl Iterator<Item = Stretch> {
        (0..).map_while(move |index| self.window(index))
    }

    fn window(self, index: u64) -> Option<Stretch> {
        if self.count_max.is_some_and(|count| index >= count) {
            return None;
        }
        let step = float::micros(self.every);
        let from = self
            .first()
            .checked_add(step.checked_mul(i64::try_from(index).ok()?)?)?;
        let to = from.checked_add(float::micros(self.length))?;
        let fits = to <= self.within.to().micros();
        let window = Stretch::new(Stamp::from_micros(from), Stamp::from_micros(to));
        window.ok().filter(|_| fits)
    }

    fn first(self) -> i64 {
        let from = self.within.from().micros();
        match self.start {
            Start::WithStretch => from,
            Start::OnTheClock => {
                let step = float::micros(self.every);
                from.saturating_add((-from).rem_euclid(step))
            }
        }
    }
}

/// Takes the readings of one channel in order of time and says the mean of each window as it closes.
#[derive(Clone, Debug)]
pub struct Windowing {
    plan: WindowPlan,
    rule: MeanRule,
    next: u64,
    /// At most [`OVERLAP_MAX`] + 1, by the plan.
    open: VecDeque<Averaging>,
    seen: Option<Stamp>,
}

impl Windowing {
    /// By `plan`, each window by `rule`.
    pub const fn new(plan: WindowPlan, rule: MeanRule) -> Self {
        Self {
            plan,
            rule,
            next: 0,
            open: VecDeque::new(),
            seen: None,
        }
    }

    /// Takes a reading; returns the windows that ended at or before it. A reading between windows belongs to none.
    ///
    /// # Errors
    /// [`PushError`] for a reading outside the plan's stretch or earlier than the one before; it is not taken.
    pub fn push(&mut self, reading: &Reading) -> Result<Vec<Result<Mean, TooLittle>>, PushError> {
        let at = reading.at;
        let stretch = self.plan.within;
        if !stretch.contains(at) {
            return Err(PushError::Outside { at, stretch });
        }
        if let Some(last) = self.seen.filter(|last| at < *last) {
            return Err(PushError::OutOfOrder { at, last });
        }
        self.seen = Some(at);
        let closed = self.close_until(at);
        for window in self
            .open
            .iter_mut()
            .filter(|window| window.stretch().contains(at))
        {
            window.push(reading)?;
        }
        Ok(closed)
    }

    /// The windows that are still open or were never reached, up to the end of the plan's stretch.
    pub fn finish(mut self) -> Vec<Result<Mean, TooLittle>> {
        self.close_until(self.plan.within.to())
    }

    fn close_until(&mut self, at: Stamp) -> Vec<Result<Mean, TooLittle>> {
        let mut closed = Vec::new();
        loop {
            while let Some(window) = self.open.pop_front_if(|window| window.stretch().to() <= at) {
                closed.push(window.finish());
            }
            match self
                .plan
                .window(self.next)
                .filter(|window| window.from() <= at)
            {
                Some(window) => self.open.push_back(Averaging::new(window, self.rule)),
                None => return closed,
            }
            self.next += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use zonda_model::Period;

    fn seconds(at: u64) -> Duration {
        Duration::from_secs(at)
    }

    fn stretch(from: i64, to: i64) -> Stretch {
        Stretch::new(
            Stamp::from_millis(from * 1000),
            Stamp::from_millis(to * 1000),
        )
        .unwrap()
    }

    fn plan(length: u64, every: u64) -> WindowPlan {
        WindowPlan::new(stretch(7, 100), seconds(length), seconds(every)).unwrap()
    }

    #[test]
    fn only_whole_windows_count_and_the_clock_may_rule() {
        let starts = |plan: WindowPlan| -> Vec<i64> {
            plan.windows().map(|w| w.from().millis() / 1000).collect()
        };
        assert_eq!(starts(plan(30, 30)), [7, 37, 67]);
        assert_eq!(starts(plan(30, 30).starting(Start::OnTheClock)), [30, 60]);
        assert_eq!(starts(plan(10, 30)), [7, 37, 67]);
        assert_eq!(starts(plan(10, 30).at_most(2)), [7, 37]);
        assert_eq!(starts(plan(60, 10)), [7, 17, 27, 37]);
    }

    #[test]
    fn each_window_says_its_own_mean() {
        let mut windowing = Windowing::new(plan(20, 10), MeanRule::every(Period::SECOND));
        let mut closed = Vec::new();
        for second in (7..100).filter(|second| !(50..60).contains(second)) {
            let value = f64::from(i32::try_from(second).unwrap());
            let reading = Reading::good(Stamp::from_millis(second * 1000), value);
            closed.extend(windowing.push(&reading).unwrap());
        }
        closed.extend(windowing.finish());
        let means: Vec<Option<f64>> = closed
            .into_iter()
            .map(|window| window.ok().map(|mean| mean.mean))
            .collect();
        let expected = [
            Some(16.5),
            Some(26.5),
            Some(36.5),
            None,
            None,
            None,
            Some(76.5),
            Some(86.5),
        ];
        assert_eq!(means, expected);
    }

    #[test]
    fn a_moving_mean_in_disguise_is_refused() {
        let error = WindowPlan::new(stretch(0, 7200), seconds(3600), seconds(1)).unwrap_err();
        assert_eq!(
            error.to_string(),
            "windows of 3600s every 1s overlap more than 100-fold; ask for a moving mean, or for fewer windows"
        );
    }
}
