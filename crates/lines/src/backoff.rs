//! Back-off: ever longer waits up to a limit, with jitter, and back to the shortest after success.

use std::time::Duration;

/// How long to wait before the next try.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Backoff {
    least: Duration,
    most: Duration,
    next: Duration,
}

impl Backoff {
    pub(crate) const fn new(least: Duration, most: Duration) -> Self {
        Self {
            least,
            most,
            next: least,
        }
    }

    /// For opening ports and connections: at once again after a short drop, twice a minute in the long run.
    pub(crate) const fn of_links() -> Self {
        Self::new(Duration::from_millis(250), Duration::from_secs(30))
    }

    /// For units that do not answer: their line has others to ask.
    pub(crate) const fn of_units() -> Self {
        Self::new(Duration::from_secs(5), Duration::from_mins(1))
    }

    /// The wait; the one after it is twice as long. Up to a quarter is taken off at random, so that
    /// lines that dropped together do not all come back at the same instant.
    pub(crate) fn next(&mut self) -> Duration {
        let wait = self.next;
        self.next = (wait * 2).min(self.most);
        wait.mul_f64(1.0 - 0.25 * fastrand::f64())
    }

    pub(crate) fn reset(&mut self) {
        self.next = self.least;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_limit_and_start_over() {
        let mut backoff = Backoff::of_units();
        for whole in [5.0, 10.0, 20.0, 40.0, 60.0, 60.0] {
            let wait = backoff.next().as_secs_f64();
            assert!(wait <= whole && wait >= 0.75 * whole, "{wait} of {whole}");
        }
        backoff.reset();
        assert!(backoff.next() <= Duration::from_secs(5));
    }
}
