//! From readings of several channels, each at its own time, to scans: one reading of each in every tick of the slowest.

use zonda_evaluate::Reading;
use zonda_model::{Period, Quality, Stamp};

/// Gathers readings tick by tick. Of each channel the first reading within a tick counts; one that has none is there without
/// a value.
#[derive(Clone, Debug)]
pub(crate) struct Scans {
    period: Period,
    tick: Option<Stamp>,
    open: Vec<Option<Reading>>,
    scan: Vec<Reading>,
}

impl Scans {
    /// Of so many channels, the slowest of which has this period.
    pub(crate) fn new(channels: usize, period: Period) -> Self {
        Self {
            period,
            tick: None,
            open: vec![None; channels],
            scan: Vec::with_capacity(channels),
        }
    }

    /// Takes a reading; the scan that was complete before it, where it begins another tick.
    pub(crate) fn push(&mut self, channel: usize, reading: &Reading) -> Option<&[Reading]> {
        let tick = reading.at.floor(self.period);
        let is_next = self.tick.is_some_and(|open| open != tick);
        if is_next {
            self.close();
        }
        self.tick = Some(tick);
        if let Some(place) = self.open.get_mut(channel) {
            place.get_or_insert(*reading);
        }
        is_next.then_some(&self.scan)
    }

    /// The last scan.
    pub(crate) fn finish(&mut self) -> Option<&[Reading]> {
        self.tick?;
        self.close();
        self.tick = None;
        Some(&self.scan)
    }

    fn close(&mut self) {
        let first = self.open.iter().flatten().map(|reading| reading.at).min();
        let missing = Reading {
            at: first.unwrap_or_default(),
            value: None,
            quality: Quality::empty(),
        };
        self.scan.clear();
        let scan = self.open.iter_mut();
        self.scan
            .extend(scan.map(|place| place.take().unwrap_or(missing)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scan_is_one_tick_and_what_is_missing_is_there_without_a_value() {
        let at = |millis| Reading::good(Stamp::from_millis(millis), 1.0);
        let mut scans = Scans::new(2, Period::SECOND);
        assert!(scans.push(0, &at(40)).is_none());
        assert!(scans.push(1, &at(60)).is_none());
        assert!(
            scans.push(0, &at(540)).is_none(),
            "a second one in the tick"
        );
        let scan = scans.push(1, &at(1060)).unwrap();
        let times: Vec<i64> = scan.iter().map(|reading| reading.at.millis()).collect();
        assert_eq!(times, [40, 60]);
        let last = scans.finish().unwrap();
        assert_eq!(last[0].value, None);
        assert_eq!(last[0].at, last[1].at);
        assert!(scans.finish().is_none());
    }
}
