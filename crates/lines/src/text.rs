//! A line that carries text: a meter that talks by itself, or one that is asked.
//!
//! # What a reader of the scans may rely on
//!
//! - Of a meter that is asked, every tick is in exactly one scan.
//! - Of a meter that talks by itself, every believed line is a scan of its own, so no sample is lost
//!   where it is faster than the tick. Every tick either has such scans, or is told as missed, and
//!   not both; the ticks of the scans never descend. A tick is told as missed one tick after its end,
//!   because its line may be late (`slots`).
//! - A line whose form is right but that cannot be trusted (the first after opening, the one after a
//!   damaged one) is no scan; if its tick has no other, it is missed as `bad_frame`.

mod ask;
mod echo;
mod listen;
mod slots;

use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use zonda_config::{Talk, TextPlan, TextWire};
use zonda_model::{Cause, Coded, Miss, Period, Scan, SourceId, Stamp};
use zonda_protocol::text::{LineReader, Reject};

use crate::clock::Axis;
use crate::health::ErrorNote;
use crate::link::{Link, NotOpened};
use crate::port::Opener;
use crate::report::{Reporter, Round};
use crate::tcp;
use crate::tick::{Tick, Ticks};
use ask::Asking;
use listen::Listening;

/// After so many ticks in a row without a line the cause is `no_answer`.
const MISSES_BEFORE_SILENT: u32 = 3;
/// The most that is read at once; more waits in the kernel.
const READ_MAX: usize = 4096;
/// How often at a tick it is looked for more of what has come; a stream that never pauses must not
/// keep the tick waiting. The kernel's queue of a serial port holds 4 KiB.
const READS_AT_TICK_MAX: usize = 16;

/// A port or a connection.
pub(crate) trait Stream: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Stream for T {}

type Open = Box<dyn Stream>;
type Taken = Result<(), mpsc::error::SendError<Scan>>;

/// The task of such a line.
pub(crate) struct Listener {
    manner: Manner,
    common: Common,
}

/// Who begins.
#[expect(
    clippy::large_enum_variant,
    reason = "there is one a line, it is made once and only borrowed from then on"
)]
enum Manner {
    Listen(Listening),
    Ask(Asking),
}

/// What both manners need.
struct Common {
    source: SourceId,
    way: Way,
    period: Period,
    reader: LineReader,
    link: Link<Open>,
    ticks: Ticks,
    axis: Axis,
    /// Bounded by whoever made it. When it is full this line waits and reads nothing; what the meter
    /// sends meanwhile waits in the kernel as long as there is room, and is told as backlog.
    scans: mpsc::Sender<Scan>,
    report: Reporter,
    /// Ticks missed in a row.
    misses: u32,
}

enum Step {
    Tick(Tick),
    Bytes(usize),
    Unanswered,
    Opened,
    NotOpened(NotOpened),
    Gone(String),
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
        let format = plan.format.clone();
        let (manner, reader) = match &plan.talk {
            Talk::Listen => (
                Manner::Listen(Listening::new(period, ticks.next(), now)),
                LineReader::listening(format, now),
            ),
            Talk::Ask(question, patience) => (
                Manner::Ask(Asking::new(question, *patience, plan.identity.as_ref())),
                LineReader::answering(format, now),
            ),
        };
        let common = Common {
            source: plan.source,
            way: Way::new(&plan.wire),
            period,
            reader,
            link: Link::closed(),
            ticks,
            axis,
            scans,
            report,
            misses: 0,
        };
        Self { manner, common }
    }

    /// Runs until told to stop, or until nobody takes the scans any more.
    pub(crate) async fn run(mut self, told_to_stop: CancellationToken) {
        let mut bytes = vec![0; READ_MAX];
        loop {
            let Common {
                link,
                way,
                ticks,
                axis,
                ..
            } = &mut self.common;
            let step = tokio::select! {
                () = told_to_stop.cancelled() => break,
                tick = ticks.wait(axis) => Step::Tick(tick),
                () = self.manner.patience_ends() => Step::Unanswered,
                step = next(link, way, &mut bytes) => step,
            };
            let taken = tokio::select! {
                () = told_to_stop.cancelled() => break,
                taken = self.take(step, &bytes) => taken,
            };
            if taken.is_err() {
                break;
            }
        }
        let now = self.common.axis.now();
        self.common.report.stopped(now);
    }

    async fn take(&mut self, step: Step, bytes: &[u8]) -> Taken {
        match step {
            Step::Tick(tick) => self.tick(tick).await,
            Step::Bytes(count) => self.bytes(&bytes[..count]).await,
            Step::Opened => {
                self.opened();
                Ok(())
            }
            Step::NotOpened(why) => {
                let now = self.common.axis.now();
                self.common.report.down(now, why);
                Ok(())
            }
            Step::Gone(why) => {
                self.common.lose(why.clone());
                match &mut self.manner {
                    Manner::Listen(_) => Ok(()),
                    Manner::Ask(asking) => asking.gone(&mut self.common, why).await,
                }
            }
            Step::Unanswered => match &mut self.manner {
                Manner::Listen(_) => Ok(()),
                Manner::Ask(asking) => asking.time_out(&mut self.common).await,
            },
        }
    }

    async fn tick(&mut self, tick: Tick) -> Taken {
        let now = self.common.axis.now();
        self.common.report.begin(tick, now);
        self.take_what_waits().await?;
        match &mut self.manner {
            Manner::Listen(listening) => listening.tick(&mut self.common, tick).await,
            Manner::Ask(asking) => asking.tick(&mut self.common, tick).await,
        }
    }

    async fn bytes(&mut self, bytes: &[u8]) -> Taken {
        match &mut self.manner {
            Manner::Listen(listening) => listening.bytes(&mut self.common, bytes).await,
            Manner::Ask(asking) => asking.bytes(&mut self.common, bytes).await,
        }
    }

    /// Takes in what has come already and waits for nothing: no tick may be told as missed while its
    /// line waits in the kernel, and no old answer may wait there while a question goes out.
    async fn take_what_waits(&mut self) -> Taken {
        let mut bytes = [0; READ_MAX];
        for _ in 0..READS_AT_TICK_MAX {
            let Some(open) = self.common.link.open_mut() else {
                break;
            };
            match tokio::time::timeout(Duration::ZERO, open.read(&mut bytes)).await {
                Ok(Ok(count @ 1..)) => self.bytes(&bytes[..count]).await?,
                // Nothing waits; or the stream has ended, which shows again at the next read.
                _ => break,
            }
        }
        Ok(())
    }

    fn opened(&mut self) {
        let now = self.common.axis.now();
        self.common.reader.restart(now);
        self.common.report.opened(now);
        match &mut self.manner {
            Manner::Listen(listening) => listening.opened(now),
            Manner::Ask(asking) => asking.opened(),
        }
    }
}

impl Manner {
    async fn patience_ends(&self) {
        match self {
            Self::Listen(_) => std::future::pending().await,
            Self::Ask(asking) => asking.patience_ends().await,
        }
    }
}

impl Common {
    fn lose(&mut self, why: String) {
        self.link.lose();
        self.report.down(self.axis.now(), why.into());
    }

    /// A line was not believed: worth a note, and nothing else.
    fn note(&self, reject: &Reject) {
        let note = ErrorNote {
            at: self.axis.now(),
            text: reject.to_string(),
        };
        self.report.change(|health| health.error = Some(note));
    }

    /// Hands over the codes of a line.
    async fn good(&mut self, tick: Stamp, at: Stamp, is_late: bool, codes: Vec<Coded>) -> Taken {
        self.misses = 0;
        self.link.proved();
        self.report.good(self.source, at);
        self.end(is_late);
        self.hand_over(tick, at, Ok(codes)).await
    }

    /// Tells of ticks that brought nothing.
    async fn miss(&mut self, first: Stamp, ticks: u32, cause: Cause, detail: String) -> Taken {
        self.misses = self.misses.saturating_add(ticks);
        let is_silent = cause == Cause::Timeout && self.misses > MISSES_BEFORE_SILENT;
        let miss = Miss {
            ticks,
            cause: if is_silent { Cause::NoAnswer } else { cause },
            detail,
        };
        let now = self.axis.now();
        self.report.missed(self.source, now, &miss);
        self.end(false);
        self.hand_over(first, now, Err(miss)).await
    }

    fn end(&mut self, is_late: bool) {
        let round = Round {
            cycle: None,
            is_late,
            is_open: self.link.is_open(),
        };
        self.report.end(round, self.axis.now());
    }

    async fn hand_over(
        &mut self,
        tick: Stamp,
        at: Stamp,
        outcome: Result<Vec<Coded>, Miss>,
    ) -> Taken {
        let scan = Scan {
            source: self.source,
            tick,
            at,
            outcome,
        };
        self.scans.send(scan).await
    }
}

/// Bytes while the stream is open, its opening while it is not. Safe to drop while it waits.
async fn next(link: &mut Link<Open>, way: &Way, bytes: &mut [u8]) -> Step {
    let Some(open) = link.open_mut() else {
        return match link.progress(|| way.clone().open()).await {
            Ok(()) => Step::Opened,
            Err(why) => Step::NotOpened(why),
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

    async fn open(self) -> Result<Open, NotOpened> {
        match self {
            Self::Serial(opener) => opener.open().await.map(|port| Box::new(port) as Open),
            Self::Tcp(host, port) => tcp::connect(host, port)
                .await
                .map(|stream| Box::new(stream) as Open)
                .map_err(NotOpened::from),
        }
    }
}
