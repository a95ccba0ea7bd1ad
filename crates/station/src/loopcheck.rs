//! Loop checks under way: which loops stand under a test signal, and how far each check is.
//!
//! From the moment a check is begun until somebody says that the loop is back in service, every sample
//! of its channel carries `loop_check`: the number is the test signal's, not the air's. The flag
//! outlives the last point, because the calibrator is still on the wires then. A check that is left alone for
//! [`IDLE_MAX`] ends by itself, with a warning, so that nobody finds a night full of flags.
//!
//! The desk marks and hands in; the API begins, says what was applied, ends. The steps themselves are
//! `zonda-proof`'s. What was carried through goes into the record at its last point.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use zonda_config::{Config, LoopPlan};
use zonda_lines::Axis;
use zonda_model::{Coded, Quality, Sample, SourceId, Stamp};
use zonda_proof::loop_check::{Loop, LoopCheck, News, Outcome, Points, Taken, Waiting};
use zonda_store::{ChannelId, Event, LoopCheckEntry, LoopPoint, Readable, Severity, StoreError};

/// Nobody spoke of a check for so long: it is over.
pub const IDLE_MAX: Duration = Duration::from_mins(30);
/// Checks at once, those that ended and may still be asked about included. One too many is refused
/// while all are under way, or takes the place of the one that ended first.
pub const CHECKS_MAX: usize = 64;
/// The longest words that a person may give.
const WORDS_MAX: usize = 200;

/// What somebody asks for.
#[derive(Clone, Debug)]
pub struct Request {
    /// The channel's name.
    pub channel: String,
    /// Who does it.
    pub operator: String,
    /// Where the signal comes from.
    pub source: String,
    /// Its number, or nothing.
    pub serial: String,
    /// What there is to add, or nothing.
    pub note: String,
    /// The points.
    pub points: Points,
    /// The largest error that passes, as a share of the span, where it is not the configuration's.
    pub tolerance: Option<f64>,
}

/// Why a check cannot be begun, or a step not be taken.
#[derive(Debug, thiserror::Error)]
pub enum Refused {
    /// There is no such channel.
    #[error("there is no channel `{0}`")]
    Unknown(String),
    /// It has nothing to put a signal on.
    #[error(
        "{0} has no signal that stands for a range, so there is no loop to check; only channels with `signal` and `range` have one"
    )]
    NoLoop(String),
    /// One is under way.
    #[error("a loop check of {0} is under way; end it first")]
    UnderWay(String),
    /// There are too many.
    #[error("{CHECKS_MAX} loop checks are under way; end one first")]
    TooMany,
    /// None is under way.
    #[error("no loop check of {0} is under way")]
    NotUnderWay(String),
    /// A step out of its turn.
    #[error("no signal is waited for now: {0}")]
    OutOfTurn(&'static str),
    /// Words that are missing or too long.
    #[error("`{what}` {why}")]
    Words {
        /// Which.
        what: &'static str,
        /// What is wrong with them.
        why: String,
    },
    /// A tolerance that is none.
    #[error("a tolerance of {0} % of the span is none; it lies above 0 and up to 10 %")]
    Tolerance(f64),
    /// The record could not be asked.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// How far a check is.
#[derive(Clone, Debug)]
pub struct CheckView {
    /// The channel: an index into the configuration.
    pub channel: usize,
    /// When it was begun, on the record's axis.
    pub begun: Stamp,
    /// How many points it has.
    pub points: usize,
    /// What it waits for.
    pub waiting: Waiting,
    /// Those taken.
    pub taken: Vec<Taken>,
    /// Mean and standard deviation of what stands on the loop while a point settles, SI.
    pub standing: Option<(f64, f64)>,
    /// What was last wrong, until the next step.
    pub trouble: Option<String>,
    /// The largest error that passes, as a share of the span.
    pub tolerance: f64,
    /// What it says, once every point is taken.
    pub outcome: Option<Outcome>,
    /// False from the moment the loop is said to be back in service.
    pub is_marked: bool,
}

/// What the desk has to hand to the recorder.
#[derive(Debug)]
pub(crate) enum Told {
    Event(Event),
    Recorded(Box<LoopCheckEntry>, Event),
}

/// The loop checks of a station.
#[derive(Debug)]
pub struct LoopChecks {
    config: Arc<Config>,
    axis: Axis,
    keys: Vec<ChannelId>,
    checks: Mutex<Vec<Active>>,
}

#[derive(Debug)]
struct Active {
    channel: usize,
    plan: LoopPlan,
    request: Request,
    mapping: i64,
    tolerance: f64,
    check: LoopCheck,
    begun: Stamp,
    /// When somebody last said something of it.
    spoken: Stamp,
    trouble: Option<String>,
    is_marked: bool,
    /// What was said of it and the desk has yet to pass on.
    waiting: Vec<Event>,
}

impl LoopChecks {
    /// None under way. `keys` are the channels' in the record, in the order of the configuration.
    pub fn new(config: Arc<Config>, axis: Axis, keys: Vec<ChannelId>) -> Self {
        Self {
            config,
            axis,
            keys,
            checks: Mutex::default(),
        }
    }

    /// Begins a check; from now on the channel's samples carry `loop_check`.
    ///
    /// # Errors
    /// [`Refused`].
    pub async fn begin(&self, record: &Readable, request: Request) -> Result<CheckView, Refused> {
        check_words(&request)?;
        let name = &request.channel;
        let named = |plan: &zonda_config::ChannelPlan| plan.name.as_str() == name;
        let channel = self.config.channels.iter().position(named);
        let channel = channel.ok_or_else(|| Refused::Unknown(name.clone()))?;
        let plan = &self.config.channels[channel];
        let loop_plan = plan
            .loop_check
            .ok_or_else(|| Refused::NoLoop(name.clone()))?;
        let tolerance = request.tolerance.unwrap_or(loop_plan.tolerance);
        if !(tolerance > 0.0 && tolerance <= 0.1) {
            return Err(Refused::Tolerance(100.0 * tolerance));
        }
        let mapping = mapping_of(record, self.keys[channel]).await?;
        let step_u = step_u(plan, loop_plan);
        let checked = Loop {
            signal: loop_plan.signal_si(),
            tolerance,
            step_u,
        };
        let now = self.axis.now();
        let begun = Active {
            channel,
            plan: loop_plan,
            mapping,
            tolerance,
            check: LoopCheck::new(checked, request.points.clone()),
            begun: now,
            spoken: now,
            trouble: None,
            is_marked: true,
            waiting: vec![event(
                now,
                Severity::Info,
                "loop_check_begun",
                name,
                format!(
                    "{} began a loop check of {name}; until it ends its readings are those of a test signal",
                    request.operator
                ),
            )],
            request,
        };
        let view = begun.view();
        self.take_in(begun)?;
        Ok(view)
    }

    fn take_in(&self, begun: Active) -> Result<(), Refused> {
        let mut checks = self.lock();
        let earlier = checks
            .iter()
            .position(|check| check.channel == begun.channel);
        match earlier {
            Some(index) if checks[index].is_marked => {
                return Err(Refused::UnderWay(begun.request.channel));
            }
            Some(index) => drop(checks.remove(index)),
            None => {}
        }
        if checks.len() >= CHECKS_MAX {
            let over = checks
                .iter()
                .position(|check| !check.is_marked && check.waiting.is_empty());
            checks.remove(over.ok_or(Refused::TooMany)?);
        }
        checks.push(begun);
        Ok(())
    }

    /// Says that the signal of the next point stands on the loop.
    ///
    /// # Errors
    /// [`Refused::NotUnderWay`], [`Refused::OutOfTurn`].
    pub fn applied(&self, channel: &str) -> Result<CheckView, Refused> {
        let now = self.axis.now();
        self.with(channel, |check| {
            check.spoken = now;
            check.trouble = None;
            if check.check.applied(now) {
                return Ok(check.view());
            }
            Err(Refused::OutOfTurn(match check.check.waiting() {
                Waiting::ForNothing => {
                    "every point is taken; put the loop back in service and end the check"
                }
                _ => "the last one is still settling",
            }))
        })
    }

    /// Says that the loop is back in service: its readings are the process's again. A check that is not
    /// complete is dropped.
    ///
    /// # Errors
    /// [`Refused::NotUnderWay`].
    pub fn end(&self, channel: &str) -> Result<CheckView, Refused> {
        let now = self.axis.now();
        self.with(channel, |check| {
            let (kind, text) = if check.check.outcome().is_some() {
                ("loop_check_ended", format!("{channel} is back in service after its loop check"))
            } else {
                (
                    "loop_check_dropped",
                    format!(
                        "the loop check of {channel} was dropped after {} of {} points; nothing of it is kept",
                        check.check.taken().len(),
                        check.check.len()
                    ),
                )
            };
            check.is_marked = false;
            check.waiting.push(event(now, Severity::Info, kind, channel, text));
            Ok(check.view())
        })
    }

    /// The check of a channel that is under way or ended last.
    pub fn look_at(&self, channel: &str) -> Option<CheckView> {
        let checks = self.lock();
        let found = checks.iter().find(|check| check.request.channel == channel);
        found.map(Active::view)
    }

    /// Every check whose loop is not back in service.
    pub fn look(&self) -> Vec<CheckView> {
        let checks = self.lock();
        checks
            .iter()
            .filter(|check| check.is_marked)
            .map(Active::view)
            .collect()
    }

    fn with<T>(
        &self,
        channel: &str,
        act: impl FnOnce(&mut Active) -> Result<T, Refused>,
    ) -> Result<T, Refused> {
        let mut checks = self.lock();
        let found = checks
            .iter_mut()
            .find(|check| check.is_marked && check.request.channel == channel);
        act(found.ok_or_else(|| Refused::NotUnderWay(channel.to_owned()))?)
    }

    /// Marks the codes of a scan whose loops stand under a test signal. Done before they are mapped, so that also
    /// what is judged by them knows.
    pub(crate) fn mark(&self, source: SourceId, codes: &mut [Coded]) {
        for check in self.lock().iter().filter(|check| check.is_marked) {
            let plan = &self.config.channels[check.channel];
            if plan.source == source
                && let Some(code) = codes.get_mut(plan.input)
            {
                code.quality |= Quality::LOOP_CHECK;
            }
        }
    }

    /// Takes samples in; gives what there is to record.
    pub(crate) fn note(&self, samples: &[Sample<usize>]) -> Vec<Told> {
        let mut checks = self.lock();
        let mut told = Vec::new();
        for check in checks.iter_mut() {
            told.extend(check.waiting.drain(..).map(Told::Event));
            let of_it = samples
                .iter()
                .filter(|sample| sample.channel == check.channel);
            for sample in of_it {
                if !check.is_marked {
                    break;
                }
                if sample.at.since(check.spoken) > IDLE_MAX {
                    told.push(Told::Event(check.give_up(sample.at)));
                    break;
                }
                let mapping = &self.config.channels[check.channel].mapping;
                let signal = sample.code.and_then(|code| mapping.signal_si(code));
                match check.check.note(sample.at, signal) {
                    Some(News::Refused(why)) => check.trouble = Some(why),
                    Some(News::Taken(_)) => {
                        check.trouble = None;
                        told.extend(check.finished(self.keys[check.channel]));
                    }
                    None => {}
                }
            }
        }
        told
    }

    /// A panic while somebody held the lock leaves whole checks behind.
    fn lock(&self) -> MutexGuard<'_, Vec<Active>> {
        self.checks.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Active {
    fn view(&self) -> CheckView {
        CheckView {
            channel: self.channel,
            begun: self.begun,
            points: self.check.len(),
            waiting: self.check.waiting(),
            taken: self.check.taken().to_vec(),
            standing: self.check.standing(),
            trouble: self.trouble.clone(),
            tolerance: self.tolerance,
            outcome: self.check.outcome(),
            is_marked: self.is_marked,
        }
    }

    fn give_up(&mut self, at: Stamp) -> Event {
        self.is_marked = false;
        let name = &self.request.channel;
        let minutes = IDLE_MAX.as_secs() / 60;
        let text = format!(
            "nobody spoke of the loop check of {name} for {minutes} min, and it is over; see whether the loop is back in service"
        );
        event(at, Severity::Warning, "loop_check_left", name, text)
    }

    /// The record of it, once the last point is taken.
    fn finished(&self, channel: ChannelId) -> Option<Told> {
        let outcome = self.check.outcome()?;
        let entry = self.entry(channel, &outcome)?;
        let name = &self.request.channel;
        let verdict = if outcome.is_passed {
            "passed"
        } else {
            "failed"
        };
        let text = format!(
            "the loop check of {name} by {} {verdict}: the largest error is {:+.3} % of the span, {:.3} % are allowed; its record is {}",
            self.request.operator,
            100.0 * outcome.error_max,
            100.0 * self.tolerance,
            entry.hash()
        );
        let severity = if outcome.is_passed {
            Severity::Info
        } else {
            Severity::Warning
        };
        let event = event(entry.at, severity, "loop_check", name, text);
        Some(Told::Recorded(Box::new(entry), event))
    }

    fn entry(&self, channel: ChannelId, outcome: &Outcome) -> Option<LoopCheckEntry> {
        let point = |taken: &Taken| LoopPoint {
            at: taken.at,
            share: taken.share,
            target: taken.target,
            found: (taken.found.value, taken.found.u),
            error: taken.error,
            samples: i64::try_from(taken.samples).unwrap_or(i64::MAX),
        };
        Some(LoopCheckEntry {
            at: self.check.taken().last()?.at,
            channel,
            mapping: self.mapping,
            operator: self.request.operator.clone(),
            source: self.request.source.clone(),
            serial: self.request.serial.clone(),
            signal: span_words(self.plan.signal),
            range: range_words(self.plan),
            tolerance: self.tolerance,
            gain: (outcome.gain.value, outcome.gain.u),
            zero: (outcome.offset.value, outcome.offset.u),
            error_max: outcome.error_max,
            is_passed: outcome.is_passed,
            note: self.request.note.clone(),
            points: self.check.taken().iter().map(point).collect(),
        })
    }
}

fn check_words(request: &Request) -> Result<(), Refused> {
    let needed = [("operator", &request.operator), ("source", &request.source)];
    for (what, words) in needed {
        if words.trim().is_empty() {
            let why = "is missing: the record must say it".to_owned();
            return Err(Refused::Words { what, why });
        }
    }
    let all = [("serial", &request.serial), ("note", &request.note)];
    for (what, words) in needed.into_iter().chain(all) {
        if words.chars().count() > WORDS_MAX || words.chars().any(char::is_control) {
            let why = format!("must be one line of at most {WORDS_MAX} characters");
            return Err(Refused::Words { what, why });
        }
    }
    Ok(())
}

/// The version of the mapping in force.
async fn mapping_of(record: &Readable, channel: ChannelId) -> Result<i64, StoreError> {
    let mappings = record.mappings().await?;
    let versions = mappings.iter().filter(|row| row.channel == channel);
    Ok(versions.map(|row| row.version).max().unwrap_or(0))
}

/// Standard uncertainty of a code by the size of its step, in SI of the signal: the value's, carried
/// back along the range.
fn step_u(plan: &zonda_config::ChannelPlan, loop_plan: LoopPlan) -> f64 {
    let (low, high) = loop_plan.signal_si();
    let (from, to) = loop_plan.value_si();
    let per_value = ((high - low) / (to - from)).abs();
    let in_value = plan.mapping.quantisation_uncertainty().unwrap_or(0.0);
    if loop_plan.is_straight {
        in_value * per_value
    } else {
        0.0
    }
}

/// `4-20 mA`, as the configuration writes it.
pub fn span_words(span: zonda_model::written::Span) -> String {
    let joint = if span.from < 0.0 || span.to < 0.0 {
        " to "
    } else {
        "-"
    };
    format!("{}{joint}{} {}", span.from, span.to, span.unit)
}

/// `0-50 m/s`, and whether the value follows the signal in a straight line.
pub fn range_words(plan: LoopPlan) -> String {
    let words = span_words(plan.value);
    if plan.is_straight {
        words
    } else {
        format!("{words}, not straight")
    }
}

fn event(at: Stamp, severity: Severity, kind: &str, subject: &str, text: String) -> Event {
    Event {
        at,
        severity,
        kind: kind.to_owned(),
        subject: subject.to_owned(),
        text,
    }
}
