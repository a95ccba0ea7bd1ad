//! A meter that is asked at each tick.
//!
//! Nothing in a line of text says which question it answers, so an old answer must be impossible by
//! time: what has come before a question is thrown away, and after a time-out nothing is asked until
//! the answer has come late or has had three times its time. A meter slower than that can deceive;
//! its time-out is set too short.

use std::time::{Duration, Instant};

use tokio::io::AsyncWriteExt;
use zonda_model::{Cause, Coded, Miss, Quality, Stamp};
use zonda_protocol::text::{Line, Reject};

use super::echo::Echo;
use super::{Common, Open, Taken};
use crate::tick::Tick;

/// A write to a device that takes nothing must not wait for ever.
const WRITE_WITHIN: Duration = Duration::from_secs(1);
/// The least time for a late answer to come after a time-out.
const QUIET_LEAST: Duration = Duration::from_secs(1);
/// A byte that came no longer ago than this may be followed by more of its line: the latency of a
/// USB adapter (16 ms by default in the kernel's driver) and one character at 300 baud, with margin.
const SETTLE: Duration = Duration::from_millis(60);

/// What is known of the conversation.
pub(super) struct Asking {
    question: Vec<u8>,
    patience: Duration,
    asked: Option<Asked>,
    echo: Echo,
    /// Nothing is asked before this: what comes until then is old.
    quiet_until: Option<Instant>,
    last_bytes: Option<Instant>,
    /// An answer failed to come, so the next one is the first after coming back into step.
    is_out_of_step: bool,
}

/// A question that waits for its line.
#[derive(Clone, Copy, Debug)]
struct Asked {
    tick: Tick,
    from: Stamp,
    until: Instant,
}

impl Asking {
    pub(super) fn new(question: &[u8], patience: Duration) -> Self {
        Self {
            question: question.to_vec(),
            patience,
            asked: None,
            echo: Echo::of(question),
            quiet_until: None,
            last_bytes: None,
            is_out_of_step: false,
        }
    }

    /// Of what was asked before, no answer can come on a new stream.
    pub(super) fn opened(&mut self) {
        self.quiet_until = None;
        self.last_bytes = None;
    }

    pub(super) async fn gone(&mut self, common: &mut Common, why: String) -> Taken {
        match self.asked.take() {
            Some(asked) => common.miss(asked.tick.at, 1, Cause::Unplugged, why).await,
            None => Ok(()),
        }
    }

    /// Waits until the answer under way has had its time; for ever where none is.
    pub(super) async fn patience_ends(&self) {
        match self.asked {
            Some(asked) => tokio::time::sleep_until(asked.until.into()).await,
            None => std::future::pending().await,
        }
    }

    /// The answer has not come. It still may, and would look like a fresh one.
    pub(super) async fn time_out(&mut self, common: &mut Common) -> Taken {
        let Some(asked) = self.asked.take() else {
            return Ok(());
        };
        self.be_quiet();
        let detail = format!("no line within {} ms", self.patience.as_millis());
        common.miss(asked.tick.at, 1, Cause::Timeout, detail).await
    }

    fn be_quiet(&mut self) {
        self.is_out_of_step = true;
        self.quiet_until = Some(Instant::now() + (self.patience * 2).max(QUIET_LEAST));
    }

    pub(super) async fn tick(&mut self, common: &mut Common, tick: Tick) -> Taken {
        self.time_out(common).await?;
        if tick.missed > 0 {
            let first = common.ticks.first_missed(tick);
            let (cause, detail) = tick.why_missed();
            common
                .miss(first, tick.missed, cause, detail.to_owned())
                .await?;
        }
        match self.hindrance(common) {
            Some(miss) => {
                common
                    .miss(tick.at, miss.ticks, miss.cause, miss.detail)
                    .await
            }
            None => self.ask(common, tick).await,
        }
    }

    /// Why nothing can be asked now.
    fn hindrance(&self, common: &Common) -> Option<Miss> {
        let now = Instant::now();
        let miss = |cause, detail: String| {
            Some(Miss {
                ticks: 1,
                cause,
                detail,
            })
        };
        if !common.link.is_open() {
            let closed = common.report.why_closed();
            return miss(closed.cause, closed.why);
        }
        if self.quiet_until.is_some_and(|until| now < until) {
            let detail = "nothing was asked: an answer that is late may still come";
            return miss(Cause::Timeout, detail.to_owned());
        }
        let is_settled = self.last_bytes.is_none_or(|at| now - at >= SETTLE);
        if common.reader.is_inside_line() && !is_settled {
            let detail = "nothing was asked: a line that nobody asked for is on its way";
            return miss(Cause::BadFrame, detail.to_owned());
        }
        None
    }

    async fn ask(&mut self, common: &mut Common, tick: Tick) -> Taken {
        let from = common.axis.now();
        common.reader.restart(from);
        self.echo.expect();
        let Some(open) = common.link.open_mut() else {
            return Ok(());
        };
        match write(open, &self.question).await {
            Ok(()) => {
                self.quiet_until = None;
                self.asked = Some(Asked {
                    tick,
                    from,
                    until: Instant::now() + self.patience,
                });
                Ok(())
            }
            Err(why) => {
                common.lose(why.clone());
                common.miss(tick.at, 1, Cause::Unplugged, why).await
            }
        }
    }

    pub(super) async fn bytes(&mut self, common: &mut Common, bytes: &[u8]) -> Taken {
        self.last_bytes = Some(Instant::now());
        let bytes = self.echo.strip(bytes);
        for line in common.reader.handle_bytes(common.axis.now(), &bytes) {
            match self.asked.take() {
                Some(asked) => self.answer(common, asked, line).await?,
                None => self.unasked(common, &line),
            }
        }
        Ok(())
    }

    async fn answer(&mut self, common: &mut Common, asked: Asked, line: Line) -> Taken {
        let now = common.axis.now();
        match line.outcome {
            Ok(codes) => {
                let is_late = now >= asked.tick.at.next(common.period);
                let mut flags = Quality::empty();
                flags.set(Quality::LATE, is_late);
                flags.set(Quality::RESYNCED, self.is_out_of_step);
                self.is_out_of_step = false;
                let at = asked.from.midpoint(now);
                common
                    .good(asked.tick.at, at, is_late, flagged(codes, flags))
                    .await
            }
            Err(reject) => self.refused(common, asked, &reject).await,
        }
    }

    /// What follows may be the rest of the same answer, so it is waited out.
    async fn refused(&mut self, common: &mut Common, asked: Asked, reject: &Reject) -> Taken {
        self.is_out_of_step = true;
        self.quiet_until = Some(Instant::now() + SETTLE);
        common.note(reject);
        common
            .miss(asked.tick.at, 1, Cause::BadFrame, reject.to_string())
            .await
    }

    /// A line that nobody waits for. If it is the answer whose time was up, nothing older can come.
    fn unasked(&mut self, common: &Common, line: &Line) {
        if line.outcome.is_ok() {
            self.quiet_until = None;
            common.report.change(|health| health.resyncs += 1);
        }
    }
}

async fn write(open: &mut Open, question: &[u8]) -> Result<(), String> {
    match tokio::time::timeout(WRITE_WITHIN, open.write_all(question)).await {
        Ok(Ok(())) => Ok(()),
        Ok(Err(error)) => Err(format!("the port is gone: {error}")),
        Err(_) => Err("the port takes nothing, so it is opened anew".to_owned()),
    }
}

fn flagged(mut codes: Vec<Coded>, flags: Quality) -> Vec<Coded> {
    for coded in &mut codes {
        coded.quality |= flags;
    }
    codes
}
