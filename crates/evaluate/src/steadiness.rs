//! Since when, and until when, a channel is steady; live and over stored readings.
//!
//! A *window* of time slides along in 32 steps, its *blocks*. It is steady where nothing in the means of its blocks moves
//! beyond what their noise explains: neither the row as a whole, nor its first or its last eighth against the rest.
//! A channel enters the steady state when a whole window passes at an error rate of 5 % (common practice, no source), and
//! leaves it when one fails at a rate so small that [`SteadyRule::false_alarms`] holds for all steps of a window
//! together (Bonferroni). After that a whole new window must pass.
//!
//! The noise is measured at periods just below the window's length, so that both rates hold for noise with a memory;
//! a ratio of variances at the rate of sampling (Cao and Rhinehart, J. Process Control 5 (1995)) is right for
//! independent noise only and calls a slow sensor that is sampled fast unsteady for ever. The condition: what the noise
//! remembers is forgotten (to 1/e) within a thirtieth of the window. Swings of a controller that come at least ten
//! times in a window count as noise.
//!
//! *Frozen* is a channel whose readings do not change at all; whether the device hangs or its resolution is coarser
//! than the noise, steadiness cannot be told. It is found out after an eighth of a window, and then told from the last change on. A movement smaller than the smallest change between two readings is
//! never reported: no channel shows less than its resolution.

use std::collections::VecDeque;
use std::fmt;
use std::time::Duration;

use zonda_model::run::spelled;
use zonda_model::{Period, Stamp};

use crate::bend::{Bend, Critical, END, ROW};
use crate::float;
use crate::mean::PushError;
use crate::reading::{Reading, Sieve, Tally};
use crate::stretch::Stretch;
use crate::sum::Sum;

/// What is to be called steady.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SteadyRule {
    /// How often the channel is sampled.
    pub period: Period,
    /// Which readings are used.
    pub sieve: Sieve,
    /// How long nothing may move: 64 periods at least, and thirty times as long as the noise remembers.
    pub window: Duration,
    /// A movement within the window that does not matter, in the SI unit of the quantity; 0 where each one does.
    pub negligible: f64,
    /// The probability that a steady channel is said to move within a time as long as the window: above 0, at most 0.5.
    pub false_alarms: f64,
}

impl SteadyRule {
    /// Good readings only; every movement matters; one false alarm in a thousand windows at most.
    pub const fn over(window: Duration, period: Period) -> Self {
        Self {
            period,
            sieve: Sieve::GOOD,
            window,
            negligible: 0.0,
            false_alarms: 0.001,
        }
    }
}

impl fmt::Display for SteadyRule {
    /// The definition, as a report prints it beside the times.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "within {} nothing moves beyond its noise and by more than {}, one false alarm in {:.0} windows",
            spelled(self.window),
            self.negligible,
            1.0 / self.false_alarms
        )
    }
}

/// Why a rule cannot be followed.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SteadyRuleError {
    /// Too few readings in a window.
    #[error(
        "a window of {window:?} holds fewer than {} readings at one every {period:?}, too few to tell noise from movement; make it at least {:?}",
        READINGS_MIN, *period * READINGS_MIN
    )]
    Window {
        /// The window.
        window: Duration,
        /// The period.
        period: Duration,
    },
    /// No size.
    #[error("a negligible movement of {0} cannot be: it is a number of 0 or more")]
    Negligible(f64),
    /// No probability, or one that says nothing.
    #[error(
        "false alarms in {0} of the windows cannot be: it is above 0 and at most 0.5, such as 0.01"
    )]
    FalseAlarms(f64),
}

/// Blocks in a window.
const BLOCKS: i64 = 32;

/// Two in each block.
const READINGS_MIN: u32 = 64;

/// The rate at which a steady window is not let in; common practice, no source.
const REFUSED: f64 = 0.05;

/// What can be said of a channel at the moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// No whole window yet, from the beginning or after a gap.
    Gathering {
        /// The first reading after the gap; `None` where there is none yet.
        since: Option<Stamp>,
    },
    /// Nothing moves.
    Steady {
        /// The beginning of the first window that passed.
        since: Stamp,
        /// The end of the last one.
        until: Stamp,
    },
    /// Something moves, or did within the last window.
    Moving {
        /// From when on, to an eighth of a window.
        since: Stamp,
    },
    /// The readings do not change.
    Frozen {
        /// The last change, or the first reading.
        since: Stamp,
    },
}

impl State {
    /// True for [`State::Steady`].
    pub const fn is_steady(self) -> bool {
        matches!(self, Self::Steady { .. })
    }
}

/// What the last whole window says; values in the SI unit of the quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// The end of the window.
    pub until: Stamp,
    /// The mean of its blocks.
    pub mean: f64,
    /// How far a straight line through it climbs from beginning to end.
    pub climb: f64,
    /// The standard uncertainty of the climb from the noise, its memory accounted for, with 8 degrees of freedom. A climb
    /// of twice this could hide in the window.
    pub u_climb: f64,
}

/// Takes the readings of one channel in order of time and says whether it is steady.
///
/// It holds 32 numbers however long the window is, and a step costs the same at any rate of sampling.
#[derive(Clone, Debug)]
pub struct Steadiness {
    rule: SteadyRule,
    enter: Critical,
    leave: Critical,
    width: i64,
    seen: Option<Stamp>,
    tally: Tally,
    open: Block,
    /// At most [`ROW`].
    row: VecDeque<Block>,
    last: Option<Last>,
    state: State,
    window: Option<Window>,
}

/// The reading before.
#[derive(Clone, Copy, Debug)]
struct Last {
    value: f64,
    changed: Stamp,
}

/// What is kept of a step of the window.
#[derive(Clone, Copy, Debug)]
struct Block {
    index: i64,
    count: u64,
    sum: Sum,
    changes: u64,
    /// The smallest change between two readings.
    step: f64,
    first: Option<Stamp>,
}

impl Block {
    const fn new(index: i64) -> Self {
        Self {
            index,
            count: 0,
            sum: Sum::ZERO,
            changes: 0,
            step: f64::INFINITY,
            first: None,
        }
    }

    fn mean(&self) -> f64 {
        self.sum.value() / float::count(self.count)
    }
}

impl Steadiness {
    /// By `rule`.
    ///
    /// # Errors
    /// [`SteadyRuleError`] for a window too short, a negligible movement below 0, or false alarms outside 0 to 0.5.
    pub fn new(rule: SteadyRule) -> Result<Self, SteadyRuleError> {
        let (window, period) = (rule.window, rule.period.duration());
        if window < period * READINGS_MIN {
            return Err(SteadyRuleError::Window { window, period });
        }
        if rule.negligible.is_nan() || rule.negligible < 0.0 {
            return Err(SteadyRuleError::Negligible(rule.negligible));
        }
        let alarms = SteadyRuleError::FalseAlarms(rule.false_alarms);
        if !(rule.false_alarms > 0.0 && rule.false_alarms <= 0.5) {
            return Err(alarms);
        }
        let each_step = rule.false_alarms / float::len(ROW);
        Ok(Self {
            rule,
            enter: Critical::new(REFUSED).ok_or(alarms)?,
            leave: Critical::new(each_step).ok_or(alarms)?,
            width: float::micros(window) / BLOCKS,
            seen: None,
            tally: Tally::EMPTY,
            open: Block::new(i64::MIN),
            row: VecDeque::new(),
            last: None,
            state: State::Gathering { since: None },
            window: None,
        })
    }

    /// What can be said at the moment.
    pub const fn state(&self) -> State {
        self.state
    }

    /// What the last whole window says; `None` until there is one since the last gap or movement.
    pub const fn window(&self) -> Option<Window> {
        self.window
    }

    /// Readings used and left out so far.
    pub const fn tally(&self) -> &Tally {
        &self.tally
    }

    /// Takes a reading. Flagged ones are counted and left out as the rule says; where they leave less than half of a
    /// thirty-second of the window, that is a gap.
    ///
    /// # Errors
    /// [`PushError::OutOfOrder`] for a reading earlier than the one before; it is not taken.
    pub fn push(&mut self, reading: &Reading) -> Result<State, PushError> {
        self.reach(reading.at)?;
        if let Some(value) = self.rule.sieve.admit(reading, &mut self.tally) {
            self.take(reading.at, value);
        }
        Ok(self.state)
    }

    /// Lets time pass without a reading, so that a channel that falls silent does not stay steady.
    ///
    /// # Errors
    /// [`PushError::OutOfOrder`] for a time earlier than what was seen before.
    pub fn reach(&mut self, at: Stamp) -> Result<State, PushError> {
        if let Some(last) = self.seen.filter(|last| at < *last) {
            return Err(PushError::OutOfOrder { at, last });
        }
        self.seen = Some(at);
        let index = at.micros().div_euclid(self.width);
        if index > self.open.index {
            self.close(index);
        }
        Ok(self.state)
    }

    fn take(&mut self, at: Stamp, value: f64) {
        let open = &mut self.open;
        open.count += 1;
        open.sum.add(value);
        open.first.get_or_insert(at);
        match &mut self.last {
            Some(last) => {
                let step = (value - last.value).abs();
                if step > 0.0 {
                    open.changes += 1;
                    open.step = open.step.min(step);
                    last.changed = at;
                }
                last.value = value;
            }
            None => self.last = Some(Last { value, changed: at }),
        }
        if self.state == (State::Gathering { since: None }) {
            self.state = State::Gathering { since: Some(at) };
        }
    }

    /// Closes the open block and begins that with `index`; blocks in between that nothing fell into are a gap.
    fn close(&mut self, index: i64) {
        let closed = std::mem::replace(&mut self.open, Block::new(index));
        if !self.is_thin(&closed) {
            self.row.push_back(closed);
            self.judge();
        } else if !self.row.is_empty() {
            self.forget();
        }
        if index > closed.index.saturating_add(1) {
            self.forget();
        }
    }

    /// Fewer than half of the readings that belong into a block.
    fn is_thin(&self, block: &Block) -> bool {
        let readings = i64::try_from(block.count).unwrap_or(i64::MAX);
        readings.saturating_mul(2 * self.rule.period.micros()) < self.width
    }

    fn forget(&mut self) {
        self.row.clear();
        self.last = None;
        self.window = None;
        self.state = State::Gathering { since: None };
    }

    /// The state after one more block.
    fn judge(&mut self) {
        if let Some(since) = self.frozen() {
            self.state = State::Frozen { since };
            self.window = None;
        } else if let State::Frozen { .. } = self.state {
            // What hung before says nothing about what comes now.
            self.keep_newest(1);
            let since = self.row.front().and_then(|block| block.first);
            self.state = State::Gathering { since };
        } else if self.row.len() == ROW {
            self.judge_window();
        }
        self.keep_newest(ROW - 1);
    }

    /// Since when, where nothing has changed in the newest blocks though more than ten changes were to be expected, or in
    /// none at all. Ten come to none by chance once in 20 000 times.
    fn frozen(&self) -> Option<Stamp> {
        let changed = self.last?.changed;
        let (old, new) =
            self.row
                .iter()
                .rev()
                .enumerate()
                .fold((0, 0), |(old, new), (age, block)| {
                    if age < END {
                        (old, new + block.changes)
                    } else {
                        (old + block.changes, new)
                    }
                });
        let is_frozen = if let State::Frozen { .. } = self.state {
            self.row.back()?.changes == 0
        } else {
            let before = self.row.len().saturating_sub(END);
            let expected = float::count(old) / float::len(before.max(1)) * float::len(END);
            let is_whole = self.row.len() == ROW;
            new == 0 && (expected > 10.0 || (is_whole && old == 0))
        };
        is_frozen.then_some(changed)
    }

    fn judge_window(&mut self) {
        let mut means = [0.0; ROW];
        for (mean, block) in means.iter_mut().zip(&self.row) {
            *mean = block.mean();
        }
        let bend = Bend::of(&means);
        let until = self.start_of(ROW);
        self.window = Some(Window {
            until,
            mean: bend.mean,
            climb: bend.climb,
            u_climb: bend.u_climb,
        });
        let resolution = self
            .row
            .iter()
            .map(|block| block.step)
            .fold(f64::INFINITY, f64::min);
        let negligible = self.rule.negligible.max(resolution);
        self.state = match self.state {
            State::Steady { .. } if bend.moves(&self.leave, negligible) => {
                let since = self.start_of(ROW - END);
                self.keep_newest(END);
                State::Moving { since }
            }
            State::Steady { since, .. } => State::Steady { since, until },
            before if bend.moves(&self.enter, negligible) => match before {
                State::Moving { since } => State::Moving { since },
                _ => State::Moving {
                    since: self.start_of(0),
                },
            },
            _ => State::Steady {
                since: self.start_of(0),
                until,
            },
        };
    }

    /// Where the block with this place in the row begins.
    fn start_of(&self, place: usize) -> Stamp {
        let first = self.row.front().map_or(0, |block| block.index);
        let place = i64::try_from(place).unwrap_or(i64::MAX);
        Stamp::from_micros(first.saturating_add(place).saturating_mul(self.width))
    }

    fn keep_newest(&mut self, count: usize) {
        let surplus = self.row.len().saturating_sub(count);
        self.row.drain(..surplus);
    }
}

/// The stretches in which a channel was steady, from stored readings in order of time.
///
/// A stretch ends where the channel began to move (to an eighth of a window), or with the last window that passed.
///
/// # Errors
/// [`PushError::OutOfOrder`] for a reading earlier than the one before.
pub fn steady_stretches(
    mut steadiness: Steadiness,
    readings: impl IntoIterator<Item = Reading>,
) -> Result<Vec<Stretch>, PushError> {
    let mut stretches = Vec::new();
    let mut before = steadiness.state();
    for reading in readings {
        let state = steadiness.push(&reading)?;
        if !state.is_steady() {
            stretches.extend(ended(before, state));
        }
        before = state;
    }
    stretches.extend(ended(before, State::Gathering { since: None }));
    Ok(stretches)
}

/// The stretch that ended where `now` follows on `before`.
fn ended(before: State, now: State) -> Option<Stretch> {
    let State::Steady { since, until } = before else {
        return None;
    };
    let to = match now {
        State::Moving { since: moves } | State::Frozen { since: moves } => until.min(moves),
        State::Gathering { .. } | State::Steady { .. } => until,
    };
    Stretch::new(since, to).ok()
}
