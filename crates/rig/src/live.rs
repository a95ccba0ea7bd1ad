//! The bench against the clock: whoever looks at it finds it where it should be by now.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::time::Instant;

use crate::bench::Bench;
use crate::fault::Faults;

/// The most that the bench makes up for at once. After a longer stall (a suspended machine) its
/// clock slips, or whoever looks first would wait for hours of ticks.
const CATCH_UP_MAX: Duration = Duration::from_mins(1);

#[derive(Debug)]
struct Clocked {
    bench: Bench,
    started: Instant,
}

/// A bench that many tasks look at.
#[derive(Clone, Debug)]
pub(crate) struct Live(Arc<Mutex<Clocked>>);

impl Live {
    pub(crate) fn new(bench: Bench, now: Instant) -> Self {
        Self(Arc::new(Mutex::new(Clocked {
            bench,
            started: now,
        })))
    }

    /// Brings the bench up to `now` and looks at it.
    pub(crate) fn look<T>(&self, now: Instant, read: impl FnOnce(&mut Bench) -> T) -> T {
        // A panic elsewhere leaves a bench between two ticks: a number may be old, none is wrong.
        let mut clocked = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let Clocked { bench, started } = &mut *clocked;
        let behind = now
            .saturating_duration_since(*started)
            .saturating_sub(bench.elapsed());
        *started += behind.saturating_sub(CATCH_UP_MAX);
        bench.advance_to(now.saturating_duration_since(*started));
        read(bench)
    }

    pub(crate) fn set_faults(&self, now: Instant, faults: Faults) {
        self.look(now, |bench| bench.set_faults(faults));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout;
    use crate::options::RigOptions;

    #[test]
    fn the_bench_keeps_time_and_slips_after_a_long_stall() {
        let options = RigOptions::new("/nowhere");
        let wiring = layout::wiring(&options, ([127, 0, 0, 1], 1502).into());
        let start = Instant::now();
        let live = Live::new(Bench::new(&options, &wiring), start);
        let at = |seconds| {
            live.look(start + Duration::from_secs(seconds), |bench| {
                bench.elapsed().as_secs()
            })
        };
        assert_eq!(at(10), 10);
        assert_eq!(at(5), 10, "time does not run back");
        assert_eq!(at(3_600), 70);
        assert_eq!(at(3_605), 75);
    }
}
