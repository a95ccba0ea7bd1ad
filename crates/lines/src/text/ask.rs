//! A meter that is asked at each tick.
//!
//! Where the file says who the meter must be, it is asked that first: when the port was opened, and
//! when it was silent for long enough to be swapped. One that is another is not recorded.
//!
//! Nothing in a line of text says which question it answers, so an old answer must be impossible by
//! time: what has come before a question is thrown away, and after a time-out nothing is asked until
//! the answer has come late or has had three times its time. A meter slower than that can deceive;
//! its time-out is set too short.

use std::time::{Duration, Instant};

use tokio::io::AsyncWriteExt;
use zonda_config::TextIdentityPlan;
use zonda_model::{Cause, Coded, Miss, Quality, Stamp};
use zonda_protocol::text::{Line, Reject};

use super::echo::Echo;
use super::{Common, MISSES_BEFORE_SILENT, Open, Taken};
use crate::backoff::Backoff;
use crate::tick::Tick;

/// A write to a device that takes nothing must not wait for ever.
const WRITE_WITHIN: Duration = Duration::from_secs(1);
/// The least time for a late answer to come after a time-out.
const QUIET_LEAST: Duration = Duration::from_secs(1);
/// A byte that came no longer ago than this may be followed by more of its line: the latency of a
/// USB adapter (16 ms by default in the kernel's driver) and one character at 300 baud, with margin.
const SETTLE: Duration = Duration::from_millis(60);

/// The most that is kept of what a meter says of itself.
const SAID_MAX: usize = 512;

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
    identity: Option<Identity>,
}

/// Who the meter must be, and what is known of that.
struct Identity {
    plan: TextIdentityPlan,
    echo: Echo,
    is_known: bool,
    /// It is another: what to say of it, and when to ask again.
    stranger: Option<(String, Instant)>,
    backoff: Backoff,
}

impl Identity {
    /// Whether it has said that it is the one that the file means; remembered if so.
    fn recognises(&mut self, said: &[u8]) -> bool {
        if !self.plan.expected.fits(&String::from_utf8_lossy(said)) {
            return false;
        }
        self.is_known = true;
        self.stranger = None;
        self.backoff.reset();
        true
    }
}

/// What was asked.
#[derive(Clone, Debug)]
enum What {
    /// Its values.
    Values,
    /// Who it is; what it has said so far.
    Identity(Vec<u8>),
    /// Nothing: it has said who it is, and may say more.
    Settling,
}

/// A question that waits for its line.
#[derive(Clone, Debug)]
struct Asked {
    what: What,
    tick: Tick,
    from: Stamp,
    until: Instant,
}

impl Asking {
    pub(super) fn new(
        question: &[u8],
        patience: Duration,
        identity: Option<&TextIdentityPlan>,
    ) -> Self {
        Self {
            question: question.to_vec(),
            patience,
            asked: None,
            echo: Echo::of(question),
            quiet_until: None,
            last_bytes: None,
            is_out_of_step: false,
            identity: identity.map(|plan| Identity {
                plan: plan.clone(),
                echo: Echo::of(&plan.ask),
                is_known: false,
                stranger: None,
                backoff: Backoff::of_units(),
            }),
        }
    }

    /// Of what was asked before, no answer can come on a new stream.
    pub(super) fn opened(&mut self) {
        self.quiet_until = None;
        self.last_bytes = None;
        if let Some(identity) = &mut self.identity {
            identity.is_known = false;
            identity.stranger = None;
        }
    }

    pub(super) async fn gone(&mut self, common: &mut Common, why: String) -> Taken {
        match self.asked.take() {
            Some(asked) => common.miss(asked.tick.at, 1, Cause::Unplugged, why).await,
            None => Ok(()),
        }
    }

    /// Waits until the answer under way has had its time; for ever where none is.
    pub(super) async fn patience_ends(&self) {
        match &self.asked {
            Some(asked) => tokio::time::sleep_until(asked.until.into()).await,
            None => std::future::pending().await,
        }
    }

    /// The time is up. An answer that has not come still may, and would look like a fresh one.
    pub(super) async fn time_out(&mut self, common: &mut Common) -> Taken {
        let Some(asked) = self.asked.take() else {
            return Ok(());
        };
        match asked.what {
            What::Settling => self.ask(common, asked.tick).await,
            What::Identity(said) if said.is_empty() => self.unanswered(common, asked.tick).await,
            What::Identity(said) if self.recognises(&said) => self.ask(common, asked.tick).await,
            What::Identity(said) => self.strange(common, asked.tick, &said).await,
            What::Values => self.unanswered(common, asked.tick).await,
        }
    }

    async fn unanswered(&mut self, common: &mut Common, tick: Tick) -> Taken {
        self.be_quiet();
        let detail = format!("no line within {} ms", self.patience.as_millis());
        common.miss(tick.at, 1, Cause::Timeout, detail).await?;
        if common.misses > MISSES_BEFORE_SILENT
            && let Some(identity) = &mut self.identity
        {
            // Long enough for somebody to put another in its place.
            identity.is_known = false;
        }
        Ok(())
    }

    /// The meter said who it is, or something else, and it is not the one that the file means.
    async fn strange(&mut self, common: &mut Common, tick: Tick, said: &[u8]) -> Taken {
        self.be_quiet();
        let Some(identity) = &mut self.identity else {
            return Ok(());
        };
        let said = String::from_utf8_lossy(said);
        let said: String = said.trim().escape_debug().take(SAID_MAX).collect();
        let detail = format!(
            "expected the meter `{}`, found another: it says `{said}`; nothing of it is recorded",
            identity.plan.expected
        );
        identity.stranger = Some((detail.clone(), Instant::now() + identity.backoff.next()));
        common.miss(tick.at, 1, Cause::Mismatch, detail).await
    }

    fn recognises(&mut self, said: &[u8]) -> bool {
        let identity = self.identity.as_mut();
        identity.is_some_and(|identity| identity.recognises(said))
    }

    /// A tick begins, and what was asked in the one before is still open.
    async fn give_up(&mut self, common: &mut Common) -> Taken {
        match self.asked.take() {
            Some(Asked {
                what: What::Settling,
                tick,
                ..
            }) => {
                let detail = "no time was left after it was asked who it is";
                common
                    .miss(tick.at, 1, Cause::Timeout, detail.to_owned())
                    .await
            }
            asked => {
                self.asked = asked;
                self.time_out(common).await
            }
        }
    }

    fn be_quiet(&mut self) {
        self.is_out_of_step = true;
        self.quiet_until = Some(Instant::now() + (self.patience * 2).max(QUIET_LEAST));
    }

    pub(super) async fn tick(&mut self, common: &mut Common, tick: Tick) -> Taken {
        self.give_up(common).await?;
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
        let stranger = self.identity.as_ref().and_then(|it| it.stranger.as_ref());
        if let Some((detail, until)) = stranger
            && now < *until
        {
            return miss(Cause::Mismatch, detail.clone());
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
        let (what, question, echo) = match &mut self.identity {
            Some(identity) if !identity.is_known => (
                What::Identity(Vec::new()),
                &identity.plan.ask,
                &mut identity.echo,
            ),
            _ => (What::Values, &self.question, &mut self.echo),
        };
        echo.expect();
        let Some(open) = common.link.open_mut() else {
            return Ok(());
        };
        match write(open, question).await {
            Ok(()) => {
                self.quiet_until = None;
                self.asked = Some(Asked {
                    what,
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

    /// Takes in what a meter says of itself; true where these bytes are no values.
    fn take_identity(&mut self, bytes: &[u8]) -> bool {
        let (Some(identity), Some(asked)) = (&mut self.identity, &mut self.asked) else {
            return false;
        };
        match &mut asked.what {
            What::Values => return false,
            What::Settling => {}
            What::Identity(said) => {
                said.extend_from_slice(&identity.echo.strip(bytes));
                said.truncate(SAID_MAX);
                // A number may be half there until its line has ended.
                let is_end = |byte: &u8| byte.is_ascii_control() && *byte != b'\t';
                let Some(end) = said.iter().rposition(is_end) else {
                    return true;
                };
                if !identity.recognises(&said[..end]) {
                    return true;
                }
                asked.what = What::Settling;
            }
        }
        // It may say more; that must not be taken for its values.
        asked.until = Instant::now() + SETTLE;
        true
    }

    pub(super) async fn bytes(&mut self, common: &mut Common, bytes: &[u8]) -> Taken {
        self.last_bytes = Some(Instant::now());
        if self.take_identity(bytes) {
            return Ok(());
        }
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
