//! Ticks: points of the UTC grid. A missed one is told, never caught up with.

use std::time::Duration;

use zonda_model::{Cause, Period, Stamp};

use crate::clock::Axis;
use crate::timer::Timer;

/// The longest single wait: after it the axis is read again, because it may have been stepped.
const WAIT_MAX: Duration = Duration::from_millis(500);

/// The ticks of a line.
#[derive(Debug)]
pub(crate) struct Ticks {
    grid: Grid,
    timer: Timer,
}

/// A tick that has begun.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Tick {
    pub(crate) at: Stamp,
    /// The ticks right before it that passed without a turn.
    pub(crate) missed: u32,
    /// The axis was moved forward over them.
    pub(crate) is_stepped: bool,
}

impl Tick {
    /// Why the ticks before it were missed.
    pub(crate) const fn why_missed(self) -> (Cause, &'static str) {
        if self.is_stepped {
            return (
                Cause::ClockStepped,
                "the clock was set forward over this time, which never was",
            );
        }
        (
            Cause::Overrun,
            "the line was still busy with the tick before, or the machine stood still",
        )
    }
}

impl Ticks {
    /// Ticks from the first one after now. Must be called on the runtime.
    pub(crate) fn new(period: Period, axis: &Axis) -> Self {
        Self {
            grid: Grid {
                period,
                next: axis.now().next(period),
                jumps: axis.jumps(),
            },
            timer: Timer::new(),
        }
    }

    /// Waits for the next tick. Safe to drop while it waits.
    pub(crate) async fn wait(&mut self, axis: &Axis) -> Tick {
        loop {
            let now = axis.now();
            let left = self.grid.next.since(now);
            if left.is_zero() {
                return self.grid.begin(now, axis.jumps());
            }
            self.timer.sleep(left.min(WAIT_MAX)).await;
        }
    }

    /// The first of the missed ticks.
    pub(crate) fn first_missed(&self, tick: Tick) -> Stamp {
        self.grid.first_missed(tick)
    }

    /// When the next tick begins.
    pub(crate) const fn next(&self) -> Stamp {
        self.grid.next
    }
}

/// Which tick it is: pure.
#[derive(Clone, Copy, Debug)]
struct Grid {
    period: Period,
    next: Stamp,
    /// Of the axis, at the tick before.
    jumps: u64,
}

impl Grid {
    /// The tick that is current now; those before it are missed.
    fn begin(&mut self, now: Stamp, jumps: u64) -> Tick {
        let at = now.floor(self.period).max(self.next);
        let missed = (at.micros() - self.next.micros()) / self.period.micros();
        self.next = at.next(self.period);
        let is_stepped = jumps != std::mem::replace(&mut self.jumps, jumps);
        Tick {
            at,
            missed: u32::try_from(missed).unwrap_or(u32::MAX),
            is_stepped,
        }
    }

    fn first_missed(self, tick: Tick) -> Stamp {
        Stamp::from_micros(tick.at.micros() - i64::from(tick.missed) * self.period.micros())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_tick_is_begun_or_missed_exactly_once(waits in proptest::collection::vec(0i64..20_000_000, 1..50)) {
            let period = Period::SECOND;
            let mut now = 1_700_000_000_300_000;
            let mut grid = Grid { period, next: Stamp::from_micros(now).next(period), jumps: 0 };
            let mut expected = grid.next;
            for wait in waits {
                now = now.max(grid.next.micros()) + wait;
                let tick = grid.begin(Stamp::from_micros(now), 0);
                prop_assert_eq!(grid.first_missed(tick), expected);
                prop_assert!(tick.at.micros() <= now && now < tick.at.micros() + period.micros());
                expected = grid.next;
            }
        }
    }
}
