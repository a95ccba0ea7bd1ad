//! Ticks: points of the UTC grid. A missed one is told, never caught up with.

use zonda_model::{Period, Stamp};

use crate::clock::Axis;

/// The ticks of a line.
#[derive(Debug)]
pub(crate) struct Ticks {
    period: Period,
    next: Stamp,
}

/// A tick that has begun.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Tick {
    pub(crate) at: Stamp,
    /// The ticks right before it that passed without a turn.
    pub(crate) missed: u32,
}

impl Ticks {
    /// Ticks from the first one after now.
    pub(crate) fn new(period: Period, axis: &Axis) -> Self {
        Self { period, next: axis.now().next(period) }
    }

    /// Waits for the next tick. Safe to drop while it waits.
    pub(crate) async fn wait(&mut self, axis: &Axis) -> Tick {
        axis.sleep_until(self.next).await;
        self.begin(axis.now())
    }

    /// The tick that is current now; those before it are missed.
    fn begin(&mut self, now: Stamp) -> Tick {
        let at = now.floor(self.period).max(self.next);
        let missed = (at.micros() - self.next.micros()) / self.period.micros();
        self.next = at.next(self.period);
        Tick { at, missed: u32::try_from(missed).unwrap_or(u32::MAX) }
    }

    /// The first of the missed ticks.
    pub(crate) fn first_missed(&self, tick: Tick) -> Stamp {
        Stamp::from_micros(tick.at.micros() - i64::from(tick.missed) * self.period.micros())
    }

    /// When the next tick begins.
    pub(crate) const fn next(&self) -> Stamp {
        self.next
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
            let mut ticks = Ticks { period, next: Stamp::from_micros(now).next(period) };
            let mut expected = ticks.next;
            for wait in waits {
                now = now.max(ticks.next.micros()) + wait;
                let tick = ticks.begin(Stamp::from_micros(now));
                prop_assert_eq!(ticks.first_missed(tick), expected);
                prop_assert!(tick.at.micros() <= now && now < tick.at.micros() + period.micros());
                expected = ticks.next();
            }
        }
    }
}
