//! Derived channels: readings of one tick, brought together and put through a law.
//!
//! A *slot* is one tick of a derived channel, the slowest of its inputs', on the UTC grid; of each input the first
//! reading within it counts, so that anybody who has the samples finds the same ones. A slot waits until every
//! input is told, and at most until readings of the second slot after it come in: then it is given up. Slots leave in
//! order, each as a sample or as a gap with its cause.
//!
//! Which inputs, which law: [`zonda_config::derived`]. The physics: [`zonda_air::law`].

mod anew;

use std::collections::{BTreeMap, VecDeque};

use zonda_config::derived::Law;
use zonda_config::{Config, DerivedPlan};
use zonda_model::{Cause, Code, Miss, Period, Quality, Sample, Stamp};

pub(crate) use anew::Laws;

/// A slot is given up when readings of so many slots later come in. It bounds how many wait.
const GIVEN_UP_AFTER: i64 = 2;

/// Flags of an input that hold for what is derived from it in the same words. All others make it `moved`.
const PASSED_ON: Quality = Quality::SIMULATED
    .union(Quality::BACKLOG)
    .union(Quality::RESYNCED)
    .union(Quality::UNCALIBRATED)
    .union(Quality::CALIBRATION_OVERDUE)
    .union(Quality::LOOP_CHECK);

/// All flags that a derived sample can have.
const FLAGS: Quality = PASSED_ON.union(Quality::MOVED).union(Quality::NO_NUMBER);

/// What became of a slot.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Outcome {
    /// A reading.
    Sample(Sample<usize>),
    /// None, from this tick on, and why.
    Missed {
        channel: usize,
        tick: Stamp,
        miss: Miss,
    },
}

/// All derived channels of a station.
#[derive(Debug)]
pub(crate) struct Derived {
    channels: Vec<Channel>,
}

#[derive(Debug)]
struct Channel {
    plan: DerivedPlan,
    names: Vec<String>,
    period_us: i64,
    slots: BTreeMap<i64, Slot>,
    /// The newest slot of which anything was told.
    newest: i64,
    /// The last slot that has left.
    left: Option<i64>,
}

/// What has been told of one tick.
#[derive(Debug)]
struct Slot {
    cells: Vec<Cell>,
    /// Nothing can come any more, up to and including this slot.
    missed: Option<(i64, Miss)>,
}

#[derive(Clone, Debug)]
enum Cell {
    Waiting,
    Told(Sample<usize>),
    /// A tick of a fast input brought nothing; the next one may.
    NotYet(Miss),
}

/// A stretch without readings of an input, in UTC, µs.
#[derive(Clone, Copy, Debug)]
struct Hole {
    from_us: i64,
    to_us: i64,
}

impl Derived {
    pub(crate) fn new(config: &Config, period_of: impl Fn(usize) -> Period) -> Self {
        let channel = |plan: &DerivedPlan| Channel {
            names: plan
                .inputs
                .iter()
                .map(|input| config.channels[*input].name.to_string())
                .collect(),
            period_us: period_of(plan.channel).micros(),
            plan: plan.clone(),
            slots: BTreeMap::new(),
            newest: i64::MIN,
            left: None,
        };
        Self {
            channels: config.derived.iter().map(channel).collect(),
        }
    }

    /// What follows from samples. `utc_offset_us` is how far the record's axis is ahead of UTC.
    pub(crate) fn follow(&mut self, samples: &[Sample<usize>], utc_offset_us: i64) -> Vec<Outcome> {
        if self.channels.is_empty() {
            return Vec::new();
        }
        let mut waiting: VecDeque<Outcome> = samples.iter().copied().map(Outcome::Sample).collect();
        self.work_off(&mut waiting, utc_offset_us)
    }

    /// What follows from `miss` at `tick` of these channels, whose tick is `period`.
    pub(crate) fn follow_miss(
        &mut self,
        channels: &[usize],
        (tick, period): (Stamp, Period),
        miss: &Miss,
        utc_offset_us: i64,
    ) -> Vec<Outcome> {
        let from_us = tick.micros() - utc_offset_us;
        let hole = Hole {
            from_us,
            to_us: from_us + i64::from(miss.ticks.max(1)) * period.micros(),
        };
        let mut waiting = VecDeque::new();
        for input in channels {
            waiting.extend(self.tell_miss(*input, hole, miss, utc_offset_us));
        }
        self.work_off(&mut waiting, utc_offset_us)
    }

    /// Tells outcomes to those that are fed with them, and gives what follows. Feeding goes downwards only, so it ends.
    fn work_off(&mut self, waiting: &mut VecDeque<Outcome>, utc_offset_us: i64) -> Vec<Outcome> {
        let mut outcomes = Vec::new();
        while let Some(outcome) = waiting.pop_front() {
            let followed = match &outcome {
                Outcome::Sample(sample) => self.tell(sample, utc_offset_us),
                Outcome::Missed {
                    channel,
                    tick,
                    miss,
                } => {
                    let from_us = tick.micros() - utc_offset_us;
                    let period_us = self.period_us(*channel);
                    let to_us = from_us + i64::from(miss.ticks.max(1)) * period_us;
                    self.tell_miss(*channel, Hole { from_us, to_us }, miss, utc_offset_us)
                }
            };
            let is_derived =
                |channel: usize| self.channels.iter().any(|c| c.plan.channel == channel);
            let channel = match &outcome {
                Outcome::Sample(sample) => sample.channel,
                Outcome::Missed { channel, .. } => *channel,
            };
            if is_derived(channel) {
                outcomes.push(outcome);
            }
            waiting.extend(followed);
        }
        outcomes
    }

    fn period_us(&self, channel: usize) -> i64 {
        let it = self.channels.iter().find(|it| it.plan.channel == channel);
        it.map_or(1, |it| it.period_us)
    }

    fn tell(&mut self, sample: &Sample<usize>, utc_offset_us: i64) -> Vec<Outcome> {
        let mut outcomes = Vec::new();
        for channel in &mut self.channels {
            if let Some(place) = channel.place(sample.channel) {
                channel.put(place, sample, utc_offset_us);
                channel.leave(utc_offset_us, &mut outcomes);
            }
        }
        outcomes
    }

    fn tell_miss(
        &mut self,
        input: usize,
        hole: Hole,
        miss: &Miss,
        utc_offset_us: i64,
    ) -> Vec<Outcome> {
        let mut outcomes = Vec::new();
        for channel in &mut self.channels {
            if let Some(place) = channel.place(input) {
                channel.put_miss(place, hole, miss);
                channel.leave(utc_offset_us, &mut outcomes);
            }
        }
        outcomes
    }
}

impl Channel {
    /// Where a channel stands among the inputs.
    fn place(&self, channel: usize) -> Option<usize> {
        self.plan.inputs.iter().position(|input| *input == channel)
    }

    fn slot_of(&self, utc_us: i64) -> i64 {
        utc_us.div_euclid(self.period_us)
    }

    fn slot(&mut self, number: i64) -> &mut Slot {
        let count = self.plan.inputs.len();
        self.newest = self.newest.max(number);
        self.slots.entry(number).or_insert_with(|| Slot {
            cells: vec![Cell::Waiting; count],
            missed: None,
        })
    }

    fn has_left(&self, number: i64) -> bool {
        self.left.is_some_and(|left| number <= left)
    }

    /// The first reading of a slot counts.
    fn put(&mut self, place: usize, sample: &Sample<usize>, utc_offset_us: i64) {
        let number = self.slot_of(sample.at.micros() - utc_offset_us);
        if self.has_left(number) {
            return;
        }
        let cell = &mut self.slot(number).cells[place];
        if !matches!(cell, Cell::Told(_)) {
            *cell = Cell::Told(*sample);
        }
    }

    fn put_miss(&mut self, place: usize, hole: Hole, miss: &Miss) {
        let first = self.slot_of(hole.from_us);
        let is_told = |slot: &Slot| matches!(slot.cells[place], Cell::Told(_));
        let first = if self.slots.get(&first).is_some_and(is_told) {
            first + 1
        } else {
            first
        };
        // Slots that the hole covers to their ends; a fast input may still bring a reading into the next.
        let last = self.slot_of(hole.to_us) - 1;
        let detail = format!(
            "its input `{}` is missing: {}",
            self.names[place], miss.detail
        );
        let miss = Miss {
            detail,
            ..miss.clone()
        };
        let first = match self.left {
            Some(left) => first.max(left + 1),
            None => first,
        };
        if first <= last {
            // All these ticks are over, and so is what came before them.
            self.newest = self.newest.max(last);
            let missed = &mut self.slot(first).missed;
            if missed.as_ref().is_none_or(|(until, _)| *until < last) {
                *missed = Some((last, miss));
            }
        } else if !self.has_left(first) && self.slot_of(hole.from_us) == first {
            self.slot(first).cells[place] = Cell::NotYet(miss);
        }
    }

    /// Lets slots go that are whole or hopeless, in order.
    fn leave(&mut self, utc_offset_us: i64, outcomes: &mut Vec<Outcome>) {
        while let Some((number, slot)) = self.slots.first_key_value() {
            let number = *number;
            let (until, outcome) = if let Some((until, miss)) = &slot.missed {
                (*until, Some(Err(miss.clone())))
            } else if let Some(samples) = slot.whole() {
                (number, Some(Ok(samples)))
            } else if self.newest >= number + GIVEN_UP_AFTER {
                // Before the first reading nothing has begun, and nothing is missing.
                (number, self.left.map(|_| Err(self.given_up(slot))))
            } else {
                return;
            };
            self.left = if outcome.is_some() {
                Some(until)
            } else {
                self.left
            };
            self.slots.retain(|other, _| *other > until);
            outcomes.extend(
                outcome.map(|outcome| self.outcome(outcome, (number, until), utc_offset_us)),
            );
        }
    }

    fn outcome(
        &self,
        outcome: Result<Vec<Sample<usize>>, Miss>,
        (first, last): (i64, i64),
        utc_offset_us: i64,
    ) -> Outcome {
        match outcome {
            Ok(samples) => Outcome::Sample(self.derive(&samples)),
            Err(miss) => Outcome::Missed {
                channel: self.plan.channel,
                tick: Stamp::from_micros(first * self.period_us + utc_offset_us),
                miss: Miss {
                    ticks: u32::try_from(last - first + 1).unwrap_or(u32::MAX),
                    ..miss
                },
            },
        }
    }

    /// Why a slot is given up: what was told of a missing input, or that nothing was.
    fn given_up(&self, slot: &Slot) -> Miss {
        let told = slot.cells.iter().find_map(|cell| match cell {
            Cell::NotYet(miss) => Some(miss.clone()),
            _ => None,
        });
        told.unwrap_or_else(|| {
            let waiting = slot
                .cells
                .iter()
                .position(|cell| matches!(cell, Cell::Waiting));
            let name = waiting.and_then(|place| self.names.get(place));
            Miss {
                ticks: 1,
                cause: Cause::Overrun,
                detail: format!(
                    "its input `{}` had no reading in this tick when later ones came",
                    name.map_or("?", String::as_str)
                ),
            }
        })
    }

    /// The value, its flags, and the moment of the last of its inputs. The code is the number as it came out then: a
    /// correction of an input may give the sample another value, and the code stays what was acquired.
    fn derive(&self, samples: &[Sample<usize>]) -> Sample<usize> {
        let inputs: Vec<_> = samples
            .iter()
            .map(|sample| (sample.value, sample.quality))
            .collect();
        let (value, quality) = put_through(&self.plan.law, &inputs);
        Sample {
            channel: self.plan.channel,
            at: samples
                .iter()
                .map(|sample| sample.at)
                .max()
                .unwrap_or_default(),
            code: value.map(Code::Number),
            value,
            quality,
        }
    }
}

/// What a law makes of its inputs, values in SI and their flags.
fn put_through(law: &Law, inputs: &[(Option<f64>, Quality)]) -> (Option<f64>, Quality) {
    let all = inputs
        .iter()
        .fold(Quality::empty(), |all, (_, quality)| all | *quality);
    let mut quality = all & PASSED_ON;
    if all != quality {
        quality |= Quality::MOVED;
    }
    let values: Option<Vec<f64>> = inputs.iter().map(|(value, _)| *value).collect();
    // A zero has no sign in the file.
    let value = values
        .and_then(|values| law.value(&values).ok())
        .filter(|value| value.is_finite())
        .map(|value| value + 0.0);
    if value.is_none() {
        quality |= Quality::NO_NUMBER;
    }
    (value, quality)
}

impl Slot {
    /// A reading of every input, or `None`.
    fn whole(&self) -> Option<Vec<Sample<usize>>> {
        self.cells
            .iter()
            .map(|cell| match cell {
                Cell::Told(sample) => Some(*sample),
                _ => None,
            })
            .collect()
    }
}

#[cfg(test)]
mod tests;
