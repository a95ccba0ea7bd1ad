//! A line whose devices are asked: Modbus, over whichever wire.
//!
//! At each tick the sources are asked in turn. A source that does not answer costs the others at
//! most its own time-out per tick, and is asked ever less often until it is back. Opening a port or
//! connection goes on beside the ticks and never holds them up.

use std::time::{Duration, Instant};

use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use zonda_model::{Cause, Coded, Miss, Quality, Scan, Stamp};
use zonda_protocol::modbus::{Exception, ExceptionKind, Reply, Request};

use crate::clock::Axis;
use crate::health::Cycle;
use crate::line::{Link, Reporter};
use crate::source::Source;
use crate::tick::{Tick, Ticks};

/// A way to ask units, with its port or connection apart, because that comes and goes.
pub(crate) trait Wire: Send + 'static {
    /// The open port or connection.
    type Open: Send + 'static;

    /// Opens it; an error is a sentence for a person.
    fn open(&self) -> impl Future<Output = Result<Self::Open, String>> + Send + 'static;

    /// Asks one thing. `patience` is how long the device may take beside the wire itself.
    fn ask(&mut self, open: &mut Self::Open, request: Request, patience: Duration) -> impl Future<Output = Result<Answer, AskError>> + Send;

    /// The port or connection was opened anew.
    fn opened(&mut self);

    /// The least that a cycle takes on the wire; zero where the wire has no fixed speed.
    fn cycle_least(&self) -> Duration;
}

/// A believed answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) reply: Reply,
    /// The unit had to be brought back into step first.
    pub(crate) resynced: bool,
}

/// Why there is no answer.
#[derive(Debug)]
pub(crate) enum AskError {
    /// The port or connection is gone.
    Gone(String),
    /// What comes over it can no longer be trusted.
    Broken(String),
    /// The unit did not answer; the wire is well.
    Unanswered {
        cause: Cause,
        detail: String,
    },
}

/// What came of one source at one tick.
enum Turn {
    Codes(Vec<Coded>),
    Missed { cause: Cause, detail: String, for_long: bool },
    /// The wire is gone or out of step; the rest of the tick is missed too.
    Lost { cause: Cause, detail: String },
}

pub(crate) struct Polled<W: Wire> {
    pub(crate) wire: W,
    pub(crate) link: Link<W::Open>,
    pub(crate) sources: Vec<Source>,
    pub(crate) ticks: Ticks,
    pub(crate) axis: Axis,
    pub(crate) scans: mpsc::Sender<Scan>,
    pub(crate) report: Reporter,
}

impl<W: Wire> Polled<W> {
    /// Runs until told to stop, or until nobody takes the scans any more.
    pub(crate) async fn run(mut self, stop: CancellationToken) {
        loop {
            let wire = &self.wire;
            let going_on = tokio::select! {
                () = stop.cancelled() => false,
                tick = self.ticks.wait(&self.axis) => tokio::select! {
                    () = stop.cancelled() => false,
                    taken = self.cycle(tick) => taken.is_ok(),
                },
                news = self.link.progress(|| wire.open()) => {
                    self.note_link(news);
                    true
                }
            };
            if !going_on {
                self.report.stopped(self.axis.now());
                return;
            }
        }
    }

    fn note_link(&mut self, news: Result<(), String>) {
        match news {
            Ok(()) => {
                self.wire.opened();
                self.sources.iter_mut().for_each(Source::forgive);
                self.report.opened(self.axis.now());
            }
            Err(error) => self.report.down(self.axis.now(), error),
        }
    }

    /// One tick. Hands over one scan for each source; waits where they are not taken, and the ticks
    /// that pass meanwhile are told as overrun at the next one.
    async fn cycle(&mut self, tick: Tick) -> Result<(), mpsc::error::SendError<Scan>> {
        self.report.begin(tick, self.axis.now());
        if tick.missed > 0 {
            self.tell_overrun(tick).await?;
        }
        let begun = Instant::now();
        let mut asked_all = true;
        for index in 0..self.sources.len() {
            let from = self.axis.now();
            let turn = self.turn(index).await;
            let to = self.axis.now();
            asked_all &= matches!(turn, Turn::Codes(_));
            let scan = self.scan_of(index, turn, tick, (from, to));
            self.scans.send(scan).await?;
        }
        let cycle = asked_all.then(|| Cycle { took: begun.elapsed(), wire_min: self.wire.cycle_least() });
        self.report.end(cycle, self.link.is_open(), self.axis.now());
        Ok(())
    }

    async fn tell_overrun(&mut self, tick: Tick) -> Result<(), mpsc::error::SendError<Scan>> {
        let first = self.ticks.first_missed(tick);
        for source in &self.sources {
            let detail = "the line was still busy with the tick before, or the machine stood still".to_owned();
            let miss = Miss { ticks: tick.missed, cause: Cause::Overrun, detail };
            self.report.missed(source.plan.source, tick.at, &miss);
            self.scans.send(Scan { source: source.plan.source, tick: first, at: tick.at, outcome: Err(miss) }).await?;
        }
        Ok(())
    }

    /// Asks one source, if it is its turn.
    async fn turn(&mut self, index: usize) -> Turn {
        let source = &self.sources[index];
        let Some(open) = self.link.open_mut() else {
            return Turn::Missed { cause: Cause::Unplugged, detail: self.report.last_error(), for_long: false };
        };
        if !source.is_due(Instant::now()) {
            return Turn::Missed { cause: Cause::NoAnswer, detail: "silent for long, asked only now and then".to_owned(), for_long: false };
        }
        let mut registers = Vec::new();
        let mut quality = Quality::empty();
        for request in source.requests() {
            match ask(&mut self.wire, open, request, &source.plan, &mut self.report).await {
                Ok(answer) => {
                    if answer.resynced {
                        self.report.change(|health| health.resyncs += 1);
                        quality |= Quality::RESYNCED;
                    }
                    match answer.reply {
                        Reply::Registers(found) => registers.push(found),
                        Reply::Exception(exception) => return refused(exception),
                    }
                }
                Err(AskError::Unanswered { cause, detail }) => return Turn::Missed { cause, detail, for_long: false },
                Err(AskError::Gone(detail)) => return Turn::Lost { cause: Cause::Unplugged, detail },
                Err(AskError::Broken(detail)) => return Turn::Lost { cause: Cause::BadFrame, detail },
            }
        }
        match source.registers.codes(&registers) {
            Some(codes) => Turn::Codes(codes.into_iter().map(|code| Coded { code: Some(code), quality }).collect()),
            // Every reply has as many registers as were asked for, so this cannot be.
            None => Turn::Missed { cause: Cause::BadFrame, detail: "registers are missing".to_owned(), for_long: false },
        }
    }

    fn scan_of(&mut self, index: usize, turn: Turn, tick: Tick, (from, to): (Stamp, Stamp)) -> Scan {
        let is_late = to >= self.ticks.next();
        let source = &mut self.sources[index];
        let id = source.plan.source;
        let (cause, detail) = match turn {
            Turn::Codes(mut codes) => {
                source.answered();
                if is_late {
                    codes.iter_mut().for_each(|coded| coded.quality |= Quality::LATE);
                }
                self.link.proved();
                self.report.good(id, to, is_late);
                return Scan { source: id, tick: tick.at, at: from.midpoint(to), outcome: Ok(codes) };
            }
            Turn::Missed { cause, detail, for_long } => {
                if !matches!(cause, Cause::NoAnswer | Cause::Unplugged) {
                    source.failed(Instant::now(), for_long);
                }
                (cause, detail)
            }
            Turn::Lost { cause, detail } => {
                // Dropped here, before anything else: a held port comes back under another name.
                self.link.lose();
                self.report.down(to, detail.clone());
                (cause, detail)
            }
        };
        let miss = Miss { ticks: 1, cause, detail };
        self.report.missed(id, to, &miss);
        Scan { source: id, tick: tick.at, at: to, outcome: Err(miss) }
    }
}

/// Asks, and asks again within the tick where that is allowed or the device is just busy.
async fn ask<W: Wire>(wire: &mut W, open: &mut W::Open, request: Request, plan: &zonda_config::ModulePlan, report: &mut Reporter) -> Result<Answer, AskError> {
    let mut tries = u32::from(plan.retries);
    let mut busy_tries = 1;
    loop {
        let outcome = wire.ask(open, request, plan.timeout).await;
        let left = match &outcome {
            Err(AskError::Unanswered { .. }) => &mut tries,
            Ok(Answer { reply: Reply::Exception(exception), .. }) if exception.kind() == ExceptionKind::TryAgain => &mut busy_tries,
            _ => return outcome,
        };
        if *left == 0 {
            return outcome;
        }
        *left -= 1;
        report.change(|health| health.retries += 1);
    }
}

/// An exception is never data: the tick is missed, and the device's own word is kept.
fn refused(exception: Exception) -> Turn {
    let what = match exception.kind() {
        ExceptionKind::Configuration => "the device has no such registers; look at `registers` of the module",
        ExceptionKind::UnitBehindGateway => "the gateway cannot reach the unit",
        ExceptionKind::TryAgain => "the device is busy",
        ExceptionKind::Device => "the device says that it has failed",
    };
    Turn::Missed { cause: Cause::DeviceError, detail: format!("{exception}: {what}"), for_long: exception.kind() == ExceptionKind::Configuration }
}
