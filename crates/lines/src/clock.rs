//! The record's time axis: the boot-time clock, anchored to UTC.
//!
//! The axis never runs backwards. When the wall clock is stepped forward, the anchor moves with it;
//! when it is stepped back, the axis runs on and is ahead of UTC from then on. Either is a
//! [`ClockStep`] for the record. The boot-time clock goes on while the machine is suspended.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use nix::time::{ClockId, clock_gettime};
use zonda_model::Stamp;

/// The two clocks of the machine, µs.
pub trait Clocks: Send + Sync {
    /// The wall clock: since 1970-01-01T00:00:00Z, as far as the machine knows.
    fn wall(&self) -> i64;
    /// Since boot, suspended time included; never stepped.
    fn boot(&self) -> i64;
}

/// The clocks of the kernel.
#[derive(Clone, Copy, Debug)]
pub struct SystemClocks;

impl Clocks for SystemClocks {
    fn wall(&self) -> i64 {
        micros(ClockId::CLOCK_REALTIME)
    }

    fn boot(&self) -> i64 {
        micros(ClockId::CLOCK_BOOTTIME)
    }
}

fn micros(clock: ClockId) -> i64 {
    // Both clocks exist on every Linux since 2.6.39; the call has no other way to fail.
    clock_gettime(clock).map_or(0, |time| time.tv_sec() * 1_000_000 + time.tv_nsec() / 1000)
}

/// The wall clock was stepped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockStep {
    /// When, on the axis, after the step.
    pub at: Stamp,
    /// How far the wall clock was stepped, µs; positive forward.
    pub step_us: i64,
    /// How far the axis is ahead of UTC from now on, µs.
    pub axis_minus_utc_us: i64,
}

/// Smaller differences are slewing and jitter of reading two clocks one after the other.
const STEP_LEAST_US: i64 = 200_000;

#[derive(Clone, Copy, Debug)]
struct Anchor {
    /// Axis − boot time.
    offset: i64,
    /// Wall − boot time when last told; small changes add up until they are a step.
    wall: i64,
    /// How often the axis was moved forward.
    jumps: u64,
}

impl Anchor {
    /// Pure: what a look at both clocks does to the anchor.
    fn look(&mut self, wall: i64, boot: i64) -> Option<ClockStep> {
        let now = wall - boot;
        let step_us = now - self.wall;
        if step_us.abs() < STEP_LEAST_US {
            return None;
        }
        self.wall = now;
        if now > self.offset {
            // Forward to UTC; never back.
            self.offset = now;
            self.jumps += 1;
        }
        Some(ClockStep {
            at: Stamp::from_micros(boot + self.offset),
            step_us,
            axis_minus_utc_us: self.offset - now,
        })
    }
}

/// The record's time axis. Clones share it.
#[derive(Clone)]
pub struct Axis {
    clocks: Arc<dyn Clocks>,
    anchor: Arc<Mutex<Anchor>>,
}

impl std::fmt::Debug for Axis {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Axis")
            .field("now", &self.now())
            .finish_non_exhaustive()
    }
}

impl Axis {
    /// An axis that begins at UTC, or right after `not_before` where the wall clock is behind it:
    /// the end of the record so far.
    pub fn new(clocks: impl Clocks + 'static, not_before: Option<Stamp>) -> Self {
        let boot = clocks.boot();
        let wall = clocks.wall() - boot;
        let least = not_before.map_or(i64::MIN, |end| end.micros() + 1 - boot);
        let anchor = Anchor {
            offset: wall.max(least),
            wall,
            jumps: 0,
        };
        Self {
            clocks: Arc::new(clocks),
            anchor: Arc::new(Mutex::new(anchor)),
        }
    }

    /// Now, on the axis.
    pub fn now(&self) -> Stamp {
        Stamp::from_micros(self.clocks.boot() + self.lock().offset)
    }

    /// Looks whether the wall clock was stepped since the last look. To be called about once a second.
    pub fn look(&self) -> Option<ClockStep> {
        self.lock().look(self.clocks.wall(), self.clocks.boot())
    }

    /// How often the axis was moved forward: tells a step of the clock from a standstill.
    pub(crate) fn jumps(&self) -> u64 {
        self.lock().jumps
    }

    /// How far the axis is ahead of UTC, µs, as of the last look.
    pub fn axis_minus_utc_us(&self) -> i64 {
        let anchor = self.lock();
        anchor.offset - anchor.wall
    }

    /// Waits until a point of the axis, to within a millisecond or two.
    pub async fn sleep_until(&self, at: Stamp) {
        loop {
            let left = at.since(self.now());
            if left.is_zero() {
                return;
            }
            // In pieces, so that a step of the axis is noticed while waiting.
            tokio::time::sleep(left.min(Duration::from_secs(1))).await;
        }
    }

    fn lock(&self) -> MutexGuard<'_, Anchor> {
        self.anchor.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SECOND: i64 = 1_000_000;

    #[test]
    fn a_step_forward_moves_the_axis_to_utc() {
        let mut anchor = Anchor {
            offset: 1000 * SECOND,
            wall: 1000 * SECOND,
            jumps: 0,
        };
        let step = anchor.look(1060 * SECOND, 30 * SECOND).unwrap();
        assert_eq!(
            (step.step_us, step.axis_minus_utc_us, step.at),
            (30 * SECOND, 0, Stamp::from_micros(1060 * SECOND))
        );
    }

    #[test]
    fn a_step_back_leaves_the_axis_running_ahead_of_utc() {
        let mut anchor = Anchor {
            offset: 1000 * SECOND,
            wall: 1000 * SECOND,
            jumps: 0,
        };
        let step = anchor.look(970 * SECOND, 30 * SECOND).unwrap();
        assert_eq!(
            (step.step_us, step.axis_minus_utc_us, step.at),
            (-60 * SECOND, 60 * SECOND, Stamp::from_micros(1030 * SECOND))
        );
        // A later step forward by less than the lead leaves the axis alone, too.
        let step = anchor.look(1000 * SECOND, 30 * SECOND).unwrap();
        assert_eq!(
            (step.axis_minus_utc_us, step.at),
            (30 * SECOND, Stamp::from_micros(1030 * SECOND))
        );
        assert_eq!(anchor.look(1000 * SECOND + 1000, 30 * SECOND), None);
    }

    #[test]
    fn the_axis_goes_on_after_the_end_of_the_record() {
        struct Late;
        impl Clocks for Late {
            fn wall(&self) -> i64 {
                5 * SECOND
            }
            fn boot(&self) -> i64 {
                SECOND
            }
        }
        let axis = Axis::new(Late, Some(Stamp::from_micros(100 * SECOND)));
        assert_eq!(axis.now(), Stamp::from_micros(100 * SECOND + 1));
        assert_eq!(axis.axis_minus_utc_us(), 95 * SECOND + 1);
    }

    proptest! {
        #[test]
        fn the_axis_never_runs_backwards_and_its_lead_is_always_known(steps in proptest::collection::vec((-10_000_000i64..10_000_000, 0i64..5_000_000), 1..100)) {
            let (mut wall, mut boot) = (1_700_000_000 * SECOND, 0);
            let mut anchor = Anchor { offset: wall, wall, jumps: 0 };
            let mut last = boot + anchor.offset;
            for (step, elapsed) in steps {
                boot += elapsed;
                wall += elapsed + step;
                let told = anchor.look(wall, boot);
                let now = boot + anchor.offset;
                prop_assert!(now >= last);
                last = now;
                if let Some(told) = told {
                    prop_assert_eq!(told.at.micros() - told.axis_minus_utc_us, wall);
                }
            }
        }
    }
}
