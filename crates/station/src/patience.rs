//! What is said of a source that stops answering: once when it stays away, once an hour, once when
//! it is back. One that comes and goes is told of ever more rarely, so that a loose cable does not
//! fill the record's events, or the disk, overnight. The gaps say everything all the same.

use std::time::Duration;

use zonda_model::{Cause, Miss, Stamp};

/// Shorter absences are gaps and nothing to wake anybody for.
const AWAY_FOR: Duration = Duration::from_secs(3);
const AGAIN_EVERY: Duration = Duration::from_hours(1);
/// The least and the most time between two tellings of one source.
const BETWEEN: (Duration, Duration) = (Duration::from_mins(1), Duration::from_hours(1));

/// Something to say.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum News {
    /// It stays away.
    Down {
        since: Stamp,
        cause: Cause,
        why: String,
    },
    /// It is still away.
    StillDown {
        since: Stamp,
        missed: u64,
        why: String,
    },
    /// It is back.
    Up { since: Stamp, missed: u64 },
}

/// What is known of one source.
#[derive(Clone, Debug)]
pub(crate) struct Patience {
    away: Option<Away>,
    told_down: Option<Stamp>,
    between: Duration,
}

#[derive(Clone, Debug)]
struct Away {
    since: Stamp,
    missed: u64,
    told_at: Option<Stamp>,
}

impl Patience {
    pub(crate) const fn new() -> Self {
        Self {
            away: None,
            told_down: None,
            between: BETWEEN.0,
        }
    }

    /// A tick brought nothing.
    pub(crate) fn missed(&mut self, tick: Stamp, now: Stamp, miss: &Miss) -> Option<News> {
        let between = self.between;
        let may_tell = self.told_down.is_none_or(|told| now.since(told) >= between);
        let away = self.away.get_or_insert(Away {
            since: tick,
            missed: 0,
            told_at: None,
        });
        away.missed += u64::from(miss.ticks);
        let (since, missed, why) = (away.since, away.missed, miss.detail.clone());
        match away.told_at {
            None if (now.since(since) >= AWAY_FOR || miss.cause == Cause::Mismatch) && may_tell => {
                away.told_at = Some(now);
                if self
                    .told_down
                    .is_some_and(|told| now.since(told) < BETWEEN.1 * 2)
                {
                    self.between = (self.between * 2).min(BETWEEN.1);
                } else {
                    self.between = BETWEEN.0;
                }
                self.told_down = Some(now);
                Some(News::Down {
                    since,
                    cause: miss.cause,
                    why,
                })
            }
            Some(told) if now.since(told) >= AGAIN_EVERY => {
                away.told_at = Some(now);
                Some(News::StillDown { since, missed, why })
            }
            _ => None,
        }
    }

    /// It gave data.
    pub(crate) fn answered(&mut self) -> Option<News> {
        let away = self.away.take()?;
        away.told_at.map(|_| News::Up {
            since: away.since,
            missed: away.missed,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn second(s: i64) -> Stamp {
        Stamp::from_millis(s * 1000)
    }

    fn miss() -> Miss {
        Miss {
            ticks: 1,
            cause: Cause::Timeout,
            detail: "no answer within 300 ms".into(),
        }
    }

    #[test]
    fn a_night_without_a_cable_is_told_a_dozen_times() {
        let mut patience = Patience::new();
        let news: Vec<_> = (0..12 * 3600)
            .filter_map(|s| patience.missed(second(s), second(s), &miss()))
            .collect();
        assert!(matches!(news[0], News::Down { .. }));
        assert_eq!(news.len(), 12);
        assert_eq!(
            patience.answered(),
            Some(News::Up {
                since: second(0),
                missed: 12 * 3600
            })
        );
        assert_eq!(patience.answered(), None);
    }

    #[test]
    fn one_missed_tick_is_nothing_to_tell() {
        let mut patience = Patience::new();
        for s in (0..1000).step_by(2) {
            assert_eq!(patience.missed(second(s), second(s), &miss()), None);
            assert_eq!(patience.answered(), None);
        }
    }

    #[test]
    fn the_wrong_device_is_told_at_once() {
        let miss = Miss {
            cause: Cause::Mismatch,
            ..miss()
        };
        let news = Patience::new().missed(second(5), second(5), &miss);
        assert!(matches!(news, Some(News::Down { .. })), "{news:?}");
    }

    #[test]
    fn a_loose_cable_is_told_ever_more_rarely() {
        let mut patience = Patience::new();
        let mut told = 0;
        for s in 0..24 * 3600 {
            let news = if s % 10 < 6 {
                patience.missed(second(s), second(s), &miss())
            } else {
                patience.answered()
            };
            told += u32::from(news.is_some());
        }
        assert!(told < 80, "{told} in 24 hours");
    }
}
