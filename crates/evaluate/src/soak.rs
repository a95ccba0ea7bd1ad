//! How long something stayed where it belongs.
//!
//! Time counts where a sample is in band, the next one is too, and nothing is missing between them
//! ([`crate::coverage::is_unbroken`]). A gap, or a sample that is not used, is not bridged: nobody knows what happened
//! meanwhile. This is also the time in which all places of a zone are within tolerance.

use std::time::Duration;

use zonda_model::{Period, Stamp};

use crate::coverage::is_unbroken;
use crate::stretch::Stretch;

/// What a sample says about the band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum InBand {
    /// In it.
    Yes,
    /// Not in it.
    No,
    /// Nobody knows: the sample is flagged, or a part of it is missing.
    Unknown,
}

impl From<bool> for InBand {
    fn from(is_inside: bool) -> Self {
        if is_inside { Self::Yes } else { Self::No }
    }
}

/// Time in band.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Soak {
    /// All of it.
    pub total: Duration,
    /// The longest piece without an excursion or a gap; the first one where there are two.
    pub longest: Option<Stretch>,
    /// How often a sample outside followed one inside, without a gap between them.
    pub excursions: u64,
    /// Time between samples of which it is not known whether it was in band, gaps included.
    pub unknown: Duration,
}

/// Takes samples in order of time and adds up the time in band. Parts can be joined.
#[derive(Clone, Copy, Debug)]
pub struct Soaking {
    period: Period,
    soak: Soak,
    ends: Option<(Sample, Sample)>,
    /// The unbroken run in band that the first sample begins.
    head: Option<Run>,
    /// The unbroken run in band that the last sample ends.
    run: Option<Run>,
}

type Sample = (Stamp, InBand);
type Run = (Stamp, Stamp);

impl Soaking {
    /// For samples that are expected once a `period`.
    pub fn new(period: Period) -> Self {
        Self {
            period,
            soak: Soak::default(),
            ends: None,
            head: None,
            run: None,
        }
    }

    /// Takes a sample that is not earlier than the one before.
    pub fn push(&mut self, at: Stamp, is: InBand) {
        let mut one = Self::new(self.period);
        one.ends = Some(((at, is), (at, is)));
        one.head = (is == InBand::Yes).then_some((at, at));
        one.run = one.head;
        self.join(&one);
    }

    /// Joins what comes later.
    pub fn join(&mut self, later: &Self) {
        let (Some((first, last)), Some((next, end))) = (self.ends, later.ends) else {
            if self.ends.is_none() {
                *self = *later;
            }
            return;
        };
        let bridged = self.bridge(last, next);
        let is_one_run =
            |part: &Self| part.run.is_some() && part.run == part.head && part.is_whole(part.run);
        let joined = self
            .run
            .zip(later.head)
            .filter(|_| bridged)
            .map(|((from, _), (_, to))| (from, to));
        if is_one_run(self) && joined.is_some() {
            self.head = joined;
        }
        self.run = match joined {
            Some(_) if is_one_run(later) => joined,
            _ => later.run,
        };
        self.ends = Some((first, end));
        self.soak.total += later.soak.total;
        self.soak.excursions += later.soak.excursions;
        self.soak.unknown += later.soak.unknown;
        let crossing = joined.and_then(|(from, to)| Stretch::new(from, to).ok());
        for piece in [crossing, later.soak.longest].into_iter().flatten() {
            if self
                .soak
                .longest
                .is_none_or(|longest| piece.length() > longest.length())
            {
                self.soak.longest = Some(piece);
            }
        }
    }

    /// Counts the time between two samples; true where it is in band.
    fn bridge(&mut self, (then, was): Sample, (at, is): Sample) -> bool {
        let span = at.since(then);
        let follows = is_unbroken(span, self.period);
        match (was, is) {
            (InBand::Unknown, _) | (_, InBand::Unknown) => self.soak.unknown += span,
            _ if !follows => self.soak.unknown += span,
            (InBand::Yes, InBand::Yes) => {
                self.soak.total += span;
                return true;
            }
            (InBand::Yes, InBand::No) => self.soak.excursions += 1,
            (InBand::No, _) => {}
        }
        false
    }

    /// True where a run goes from the first to the last sample.
    fn is_whole(&self, run: Option<Run>) -> bool {
        let ends = self.ends.map(|((from, _), (to, _))| (from, to));
        ends == run
    }

    /// The time so far.
    pub const fn soak(&self) -> Soak {
        self.soak
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn soak(samples: &[(i64, InBand)]) -> Soak {
        let mut soaking = Soaking::new(Period::SECOND);
        for (second, is) in samples {
            soaking.push(Stamp::from_millis(second * 1000), *is);
        }
        soaking.soak()
    }

    #[test]
    fn a_gap_is_not_soak() {
        use InBand::Yes;
        let found = soak(&[(0, Yes), (1, Yes), (11, Yes), (12, Yes), (13, Yes)]);
        assert_eq!(found.total, Duration::from_secs(3));
        assert_eq!(found.unknown, Duration::from_secs(10));
        assert_eq!(found.longest.unwrap().length(), Duration::from_secs(2));
        assert_eq!(found.excursions, 0);
    }

    #[test]
    fn what_nobody_knows_breaks_it_without_being_an_excursion() {
        use InBand::{No, Unknown, Yes};
        let found = soak(&[(0, Yes), (1, Unknown), (2, Yes), (3, Yes), (4, No)]);
        assert_eq!(found.total, Duration::from_secs(1));
        assert_eq!(found.unknown, Duration::from_secs(2));
        assert_eq!(found.excursions, 1);
    }
}
