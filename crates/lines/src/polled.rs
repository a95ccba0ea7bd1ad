//! A line whose devices are asked: Modbus, over whichever wire.
//!
//! At each tick every source gets its turn, in the order that [`Round`] decides. A source that does
//! not answer is asked ever less often until it is back. Opening a port or connection goes on beside
//! the ticks and never holds them up; between the ticks the line listens, so that a port that is gone
//! is let go at once.

use std::time::{Duration, Instant};

use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use zonda_config::IdentityQuestion;
use zonda_model::{Cause, Coded, Miss, Quality, Scan, Stamp};
use zonda_protocol::modbus::identification::{Question, Told};
use zonda_protocol::modbus::{Answer, Exception, ExceptionKind, Reply, Request, UnitId};

use crate::clock::Axis;
use crate::health::Cycle;
use crate::identity::{judge_objects, judge_registers};
use crate::link::{Link, NotOpened};
use crate::report::{self, Reporter};
use crate::round::{Job, Round, Turn};
use crate::source::{Failure, Prospect, Source};
use crate::tick::{Tick, Ticks};

/// A way to ask units, with its port or connection apart, because that comes and goes.
pub(crate) trait Wire: Send + 'static {
    /// The open port or connection.
    type Open: Send + 'static;

    /// Opens it; an error is a sentence for a person.
    fn open(&self) -> impl Future<Output = Result<Self::Open, NotOpened>> + Send + 'static;

    /// It was opened anew.
    fn opened(&mut self);

    /// From when on this unit may be asked.
    fn ready_at(&self, unit: UnitId, now: Instant) -> Instant;

    /// The longest that asking can take from then on.
    fn longest(&self, request: Request, patience: Duration) -> Duration;

    /// Asks one thing. `patience` is how long the device may take beside the wire itself.
    fn ask(
        &mut self,
        open: &mut Self::Open,
        request: Request,
        patience: Duration,
    ) -> impl Future<Output = Exchange> + Send;

    /// Asks a unit what it is. `patience` as with [`ask`](Self::ask).
    fn identify(
        &mut self,
        open: &mut Self::Open,
        question: Question,
        patience: Duration,
    ) -> impl Future<Output = Result<Told, AskError>> + Send;

    /// Listens while nothing is asked, until the port or connection is gone; says why. Safe to drop
    /// while it waits.
    fn idle(&mut self, open: &mut Self::Open) -> impl Future<Output = String> + Send;

    /// How often the line had to be brought back into step so far.
    fn resyncs(&self) -> u64;

    /// The least that a cycle takes on the wire; zero where the wire has no fixed speed.
    fn cycle_least(&self) -> Duration;
}

/// How asking went.
#[derive(Debug)]
pub(crate) struct Exchange {
    /// When the request went out.
    pub(crate) sent_at: Instant,
    /// When the answer was complete, or was given up.
    pub(crate) done_at: Instant,
    pub(crate) result: Result<Answer, AskError>,
}

/// Why there is no answer.
#[derive(Debug)]
pub(crate) enum AskError {
    /// The port or connection is gone.
    Gone(String),
    /// What comes over it can no longer be trusted.
    Broken(String),
    /// The unit did not answer, or not believably; the wire is well.
    Unanswered { cause: Cause, detail: String },
}

/// What asking all of a source's spans came to.
enum Read {
    Whole {
        done_at: Instant,
    },
    /// May be asked again in this tick, if the job allows.
    Failed(Failure),
    Refused(Exception),
    /// It is not the device that the file means, so it is not read.
    Stranger(Failure),
    /// The port or connection is gone, or out of step.
    Lost {
        cause: Cause,
        detail: String,
    },
}

type Taken = Result<(), mpsc::error::SendError<Scan>>;

/// The task of such a line.
pub(crate) struct Polled<W: Wire> {
    pub(crate) wire: W,
    pub(crate) link: Link<W::Open>,
    pub(crate) sources: Vec<Source>,
    pub(crate) ticks: Ticks,
    pub(crate) axis: Axis,
    /// Bounded by whoever made it. When it is full this line waits, and asks nothing meanwhile: a
    /// code that nobody takes is worth less than one that is taken late. The ticks that pass are
    /// told as overrun.
    pub(crate) scans: mpsc::Sender<Scan>,
    pub(crate) report: Reporter,
}

enum Event {
    Stop,
    Tick(Tick),
    Opened,
    NotOpened(NotOpened),
    Gone(String),
}

impl<W: Wire> Polled<W> {
    /// Runs until told to stop, or until nobody takes the scans any more.
    pub(crate) async fn run(mut self, stop: CancellationToken) {
        loop {
            let event = tokio::select! {
                () = stop.cancelled() => Event::Stop,
                tick = self.ticks.wait(&self.axis) => Event::Tick(tick),
                event = between_ticks(&mut self.link, &mut self.wire) => event,
            };
            let is_going_on = match event {
                Event::Stop => false,
                Event::Tick(tick) => tokio::select! {
                    () = stop.cancelled() => false,
                    taken = self.tick(tick) => taken.is_ok(),
                },
                Event::Opened => {
                    self.wire.opened();
                    self.sources.iter_mut().for_each(Source::forgive);
                    self.report.opened(self.axis.now());
                    true
                }
                Event::NotOpened(why) => {
                    self.report.down(self.axis.now(), why);
                    true
                }
                Event::Gone(why) => {
                    self.lose(why);
                    true
                }
            };
            if !is_going_on {
                return self.report.stopped(self.axis.now());
            }
        }
    }

    fn lose(&mut self, why: String) {
        self.link.lose();
        self.report.down(self.axis.now(), why.into());
    }

    /// One tick. Hands over one scan for each source; waits where they are not taken.
    async fn tick(&mut self, tick: Tick) -> Taken {
        self.report.begin(tick, self.axis.now());
        if tick.missed > 0 {
            self.tell_passed(tick).await?;
        }
        let begun = Instant::now();
        let is_whole = self.round(tick).await?;
        let now = self.axis.now();
        let resyncs = self.wire.resyncs();
        self.report.change(|health| health.resyncs = resyncs);
        let cycle = is_whole.then(|| Cycle {
            took: begun.elapsed(),
            wire_min: self.wire.cycle_least(),
        });
        let round = report::Round {
            cycle,
            is_late: now >= self.ticks.next(),
            is_open: self.link.is_open(),
        };
        self.report.end(round, now);
        Ok(())
    }

    async fn tell_passed(&mut self, tick: Tick) -> Taken {
        let first = self.ticks.first_missed(tick);
        for source in &self.sources {
            let (cause, detail) = tick.why_missed();
            let miss = Miss {
                ticks: tick.missed,
                cause,
                detail: detail.to_owned(),
            };
            self.report.missed(source.plan.source, tick.at, &miss);
            let scan = Scan {
                source: source.plan.source,
                tick: first,
                at: tick.at,
                outcome: Err(miss),
            };
            self.scans.send(scan).await?;
        }
        Ok(())
    }

    /// Asks everybody whose turn it is; true where everybody was asked and answered.
    async fn round(&mut self, tick: Tick) -> Result<bool, mpsc::error::SendError<Scan>> {
        let end = self.instant_of(self.ticks.next());
        let mut round = Round::new(self.jobs(tick).await?);
        let mut is_whole = true;
        loop {
            let (wire, sources, now) = (&self.wire, &self.sources, Instant::now());
            let longest = |job: &Job| longest(wire, &sources[job.source], job);
            let turn = round.next(now, end, |unit| wire.ready_at(unit, now), longest);
            match turn {
                None => return Ok(is_whole),
                Some(Turn::GiveUp(job)) => {
                    is_whole = false;
                    let source = job.source;
                    self.tell_missed(tick, source, given_up(job)).await?;
                }
                Some(Turn::Ask(job)) => is_whole &= self.ask(&mut round, job, tick).await?,
            }
        }
    }

    /// The jobs of this tick. Sources that are not to be asked are told as missed right away.
    async fn jobs(&mut self, tick: Tick) -> Result<Vec<Job>, mpsc::error::SendError<Scan>> {
        let now = Instant::now();
        let mut jobs = Vec::with_capacity(self.sources.len());
        for index in 0..self.sources.len() {
            let source = &self.sources[index];
            if !self.link.is_open() {
                let failure = closed(self.report.why_closed());
                self.tell_missed(tick, index, failure).await?;
            } else if source.is_due(now) {
                jobs.push(job(index, source));
            } else {
                let failure = left_alone(source);
                self.tell_missed(tick, index, failure).await?;
            }
        }
        Ok(jobs)
    }

    /// Asks one source; true where it gave its codes.
    async fn ask(
        &mut self,
        round: &mut Round,
        mut job: Job,
        tick: Tick,
    ) -> Result<bool, mpsc::error::SendError<Scan>> {
        if job.failed.take().is_some() && job.sent_at.is_some() {
            self.report.change(|health| health.retries += 1);
        }
        let failure = match self.read(&mut job).await {
            Read::Whole { done_at } => return self.tell_codes(tick, &job, done_at).await,
            Read::Lost { cause, detail } => {
                self.lose(detail.clone());
                let failure = Failure {
                    cause,
                    detail: detail.clone(),
                    prospect: Prospect::Good,
                };
                self.tell_missed(tick, job.source, failure).await?;
                for job in round.rest() {
                    self.tell_missed(tick, job.source, unplugged(detail.clone()))
                        .await?;
                }
                return Ok(false);
            }
            Read::Refused(exception) => {
                let failure = refused(exception);
                if exception.kind() == ExceptionKind::TryAgain && job.may_be_busy {
                    job.may_be_busy = false;
                    job.failed = Some(failure);
                    round.again(job);
                    return Ok(true);
                }
                failure
            }
            Read::Stranger(failure) => failure,
            Read::Failed(failure) => {
                if failure.is_silence() {
                    round.unit_was_silent(job.unit, &failure);
                }
                if job.retries > 0 {
                    job.retries -= 1;
                    job.failed = Some(failure);
                    round.again(job);
                    return Ok(true);
                }
                failure
            }
        };
        self.tell_missed(tick, job.source, failure).await?;
        Ok(false)
    }

    /// Makes sure that a source is the device that the file means; says why not.
    async fn recognise(&mut self, index: usize) -> Result<(), Read> {
        let source = &mut self.sources[index];
        let Some(plan) = source.plan.identity.as_ref().filter(|_| !source.is_known()) else {
            return Ok(());
        };
        let Some(open) = self.link.open_mut() else {
            return Err(Read::Failed(closed(self.report.why_closed())));
        };
        let (unit, patience) = (source.plan.unit, source.plan.timeout);
        let judged = match plan.question {
            IdentityQuestion::Object(object) => {
                let question = Question {
                    unit,
                    first: object,
                };
                let told = self.wire.identify(open, question, patience).await;
                told.map(|told| judge_objects(plan, object, told))
            }
            IdentityQuestion::Registers(table, span) => {
                let request = Request { unit, table, span };
                let exchange = self.wire.ask(open, request, patience).await;
                exchange
                    .result
                    .map(|answer| judge_registers(plan, answer.reply))
            }
        };
        match judged {
            Ok(Ok(())) => {
                source.recognised();
                Ok(())
            }
            Ok(Err(stranger)) => Err(Read::Stranger(stranger)),
            Err(error) => Err(not_read(error)),
        }
    }

    /// Reads the spans that are still missing.
    async fn read(&mut self, job: &mut Job) -> Read {
        if let Err(why) = self.recognise(job.source).await {
            job.sent_at.get_or_insert_with(Instant::now);
            return why;
        }
        let mut done_at = Instant::now();
        while let Some(request) = self.sources[job.source].request(job.registers.len()) {
            let Some(open) = self.link.open_mut() else {
                return Read::Failed(closed(self.report.why_closed()));
            };
            let patience = self.sources[job.source].plan.timeout;
            let exchange = self.wire.ask(open, request, patience).await;
            job.sent_at.get_or_insert(exchange.sent_at);
            done_at = exchange.done_at;
            match exchange.result {
                Ok(answer) => {
                    job.resynced |= answer.resynced;
                    match answer.reply {
                        Reply::Registers(registers) => job.registers.push(registers),
                        Reply::Exception(exception) => return Read::Refused(exception),
                    }
                }
                Err(error) => return not_read(error),
            }
        }
        Read::Whole { done_at }
    }

    async fn tell_codes(
        &mut self,
        tick: Tick,
        job: &Job,
        done_at: Instant,
    ) -> Result<bool, mpsc::error::SendError<Scan>> {
        let source = &mut self.sources[job.source];
        let Some(codes) = source.registers.codes(&job.registers) else {
            // Every answer has as many registers as were asked for, so this cannot be.
            let failure = Failure {
                cause: Cause::BadFrame,
                detail: "registers are missing".to_owned(),
                prospect: Prospect::Good,
            };
            self.tell_missed(tick, job.source, failure).await?;
            return Ok(false);
        };
        source.answered();
        self.link.proved();
        let id = source.plan.source;
        let done = self.stamp_of(done_at);
        let sent = job.sent_at.map_or(done, |at| self.stamp_of(at));
        let mut quality = Quality::empty();
        quality.set(Quality::RESYNCED, job.resynced);
        quality.set(Quality::LATE, done >= self.ticks.next());
        self.report.good(id, done);
        let input = |code| Coded {
            code: Some(code),
            quality,
        };
        let scan = Scan {
            source: id,
            tick: tick.at,
            at: sent.midpoint(done),
            outcome: Ok(codes.into_iter().map(input).collect()),
        };
        self.scans.send(scan).await?;
        Ok(true)
    }

    async fn tell_missed(&mut self, tick: Tick, index: usize, failure: Failure) -> Taken {
        let at = self.axis.now();
        let source = &mut self.sources[index];
        source.failed(Instant::now(), &failure);
        let miss = Miss {
            ticks: 1,
            cause: failure.cause,
            detail: failure.detail,
        };
        self.report.missed(source.plan.source, at, &miss);
        let scan = Scan {
            source: source.plan.source,
            tick: tick.at,
            at,
            outcome: Err(miss),
        };
        self.scans.send(scan).await
    }

    /// An instant of this machine's clock on the axis.
    fn stamp_of(&self, at: Instant) -> Stamp {
        self.axis.now().minus(at.elapsed())
    }

    fn instant_of(&self, at: Stamp) -> Instant {
        Instant::now() + at.since(self.axis.now())
    }
}

/// Listens while open, opens while not. Safe to drop while it waits.
async fn between_ticks<W: Wire>(link: &mut Link<W::Open>, wire: &mut W) -> Event {
    if let Some(open) = link.open_mut() {
        return Event::Gone(wire.idle(open).await);
    }
    match link.progress(|| wire.open()).await {
        Ok(()) => Event::Opened,
        Err(why) => Event::NotOpened(why),
    }
}

fn job(index: usize, source: &Source) -> Job {
    Job {
        source: index,
        unit: source.plan.unit,
        retries: source.plan.retries,
        may_be_busy: true,
        failed: None,
        registers: Vec::new(),
        resynced: false,
        sent_at: None,
    }
}

/// The longest that reading what is missing of a source can take.
fn longest<W: Wire>(wire: &W, source: &Source, job: &Job) -> Duration {
    (job.registers.len()..)
        .map_while(|span| source.request(span))
        .map(|request| wire.longest(request, source.plan.timeout))
        .sum()
}

fn unplugged(detail: String) -> Failure {
    Failure {
        cause: Cause::Unplugged,
        detail,
        prospect: Prospect::Unasked,
    }
}

fn closed(why: NotOpened) -> Failure {
    Failure {
        cause: why.cause,
        detail: why.why,
        prospect: Prospect::Unasked,
    }
}

fn left_alone(source: &Source) -> Failure {
    let (cause, detail) = source.left_alone();
    Failure {
        cause,
        detail,
        prospect: Prospect::Unasked,
    }
}

/// What it means that a question brought no answer.
fn not_read(error: AskError) -> Read {
    match error {
        AskError::Gone(detail) => Read::Lost {
            cause: Cause::Unplugged,
            detail,
        },
        AskError::Broken(detail) => Read::Lost {
            cause: Cause::BadFrame,
            detail,
        },
        AskError::Unanswered { cause, detail } => Read::Failed(Failure {
            cause,
            detail,
            prospect: match cause {
                Cause::Timeout => Prospect::Poor,
                _ => Prospect::Good,
            },
        }),
    }
}

/// What is told of a job for which there was no time left.
fn given_up(job: Job) -> Failure {
    job.failed.unwrap_or_else(|| Failure {
        cause: Cause::Timeout,
        detail: "its unit failed just before, and an old answer may still come".to_owned(),
        prospect: Prospect::Unasked,
    })
}

/// An exception is never data: the tick is missed, and the device's own word is kept.
fn refused(exception: Exception) -> Failure {
    let (what, prospect) = match exception.kind() {
        ExceptionKind::Configuration => (
            "the device does not have these registers; look at the module's registers and table",
            Prospect::None,
        ),
        ExceptionKind::UnitBehindGateway => ("the gateway cannot reach the unit", Prospect::Poor),
        ExceptionKind::TryAgain => ("the device is busy", Prospect::Good),
        ExceptionKind::Device => ("the device says that it has failed", Prospect::Good),
    };
    Failure {
        cause: Cause::DeviceError,
        detail: format!("{exception}: {what}"),
        prospect,
    }
}
