//! Whose turn it is within one tick.
//!
//! Each due source is asked once, in the order of the configuration. One whose unit must be left
//! alone for a while, because it has just failed, lets the others go first. A unit that was silent is
//! asked again only where that is sure to end before the next tick: so it costs the others at most
//! its own time-out per tick.

use std::time::{Duration, Instant};

use zonda_protocol::modbus::UnitId;

use crate::source::Failure;

/// A source that has to be asked in this tick.
#[derive(Clone, Debug)]
pub(crate) struct Job {
    /// Index among the line's sources.
    pub(crate) source: usize,
    pub(crate) unit: UnitId,
    /// How often a failed request may still be repeated.
    pub(crate) retries: u8,
    /// A device that was busy is asked once more, whatever the retries.
    pub(crate) may_be_busy: bool,
    /// What was wrong, where it, or another source of the same unit, failed in this tick.
    pub(crate) failed: Option<Failure>,
    /// What has been read so far, span by span.
    pub(crate) registers: Vec<Vec<u16>>,
    pub(crate) resynced: bool,
    /// When the first of its requests went out.
    pub(crate) sent_at: Option<Instant>,
}

/// What to do next.
#[derive(Debug)]
pub(crate) enum Turn {
    /// Ask this one.
    Ask(Job),
    /// There is no time left for this one.
    GiveUp(Job),
}

/// The jobs of one tick that are still to be done.
#[derive(Debug, Default)]
pub(crate) struct Round {
    jobs: Vec<Job>,
}

impl Round {
    pub(crate) fn new(jobs: Vec<Job>) -> Self {
        Self { jobs }
    }

    /// Takes the next job out. `ready_at` says when a unit may be asked, `longest` how long asking
    /// a source may take; `end` is when the next tick begins.
    pub(crate) fn next(
        &mut self,
        now: Instant,
        end: Instant,
        ready_at: impl Fn(UnitId) -> Instant,
        longest: impl Fn(&Job) -> Duration,
    ) -> Option<Turn> {
        let is_ready = |job: &Job| job.failed.is_none() && ready_at(job.unit) <= now;
        if let Some(index) = self.jobs.iter().position(is_ready) {
            return Some(Turn::Ask(self.jobs.remove(index)));
        }
        let (index, ready) = self
            .jobs
            .iter()
            .map(|job| ready_at(job.unit).max(now))
            .enumerate()
            .min_by_key(|(_, ready)| *ready)?;
        let job = self.jobs.remove(index);
        let was_silent = job.failed.as_ref().is_some_and(Failure::is_silence);
        let is_possible = if was_silent {
            ready + longest(&job) <= end
        } else {
            ready < end
        };
        Some(if is_possible {
            Turn::Ask(job)
        } else {
            Turn::GiveUp(job)
        })
    }

    /// A job failed and may be tried again.
    pub(crate) fn again(&mut self, job: Job) {
        self.jobs.push(job);
    }

    /// A unit did not answer: its other sources are now asked on the terms of a repeated question.
    pub(crate) fn unit_was_silent(&mut self, unit: UnitId, failure: &Failure) {
        for job in self.jobs.iter_mut().filter(|job| job.unit == unit) {
            job.failed.get_or_insert_with(|| failure.clone());
        }
    }

    /// Every job that is left: the line is gone.
    pub(crate) fn rest(&mut self) -> Vec<Job> {
        std::mem::take(&mut self.jobs)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::Prospect;
    use std::collections::BTreeMap;
    use zonda_model::Cause;

    const TIMEOUT: Duration = Duration::from_millis(100);
    const TICK: Duration = Duration::from_secs(1);
    const EXCHANGE: Duration = Duration::from_millis(20);

    fn silence() -> Failure {
        Failure {
            cause: Cause::Timeout,
            detail: "no answer".to_owned(),
            prospect: Prospect::Poor,
        }
    }

    fn job(source: usize, unit: u8, retries: u8) -> Job {
        Job {
            source,
            unit: UnitId::tcp(unit),
            retries,
            may_be_busy: true,
            failed: None,
            registers: Vec::new(),
            resynced: false,
            sent_at: None,
        }
    }

    /// Plays one tick in which some units are silent; gives who was asked when, in milliseconds.
    fn played(jobs: Vec<Job>, silent: &[u8]) -> (Vec<(usize, u128)>, Vec<usize>) {
        let start = Instant::now();
        let mut now = start;
        let mut quiet: BTreeMap<UnitId, Instant> = BTreeMap::new();
        let mut round = Round::new(jobs);
        let (mut asked, mut given_up) = (Vec::new(), Vec::new());
        let ready =
            |quiet: &BTreeMap<UnitId, Instant>, unit| quiet.get(&unit).copied().unwrap_or(start);
        while let Some(turn) =
            round.next(now, start + TICK, |unit| ready(&quiet, unit), |_| TIMEOUT)
        {
            let mut job = match turn {
                Turn::Ask(job) => job,
                Turn::GiveUp(job) => {
                    given_up.push(job.source);
                    continue;
                }
            };
            now = now.max(ready(&quiet, job.unit));
            asked.push((job.source, (now - start).as_millis()));
            if !silent.contains(&job.unit.number()) {
                now += EXCHANGE;
                continue;
            }
            now += TIMEOUT;
            quiet.insert(job.unit, now + TIMEOUT);
            round.unit_was_silent(job.unit, &silence());
            if job.retries > 0 {
                job.retries -= 1;
                job.failed = Some(silence());
                round.again(job);
            }
        }
        (asked, given_up)
    }

    #[test]
    fn sources_are_asked_in_their_order() {
        let (asked, given_up) = played(vec![job(0, 1, 0), job(1, 2, 0), job(2, 1, 0)], &[]);
        assert_eq!(asked, [(0, 0), (1, 20), (2, 40)]);
        assert!(given_up.is_empty());
    }

    #[test]
    fn a_silent_unit_is_repeated_after_the_others_and_only_while_there_is_time() {
        let (asked, _) = played(vec![job(0, 1, 9), job(1, 2, 0), job(2, 3, 0)], &[1]);
        assert_eq!(asked[..4], [(0, 0), (1, 100), (2, 120), (0, 200)]);
        // Each repetition waits out the quiet time; the last must end before the tick does.
        assert_eq!(asked[4..], [(0, 400), (0, 600), (0, 800)]);
    }

    #[test]
    fn a_second_source_of_a_silent_unit_waits_for_its_turn() {
        let (asked, _) = played(vec![job(0, 1, 0), job(1, 1, 0), job(2, 2, 0)], &[1]);
        assert_eq!(asked, [(0, 0), (2, 100), (1, 200)]);
    }

    #[test]
    fn who_comes_too_late_is_given_up() {
        let (asked, given_up) = played(vec![job(0, 1, 0); 40], &[1]);
        assert_eq!(
            asked.len() + given_up.len(),
            40,
            "everybody is told of once"
        );
        assert!(asked.iter().all(|(_, at)| *at <= 900), "{asked:?}");
    }
}
