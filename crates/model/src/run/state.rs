//! What a run is at present, and which step is due.
//!
//! A step that cannot follow is not offered: only [`Waiting`] can begin, only [`Running`] can end.
//! Steps that were kept are read back through [`State::after`], which refuses what nobody can have written.

use std::time::Duration;

use super::limits::{Begin, Finish};
use crate::time::Stamp;

/// How late a planned run still begins: the power came back at 22:20, and the test of 22:00 is worth
/// having. Later than that it is another test; the run is then missed.
pub const LATE_MAX: Duration = Duration::from_hours(1);

/// Now, on the record's axis and by the wall clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// On the axis.
    pub axis: Stamp,
    /// True UTC.
    pub utc: Stamp,
}

/// A piece of the record's axis, from `from` up to, not including, `to`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Where it begins.
    pub from: Stamp,
    /// Where it ends.
    pub to: Stamp,
}

/// Why a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// Somebody stopped it.
    Stopped,
    /// Its time was over.
    TimeOver,
    /// Its condition was met.
    ConditionMet,
    /// It was cut out of samples that were there already.
    Cut,
}

impl Reason {
    /// The word in the record and the API.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Stopped => "stopped",
            Self::TimeOver => "time_over",
            Self::ConditionMet => "condition_met",
            Self::Cut => "cut",
        }
    }

    /// The reason with this word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Stopped, Self::TimeOver, Self::ConditionMet, Self::Cut]
            .into_iter()
            .find(|reason| reason.word() == word)
    }
}

/// Something that happened to a run. Times are on the record's axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// It began.
    Began(Stamp),
    /// Nobody recorded for this stretch; it goes on.
    Interrupted(Stretch),
    /// It ended.
    Ended(Stamp, Reason),
    /// Somebody called it off before it began.
    Withdrawn,
    /// It did not begin: its time had passed when somebody could see to it.
    Missed,
    /// Somebody discarded it. Its samples stay, and so does this.
    Discarded,
}

impl Step {
    /// The word in the record and the API.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Began(_) => "began",
            Self::Interrupted(_) => "interrupted",
            Self::Ended(..) => "ended",
            Self::Withdrawn => "withdrawn",
            Self::Missed => "missed",
            Self::Discarded => "discarded",
        }
    }
}

/// What a run is at present.
#[derive(Clone, Debug, PartialEq)]
pub enum State {
    /// It has yet to begin.
    Waiting(Waiting),
    /// It goes on.
    Running(Running),
    /// It is over.
    Ended(Ended),
    /// It was called off before it began.
    Withdrawn,
    /// It never began.
    Missed,
    /// It was discarded; where it had run, this is where.
    Discarded(Option<Stretch>),
}

/// A run that has yet to begin.
#[derive(Clone, Debug, PartialEq)]
pub struct Waiting {
    begin: Begin,
    finish: Finish,
}

/// A run that goes on.
#[derive(Clone, Debug, PartialEq)]
pub struct Running {
    since: Stamp,
    finish: Finish,
    interruptions: Vec<Stretch>,
}

/// A run that is over.
#[derive(Clone, Debug, PartialEq)]
pub struct Ended {
    stretch: Stretch,
    reason: Reason,
    interruptions: Vec<Stretch>,
}

/// A step that cannot follow.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Illegal {
    /// Not from this state.
    #[error("a run that is {state} cannot be {step}")]
    State {
        /// The state's word.
        state: &'static str,
        /// The step's word.
        step: &'static str,
    },
    /// It would end before it began.
    #[error("the run began at {since} and cannot have ended at {until}")]
    Backwards {
        /// When it began.
        since: Stamp,
        /// When it would have ended.
        until: Stamp,
    },
}

impl State {
    /// A run that was just asked for.
    pub const fn new(begin: Begin, finish: Finish) -> Self {
        Self::Waiting(Waiting { begin, finish })
    }

    /// The word in the API: `planned`, `waiting`, `running`, `ended`, `withdrawn`, `missed`, `discarded`.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Waiting(waiting) => match waiting.begin {
                Begin::When(_) => "waiting",
                Begin::Now | Begin::At(_) => "planned",
            },
            Self::Running(_) => "running",
            Self::Ended(_) => "ended",
            Self::Withdrawn => "withdrawn",
            Self::Missed => "missed",
            Self::Discarded(_) => "discarded",
        }
    }

    /// True until nothing can happen to it any more but being discarded.
    pub const fn is_open(&self) -> bool {
        matches!(self, Self::Waiting(_) | Self::Running(_))
    }

    /// When it began, where it did.
    pub fn since(&self) -> Option<Stamp> {
        match self {
            Self::Running(running) => Some(running.since),
            Self::Ended(ended) => Some(ended.stretch.from),
            Self::Discarded(stretch) => stretch.map(|stretch| stretch.from),
            _ => None,
        }
    }

    /// When it ended, where it did.
    pub fn until(&self) -> Option<Stamp> {
        match self {
            Self::Ended(ended) => Some(ended.stretch.to),
            Self::Discarded(stretch) => stretch.map(|stretch| stretch.to),
            _ => None,
        }
    }

    /// Why it ended, where it did.
    pub const fn reason(&self) -> Option<Reason> {
        match self {
            Self::Ended(ended) => Some(ended.reason),
            _ => None,
        }
    }

    /// Where nobody recorded, in order.
    pub fn interruptions(&self) -> &[Stretch] {
        match self {
            Self::Running(running) => &running.interruptions,
            Self::Ended(ended) => &ended.interruptions,
            _ => &[],
        }
    }

    /// What it is after this step.
    ///
    /// # Errors
    /// The step cannot follow.
    pub fn after(self, step: Step) -> Result<Self, Illegal> {
        match (self, step) {
            (Self::Waiting(waiting), Step::Began(at)) => Ok(Self::Running(waiting.begin(at))),
            (Self::Waiting(_), Step::Withdrawn) => Ok(Self::Withdrawn),
            (Self::Waiting(_), Step::Missed) => Ok(Self::Missed),
            (Self::Running(running), Step::Interrupted(stretch)) => {
                Ok(Self::Running(running.interrupt(stretch)))
            }
            (Self::Running(running), Step::Ended(at, reason)) => {
                running.end(at, reason).map(Self::Ended)
            }
            (Self::Ended(ended), Step::Discarded) => Ok(Self::Discarded(Some(ended.stretch))),
            (Self::Withdrawn | Self::Missed, Step::Discarded) => Ok(Self::Discarded(None)),
            (state, step) => Err(Illegal::State {
                state: state.word(),
                step: step.word(),
            }),
        }
    }

    /// The step that is due now, if any; `met` is when the condition that is waited for was met.
    pub fn due(&self, now: Moment, met: Option<Stamp>) -> Option<Step> {
        match self {
            Self::Waiting(waiting) => waiting.due(now, met),
            Self::Running(running) => running.due(now, met),
            _ => None,
        }
    }

    /// The steps of a run that was open when the recording stopped at `stopped`, now that it goes on: that
    /// it was interrupted, and that it ended meanwhile.
    pub fn resume(&self, stopped: Stamp, now: Moment) -> Vec<Step> {
        let Self::Running(running) = self else {
            return self.due(now, None).into_iter().collect();
        };
        let end = running.due(now, None);
        let last = match end {
            Some(Step::Ended(at, _)) => at,
            _ => now.axis,
        };
        let gap = Stretch {
            from: stopped.max(running.since),
            to: last,
        };
        let interrupted = (gap.from < gap.to).then_some(Step::Interrupted(gap));
        interrupted.into_iter().chain(end).collect()
    }
}

impl Waiting {
    fn begin(self, at: Stamp) -> Running {
        Running {
            since: at,
            finish: self.finish,
            interruptions: Vec::new(),
        }
    }

    /// What it waits for.
    pub const fn awaits(&self) -> &Begin {
        &self.begin
    }

    fn due(&self, now: Moment, met: Option<Stamp>) -> Option<Step> {
        if matches!(self.finish, Finish::At(until) if until <= now.utc) {
            return Some(Step::Missed);
        }
        match self.begin {
            Begin::At(at) if now.utc < at => None,
            Begin::At(at) if now.utc.since(at) > LATE_MAX => Some(Step::Missed),
            Begin::Now | Begin::At(_) => Some(Step::Began(now.axis)),
            Begin::When(_) => met.map(Step::Began),
        }
    }
}

impl Running {
    /// When it began.
    pub const fn since(&self) -> Stamp {
        self.since
    }

    /// When it ends.
    pub const fn finish(&self) -> &Finish {
        &self.finish
    }

    fn interrupt(mut self, stretch: Stretch) -> Self {
        self.interruptions.push(stretch);
        self
    }

    /// A stop may be told afterwards; what was interrupted later is then no part of the run.
    fn end(self, at: Stamp, reason: Reason) -> Result<Ended, Illegal> {
        if at < self.since {
            return Err(Illegal::Backwards {
                since: self.since,
                until: at,
            });
        }
        Ok(Ended {
            stretch: Stretch {
                from: self.since,
                to: at,
            },
            reason,
            interruptions: clipped(self.interruptions, at),
        })
    }

    fn due(&self, now: Moment, met: Option<Stamp>) -> Option<Step> {
        match self.finish {
            Finish::ByHand => None,
            Finish::After(span) => {
                let end = self.since.plus(span);
                (end <= now.axis).then_some(Step::Ended(end, Reason::TimeOver))
            }
            Finish::At(until) => (until <= now.utc).then(|| {
                let end = now.axis.minus(now.utc.since(until)).max(self.since);
                Step::Ended(end, Reason::TimeOver)
            }),
            Finish::When(_) => met.map(|at| Step::Ended(at.max(self.since), Reason::ConditionMet)),
        }
    }
}

fn clipped(interruptions: Vec<Stretch>, end: Stamp) -> Vec<Stretch> {
    let clip = |gap: Stretch| Stretch {
        to: gap.to.min(end),
        ..gap
    };
    let within = interruptions.into_iter().filter(|gap| gap.from < end);
    within.map(clip).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn second(s: i64) -> Stamp {
        Stamp::from_millis(s * 1000)
    }

    fn now(s: i64) -> Moment {
        Moment {
            axis: second(s),
            utc: second(s),
        }
    }

    fn run(begin: &str, finish: &str) -> State {
        State::new(begin.parse().unwrap(), finish.parse().unwrap())
    }

    fn running(finish: &str) -> State {
        run("now", finish).after(Step::Began(second(100))).unwrap()
    }

    #[test]
    fn a_planned_run_begins_a_little_late_and_is_missed_much_later() {
        let planned = run("at 1970-01-01T00:10:00Z", "by hand");
        let begun = |s| Some(Step::Began(second(s)));
        assert_eq!(planned.due(now(599), None), None);
        assert_eq!(planned.due(now(600), None), begun(600));
        assert_eq!(
            planned.resume(second(10), now(4200)),
            [Step::Began(second(4200))]
        );
        assert_eq!(planned.resume(second(10), now(4201)), [Step::Missed]);
        let short = run("at 1970-01-01T00:10:00Z", "at 1970-01-01T00:20:00Z");
        assert_eq!(short.resume(second(10), now(1200)), [Step::Missed]);
    }

    #[test]
    fn an_interrupted_run_goes_on_and_says_from_when_to_when() {
        let gap = |from, to| {
            Step::Interrupted(Stretch {
                from: second(from),
                to: second(to),
            })
        };
        let over = |at| Step::Ended(second(at), Reason::TimeOver);
        assert_eq!(
            running("by hand").resume(second(150), now(400)),
            [gap(150, 400)]
        );
        // Its time ran on while nobody recorded: the end is where it was asked for.
        let timed = running("after 100 s");
        assert_eq!(
            timed.resume(second(150), now(400)),
            [gap(150, 200), over(200)]
        );
        assert_eq!(timed.resume(second(200), now(400)), [over(200)]);
        assert_eq!(timed.resume(second(210), now(400)), [over(200)]);
    }

    #[test]
    fn an_end_by_the_clock_is_found_on_the_axis() {
        // The wall clock was set back by an hour: the axis is ahead.
        let running = running("at 1970-01-01T00:05:00Z");
        let ahead = |utc| Moment {
            axis: second(utc + 3600),
            utc: second(utc),
        };
        assert_eq!(running.due(ahead(299), None), None);
        assert_eq!(
            running.due(ahead(302), None),
            Some(Step::Ended(second(3900), Reason::TimeOver))
        );
    }

    #[test]
    fn a_stop_before_the_begin_is_refused() {
        let stopped = running("by hand").after(Step::Ended(second(99), Reason::Stopped));
        assert!(matches!(stopped, Err(Illegal::Backwards { .. })));
    }

    #[test]
    fn only_what_is_over_can_be_discarded_and_only_once() {
        for open in [run("now", "by hand"), running("by hand")] {
            assert!(open.after(Step::Discarded).is_err());
        }
        let ended = running("by hand").after(Step::Ended(second(120), Reason::Stopped));
        let gone = ended.unwrap().after(Step::Discarded).unwrap();
        let stretch = Stretch {
            from: second(100),
            to: second(120),
        };
        assert_eq!(gone, State::Discarded(Some(stretch)));
        assert!(gone.after(Step::Discarded).is_err());
    }

    /// What may happen to a run, in any order.
    #[derive(Clone, Debug)]
    enum Happening {
        Tick { millis: i64, met: bool },
        Restart { down_millis: i64 },
        Stop { back: u64 },
        Discard,
    }

    fn happening() -> impl Strategy<Value = Happening> {
        prop_oneof![
            6 => (1i64..90_000, any::<bool>()).prop_map(|(millis, met)| Happening::Tick { millis, met }),
            2 => (1i64..7_200_000).prop_map(|down_millis| Happening::Restart { down_millis }),
            1 => (0u64..3_600_000).prop_map(|back| Happening::Stop { back }),
            1 => Just(Happening::Discard),
        ]
    }

    /// A run with its kept steps, and the time.
    struct Life {
        asked: State,
        state: State,
        kept: Vec<Step>,
        at: i64,
    }

    impl Life {
        fn take(&mut self, step: Step) {
            self.state = self.state.clone().after(step).unwrap();
            self.kept.push(step);
        }

        fn now(&self) -> Moment {
            let at = Stamp::from_millis(self.at);
            Moment { axis: at, utc: at }
        }

        fn live(&mut self, happening: &Happening) {
            match *happening {
                Happening::Tick { millis, met } => {
                    self.at += millis;
                    let met = met.then(|| self.now().axis);
                    if let Some(step) = self.state.due(self.now(), met) {
                        self.take(step);
                    }
                }
                Happening::Restart { down_millis } => {
                    let stopped = self.now().axis;
                    self.at += down_millis;
                    // All that is left of it is what was kept.
                    let read = self
                        .kept
                        .iter()
                        .try_fold(self.asked.clone(), |state, step| state.after(*step));
                    assert_eq!(read.as_ref(), Ok(&self.state));
                    for step in self.state.resume(stopped, self.now()) {
                        self.take(step);
                    }
                }
                Happening::Stop { back } => match &self.state {
                    State::Waiting(_) => self.take(Step::Withdrawn),
                    State::Running(running) => {
                        let at = self
                            .now()
                            .axis
                            .minus(Duration::from_millis(back))
                            .max(running.since);
                        self.take(Step::Ended(at, Reason::Stopped));
                    }
                    _ => {}
                },
                Happening::Discard => {
                    if !self.state.is_open() && !matches!(self.state, State::Discarded(_)) {
                        self.take(Step::Discarded);
                    }
                }
            }
        }
    }

    proptest! {
        #[test]
        fn whatever_happens_a_run_is_sound(
            begin in prop::sample::select(vec!["now", "at 1970-01-01T00:30:00Z", "when Z1 above 180 °C"]),
            finish in prop::sample::select(vec!["by hand", "after 10 min", "at 1970-01-01T01:00:00Z", "when Z1 below 60 °C"]),
            happenings in prop::collection::vec(happening(), 0..60),
        ) {
            let asked = run(begin, finish);
            let mut life = Life { state: asked.clone(), asked, kept: Vec::new(), at: 0 };
            for happening in &happenings {
                let was_open = life.state.is_open();
                life.live(happening);
                prop_assert!(was_open || !life.state.is_open(), "what is over stays over");
                check(&life)?;
            }
        }
    }

    fn check(life: &Life) -> Result<(), TestCaseError> {
        let (since, until) = (life.state.since(), life.state.until());
        if let (Some(since), Some(until)) = (since, until) {
            prop_assert!(since <= until && until <= life.now().axis);
        }
        let mut last = since;
        for gap in life.state.interruptions() {
            prop_assert!(last <= Some(gap.from) && gap.from < gap.to);
            prop_assert!(until.is_none_or(|until| gap.to <= until));
            last = Some(gap.to);
        }
        if let (State::Ended(ended), Finish::After(span)) = (&life.state, &finish_of(life))
            && ended.reason == Reason::TimeOver
        {
            prop_assert_eq!(ended.stretch.to.since(ended.stretch.from), *span);
        }
        Ok(())
    }

    fn finish_of(life: &Life) -> Finish {
        match &life.asked {
            State::Waiting(waiting) => waiting.finish.clone(),
            _ => unreachable!("every run begins by waiting"),
        }
    }
}
