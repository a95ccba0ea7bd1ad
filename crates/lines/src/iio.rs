//! A line that is a converter of the kernel's Industrial I/O subsystem.
//!
//! At each tick the channels in use are read one after the other, in the order of the configuration.
//! What the kernel says of the device is left to `sysfs`, the blocking to the thread of `chip`. A
//! device that is not the one that the file means, or scales otherwise, is refused.

mod chip;
pub(crate) mod sysfs;

use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use zonda_config::IioPlan;
use zonda_model::{Cause, Coded, Miss, Quality, Scan, Stamp};

use crate::clock::Axis;
use crate::link::{Link, NotOpened};
use crate::report::{Reporter, Round};
use crate::tick::{Tick, Ticks};
use chip::{Chip, Failed, Opener, Taken};

pub use sysfs::{IioFound, iio_devices};

type Told = Result<(), mpsc::error::SendError<Scan>>;

/// The task of such a line.
pub(crate) struct Converter {
    plan: IioPlan,
    opener: Opener,
    link: Link<Chip>,
    ticks: Ticks,
    axis: Axis,
    /// Bounded by whoever made it. When it is full this line waits and reads nothing; the ticks that
    /// pass are told as overrun.
    scans: mpsc::Sender<Scan>,
    report: Reporter,
    /// The last tick brought nothing, for a reason that may have left the chip out of step.
    was_hanging: bool,
}

enum Event {
    Stop,
    Tick(Tick),
    Opened,
    NotOpened(NotOpened),
}

impl Converter {
    pub(crate) fn new(
        plan: &IioPlan,
        ticks: Ticks,
        axis: Axis,
        scans: mpsc::Sender<Scan>,
        report: Reporter,
    ) -> Self {
        Self {
            plan: plan.clone(),
            opener: Opener::new(plan),
            link: Link::closed(),
            ticks,
            axis,
            scans,
            report,
            was_hanging: false,
        }
    }

    /// Runs until told to stop, or until nobody takes the scans any more.
    pub(crate) async fn run(mut self, stop: CancellationToken) {
        loop {
            let (link, opener) = (&mut self.link, &self.opener);
            let event = tokio::select! {
                () = stop.cancelled() => Event::Stop,
                tick = self.ticks.wait(&self.axis) => Event::Tick(tick),
                outcome = link.progress(|| opener.clone().open()) => match outcome {
                    Ok(()) => Event::Opened,
                    Err(why) => Event::NotOpened(why),
                },
            };
            let is_going_on = match event {
                Event::Stop => false,
                Event::Tick(tick) => tokio::select! {
                    () = stop.cancelled() => false,
                    told = self.tick(tick) => told.is_ok(),
                },
                Event::Opened => {
                    self.report.opened(self.axis.now());
                    true
                }
                Event::NotOpened(why) => {
                    self.report.down(self.axis.now(), why);
                    true
                }
            };
            if !is_going_on {
                return self.report.stopped(self.axis.now());
            }
        }
    }

    async fn tick(&mut self, tick: Tick) -> Told {
        self.report.begin(tick, self.axis.now());
        if tick.missed > 0 {
            let (cause, detail) = tick.why_missed();
            let first = self.ticks.first_missed(tick);
            self.miss(first, tick.missed, cause, detail.to_owned())
                .await?;
        }
        let Some(chip) = self.link.open_mut() else {
            let NotOpened { cause, why } = self.report.why_closed();
            self.miss(tick.at, 1, cause, why).await?;
            self.end(false);
            return Ok(());
        };
        match chip.read(self.plan.timeout).await {
            Ok(taken) => self.tell_codes(tick, taken).await,
            Err(failed) => self.tell_failed(tick, failed).await,
        }
    }

    async fn tell_codes(&mut self, tick: Tick, taken: Taken) -> Told {
        self.link.proved();
        let now = self.axis.now();
        let done = now.minus(taken.done.elapsed());
        let begun = now.minus(taken.begun.elapsed());
        let is_late = done >= self.ticks.next();
        let mut quality = Quality::empty();
        quality.set(Quality::LATE, is_late);
        quality.set(Quality::RESYNCED, std::mem::take(&mut self.was_hanging));
        self.report.good(self.plan.source, done);
        self.end(is_late);
        let input = |code| Coded {
            code: Some(code),
            quality,
        };
        let codes = taken.codes.into_iter().map(input).collect();
        self.hand_over(tick.at, begun.midpoint(done), Ok(codes))
            .await
    }

    async fn tell_failed(&mut self, tick: Tick, failed: Failed) -> Told {
        self.was_hanging |= failed.cause == Cause::Timeout;
        if failed.is_gone {
            self.link.lose();
            let why = NotOpened {
                cause: failed.cause,
                why: failed.detail.clone(),
            };
            self.report.down(self.axis.now(), why);
        }
        self.miss(tick.at, 1, failed.cause, failed.detail).await?;
        self.end(false);
        Ok(())
    }

    fn end(&mut self, is_late: bool) {
        let round = Round {
            cycle: None,
            is_late,
            is_open: self.link.is_open(),
        };
        self.report.end(round, self.axis.now());
    }

    async fn miss(&mut self, first: Stamp, ticks: u32, cause: Cause, detail: String) -> Told {
        let miss = Miss {
            ticks,
            cause,
            detail,
        };
        let now = self.axis.now();
        self.report.missed(self.plan.source, now, &miss);
        self.hand_over(first, now, Err(miss)).await
    }

    async fn hand_over(&self, tick: Stamp, at: Stamp, outcome: Result<Vec<Coded>, Miss>) -> Told {
        let scan = Scan {
            source: self.plan.source,
            tick,
            at,
            outcome,
        };
        self.scans.send(scan).await
    }
}
