//! Pairs: what is read of one channel beside another at the same tick.
//!
//! A velocity is judged by the temperature of the same probe, a thermocouple is compensated by its
//! terminals. Where both are in one scan, nothing waits. Where they come from two sources, the tick
//! pairs them: the companion's reading is that of its own tick in which the other's tick lies. A
//! reading whose companion has not told that tick yet waits for it, at most until its own source
//! begins its next tick; from then on the companion counts as missing.

use std::collections::VecDeque;

use zonda_model::{Coded, Period, Quality, Stamp};
use zonda_signal::Companion;

/// Ticks that are remembered of a companion: one that is asked later in the round is a tick behind
/// at most, one on a line of its own may be a tick ahead.
const REMEMBERED: usize = 4;

/// A reading before its companion is known.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reading {
    /// Index in the configuration.
    pub(crate) channel: usize,
    pub(crate) tick: Stamp,
    pub(crate) at: Stamp,
    pub(crate) input: Coded,
    /// What the station knows of it already.
    pub(crate) mark: Quality,
}

/// What is known of a companion at a tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Beside {
    /// This is what it read; nothing, where it missed the tick.
    Told(Companion),
    /// It has not come to that tick yet.
    Ahead,
}

/// The last ticks of one companion.
#[derive(Clone, Debug)]
pub(crate) struct Memory {
    period: Period,
    told: VecDeque<(Stamp, Companion)>,
}

impl Memory {
    pub(crate) const fn new(period: Period) -> Self {
        Self {
            period,
            told: VecDeque::new(),
        }
    }

    pub(crate) const fn period(&self) -> Period {
        self.period
    }

    /// The companion read this at a tick, or nothing. The newest of several in one tick counts.
    pub(crate) fn note(&mut self, tick: Stamp, read: Companion) {
        let tick = tick.floor(self.period);
        match self.told.back_mut() {
            Some(last) if last.0 == tick => last.1 = read,
            _ => self.told.push_back((tick, read)),
        }
        if self.told.len() > REMEMBERED {
            self.told.pop_front();
        }
    }

    /// What it read in its tick that holds another channel's tick.
    pub(crate) fn at(&self, tick: Stamp) -> Beside {
        let wanted = tick.floor(self.period);
        match self.told.iter().find(|(told, _)| *told == wanted) {
            Some((_, read)) => Beside::Told(*read),
            None if self.told.back().is_some_and(|(last, _)| *last > wanted) => {
                Beside::Told(Companion::NONE)
            }
            None => Beside::Ahead,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn tick(seconds: i64) -> Stamp {
        Stamp::from_millis(seconds * 1000)
    }

    #[test]
    fn a_tick_is_told_missed_or_still_to_come() {
        let mut memory = Memory::new(Period::SECOND);
        assert_eq!(memory.at(tick(5)), Beside::Ahead);
        memory.note(tick(5), Companion::good(150.0));
        memory.note(tick(7), Companion::good(152.0));
        assert_eq!(memory.at(tick(5)), Beside::Told(Companion::good(150.0)));
        assert_eq!(memory.at(tick(6)), Beside::Told(Companion::NONE));
        assert_eq!(memory.at(tick(8)), Beside::Ahead);
        for later in 8..20 {
            memory.note(tick(later), Companion::NONE);
        }
        assert_eq!(memory.told.len(), REMEMBERED);
    }

    #[test]
    fn a_slower_companion_holds_for_its_whole_tick() {
        let period = Period::new(Duration::from_secs(10)).unwrap();
        let mut memory = Memory::new(period);
        memory.note(tick(20), Companion::good(150.0));
        assert_eq!(memory.at(tick(29)), Beside::Told(Companion::good(150.0)));
        assert_eq!(memory.at(tick(30)), Beside::Ahead);
    }
}
