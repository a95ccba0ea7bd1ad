//! A line that carries text: a meter that talks by itself, or one that is asked.
//!
//! Every line that is believed becomes a scan of its own, so no sample is lost where a meter is
//! faster than the tick. A listened-to meter keeps its own time: at each tick it is only looked at,
//! and the tick is missed where nothing came for longer than one and a half of them.

use std::time::{Duration, Instant};

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use zonda_config::{Talk, TextPlan, TextWire};
use zonda_model::{Cause, Coded, Miss, Period, Quality, Scan, SourceId, Stamp};
use zonda_protocol::text::{Line, LineReader};

use crate::clock::Axis;
use crate::health::ErrorNote;
use crate::link::Link;
use crate::port::Opener;
use crate::report::{Reporter, Round};
use crate::tcp;
use crate::tick::{Tick, Ticks};

/// After so many ticks in a row without a line the cause is `no_answer`.
const MISSES_BEFORE_SILENT: u32 = 3;
/// A write to a device that takes nothing must not wait for ever.
const WRITE_WITHIN: Duration = Duration::from_secs(1);

/// A port or a connection.
pub(crate) trait Stream: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Stream for T {}

type Open = Box<dyn Stream>;
type Taken = Result<(), mpsc::error::SendError<Scan>>;

pub(crate) struct Listener {
    source: SourceId,
    way: Way,
    talk: Talk,
    period: Period,
    reader: LineReader,
    link: Link<Open>,
    ticks: Ticks,
    axis: Axis,
    scans: mpsc::Sender<Scan>,
    report: Reporter,
    /// When the last believed line came, or the stream was opened.
    last_line: Stamp,
    misses: u32,
    asked: Option<Asked>,
    /// After a time-out nothing is asked before this: what comes until then is old.
    quiet_until: Option<Instant>,
}

/// A question that waits for its line.
#[derive(Clone, Copy, Debug)]
struct Asked {
    tick: Tick,
    from: Stamp,
    until: Instant,
}

impl Listener {
    pub(crate) fn new(
        plan: &TextPlan,
        period: Period,
        ticks: Ticks,
        axis: Axis,
        scans: mpsc::Sender<Scan>,
        report: Reporter,
    ) -> Self {
        let now = axis.now();
        let reader = match plan.talk {
            Talk::Listen => LineReader::listening(plan.format.clone(), now),
            Talk::Ask(..) => LineReader::answering(plan.format.clone(), now),
        };
        Self {
            source: plan.source,
            way: Way::new(&plan.wire),
            talk: plan.talk.clone(),
            period,
            reader,
            link: Link::closed(),
            ticks,
            axis,
            scans,
            report,
            last_line: now,
            misses: 0,
            asked: None,
            quiet_until: None,
        }
    }

    /// Runs until told to stop, or until nobody takes the scans any more.
    pub(crate) async fn run(mut self, told_to_stop: CancellationToken) {
        let mut bytes = vec![0; 4096];
        loop {
            let way = &self.way;
            let deadline = self.asked.map(|asked| asked.until);
            // Reading needs the stream and opening needs the link; only one of them is possible at a time.
            let step = tokio::select! {
                () = told_to_stop.cancelled() => break,
                tick = self.ticks.wait(&self.axis) => Step::Tick(tick),
                () = sleep_until(deadline) => Step::Unanswered,
                step = next(&mut self.link, way, &mut bytes) => step,
            };
            let taken = tokio::select! {
                () = told_to_stop.cancelled() => break,
                taken = self.take(step, &bytes) => taken,
            };
            if taken.is_err() {
                break;
            }
        }
        self.report.stopped(self.axis.now());
    }

    async fn take(&mut self, step: Step, bytes: &[u8]) -> Taken {
        match step {
            Step::Tick(tick) => self.tick(tick).await,
            Step::Bytes(count) => self.bytes(&bytes[..count]).await,
            Step::Unanswered => self.unanswered().await,
            Step::Opened => {
                let now = self.axis.now();
                self.reader.restart(now);
                self.last_line = now;
                self.report.opened(now);
                Ok(())
            }
            Step::Gone(error) => {
                self.link.lose();
                self.report.down(self.axis.now(), error.clone());
                match self.asked.take() {
                    Some(asked) => self.miss(asked.tick, Cause::Unplugged, error).await,
                    None => Ok(()),
                }
            }
            Step::NotOpened(error) => {
                self.report.down(self.axis.now(), error);
                Ok(())
            }
        }
    }

    async fn tick(&mut self, tick: Tick) -> Taken {
        let now = self.axis.now();
        self.report.begin(tick, now);
        if let Some(asked) = self.asked.take() {
            self.time_out(asked).await?;
        }
        if tick.missed > 0 && matches!(self.talk, Talk::Ask(..)) {
            let miss = Miss {
                ticks: tick.missed,
                cause: Cause::Overrun,
                detail: "the machine stood still".to_owned(),
            };
            self.report.missed(self.source, now, &miss);
            let first = self.ticks.first_missed(tick);
            self.hand_over(first, now, Err(miss)).await?;
        }
        if !self.link.is_open() {
            let detail = self.report.last_error();
            return self.miss(tick, Cause::Unplugged, detail).await;
        }
        match self.talk.clone() {
            Talk::Listen => self.look(tick, now).await,
            Talk::Ask(question, patience) => self.ask(tick, &question, patience).await,
        }
    }

    /// Has the meter spoken of late?
    async fn look(&mut self, tick: Tick, now: Stamp) -> Taken {
        let silence = now.since(self.last_line);
        if silence <= self.period.duration() * 3 / 2 {
            return Ok(());
        }
        let counts = self.reader.counts();
        let detail = match counts.rejected {
            0 => format!("no line for {:.1} s", silence.as_secs_f64()),
            rejected => format!(
                "no line in the expected form for {:.1} s; {rejected} others so far",
                silence.as_secs_f64()
            ),
        };
        self.miss(tick, Cause::Timeout, detail).await
    }

    async fn ask(&mut self, tick: Tick, question: &[u8], patience: Duration) -> Taken {
        if self.quiet_until.is_some_and(|until| Instant::now() < until) {
            return self
                .miss(
                    tick,
                    Cause::Timeout,
                    "waiting out an answer that may still come".to_owned(),
                )
                .await;
        }
        self.quiet_until = None;
        let Some(open) = self.link.open_mut() else {
            return Ok(());
        };
        drain(open).await;
        self.reader.restart(self.axis.now());
        let from = self.axis.now();
        match tokio::time::timeout(WRITE_WITHIN, open.write_all(question)).await {
            Ok(Ok(())) => {
                self.asked = Some(Asked {
                    tick,
                    from,
                    until: Instant::now() + patience,
                });
                Ok(())
            }
            outcome => {
                let why = outcome.map_or_else(
                    |_| "it takes nothing".to_owned(),
                    |error| {
                        error
                            .err()
                            .map_or_else(String::new, |error| error.to_string())
                    },
                );
                let detail = format!("the port is gone: {why}");
                self.link.lose();
                self.report.down(self.axis.now(), detail.clone());
                self.miss(tick, Cause::Unplugged, detail).await
            }
        }
    }

    async fn bytes(&mut self, bytes: &[u8]) -> Taken {
        let now = self.axis.now();
        let lines = self.reader.handle_bytes(now, bytes);
        let is_asking = matches!(self.talk, Talk::Ask(..));
        for line in lines {
            if is_asking && self.asked.is_none() {
                // Nobody asked: the answer to a question whose time is up. Nothing older can come now.
                self.quiet_until = None;
                self.report.change(|health| health.resyncs += 1);
                continue;
            }
            self.line(line, now).await?;
        }
        Ok(())
    }

    async fn line(&mut self, line: Line, now: Stamp) -> Taken {
        let codes = match line.outcome {
            Ok(codes) => codes,
            Err(reject) => {
                self.report.change(|health| {
                    health.error = Some(ErrorNote {
                        at: now,
                        text: reject.to_string(),
                    });
                });
                return match self.asked.take() {
                    Some(asked) => {
                        self.miss(asked.tick, Cause::BadFrame, reject.to_string())
                            .await
                    }
                    None => Ok(()),
                };
            }
        };
        let (tick, at) = match self.asked.take() {
            Some(asked) => (asked.tick.at, asked.from.midpoint(now)),
            None => (line.at.floor(self.period), line.at),
        };
        self.good(tick, at, now, codes).await
    }

    async fn good(&mut self, tick: Stamp, at: Stamp, now: Stamp, mut codes: Vec<Coded>) -> Taken {
        let is_late = matches!(self.talk, Talk::Ask(..)) && now >= tick.next(self.period);
        if is_late {
            codes
                .iter_mut()
                .for_each(|coded| coded.quality |= Quality::LATE);
        }
        self.last_line = at;
        self.misses = 0;
        self.link.proved();
        self.report.good(self.source, at);
        self.end(is_late, now);
        self.hand_over(tick, at, Ok(codes)).await
    }

    async fn unanswered(&mut self) -> Taken {
        match self.asked.take() {
            Some(asked) => self.time_out(asked).await,
            None => Ok(()),
        }
    }

    /// The line may still come. Until that can be ruled out nothing is asked, because a late answer
    /// looks like a fresh one.
    async fn time_out(&mut self, asked: Asked) -> Taken {
        let patience = match &self.talk {
            Talk::Ask(_, patience) => *patience,
            Talk::Listen => Duration::ZERO,
        };
        self.quiet_until = Some(Instant::now() + (patience * 2).max(Duration::from_secs(1)));
        self.miss(
            asked.tick,
            Cause::Timeout,
            format!("no line within {} ms", patience.as_millis()),
        )
        .await
    }

    async fn miss(&mut self, tick: Tick, cause: Cause, detail: String) -> Taken {
        self.misses = self.misses.saturating_add(1);
        let is_silent = cause == Cause::Timeout && self.misses > MISSES_BEFORE_SILENT;
        let cause = if is_silent { Cause::NoAnswer } else { cause };
        let now = self.axis.now();
        let miss = Miss {
            ticks: 1,
            cause,
            detail,
        };
        self.report.missed(self.source, now, &miss);
        self.end(false, now);
        self.hand_over(tick.at, now, Err(miss)).await
    }

    fn end(&mut self, is_late: bool, now: Stamp) {
        let round = Round {
            cycle: None,
            is_late,
            is_open: self.link.is_open(),
        };
        self.report.end(round, now);
    }

    async fn hand_over(
        &mut self,
        tick: Stamp,
        at: Stamp,
        outcome: Result<Vec<Coded>, Miss>,
    ) -> Taken {
        self.scans
            .send(Scan {
                source: self.source,
                tick,
                at,
                outcome,
            })
            .await
    }
}

enum Step {
    Tick(Tick),
    Bytes(usize),
    Unanswered,
    Opened,
    NotOpened(String),
    Gone(String),
}

async fn sleep_until(at: Option<Instant>) {
    match at {
        Some(at) => tokio::time::sleep_until(at.into()).await,
        None => std::future::pending().await,
    }
}

/// Bytes while the stream is open, its opening while it is not. Safe to drop while it waits.
async fn next(link: &mut Link<Open>, way: &Way, bytes: &mut [u8]) -> Step {
    let Some(open) = link.open_mut() else {
        return match link.progress(|| way.clone().open()).await {
            Ok(()) => Step::Opened,
            Err(error) => Step::NotOpened(error),
        };
    };
    match open.read(bytes).await {
        Ok(0) => Step::Gone(
            "the port is gone: its device was unplugged, or the other side closed".to_owned(),
        ),
        Ok(count) => Step::Bytes(count),
        Err(error) => Step::Gone(format!("the port is gone: {error}")),
    }
}

/// The way to the meter.
#[derive(Clone, Debug)]
enum Way {
    Serial(Opener),
    Tcp(String, u16),
}

impl Way {
    fn new(wire: &TextWire) -> Self {
        match wire {
            TextWire::Serial(plan) => Self::Serial(Opener::new(plan.clone())),
            TextWire::Tcp(host, port) => Self::Tcp(host.clone(), *port),
        }
    }

    async fn open(self) -> Result<Open, String> {
        match self {
            Self::Serial(opener) => opener.open().await.map(|port| Box::new(port) as Open),
            Self::Tcp(host, port) => tcp::connect(host, port)
                .await
                .map(|stream| Box::new(stream) as Open),
        }
    }
}

/// Reads away what has come and waits for nothing.
async fn drain(open: &mut Open) {
    let mut bytes = [0; 4096];
    // An end or an error shows again at the next read.
    while let Ok(Ok(1..)) = tokio::time::timeout(Duration::ZERO, open.read(&mut bytes)).await {}
}
