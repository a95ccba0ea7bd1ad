//! A meter that talks by itself.

use zonda_model::{Cause, Period, Stamp};
use zonda_protocol::text::{Line, Why};

use super::slots::{Missed, Slots};
use super::{Common, Taken};
use crate::tick::Tick;

/// What is known of the meter's own time.
pub(super) struct Listening {
    slots: Slots,
    /// When the last believed line came, or the stream was opened.
    last_line: Stamp,
    /// When the stream was opened.
    opened: Stamp,
    /// Why the last line was not believed, where no believed one has come since.
    reject: Option<String>,
    /// Bytes that came up to the last believed line or told miss.
    bytes_told: u64,
    /// Ticks before this passed while the machine or the taker of scans stood still.
    /// Ticks before this passed without a turn, and why.
    passed: (Stamp, (Cause, &'static str)),
}

impl Listening {
    pub(super) const fn new(period: Period, first: Stamp, now: Stamp) -> Self {
        Self {
            slots: Slots::new(period, first),
            last_line: now,
            opened: now,
            reject: None,
            bytes_told: 0,
            passed: (first, (Cause::Overrun, "")),
        }
    }

    pub(super) fn opened(&mut self, now: Stamp) {
        self.last_line = now;
        self.opened = now;
        self.reject = None;
    }

    /// While the stream is open the last tick but one is judged, because a line may be late; while
    /// it is closed nothing can come.
    pub(super) async fn tick(&mut self, common: &mut Common, tick: Tick) -> Taken {
        if tick.missed > 0 {
            self.passed = (tick.at, tick.why_missed());
        }
        let end = if common.link.is_open() {
            tick.at.minus(common.period.duration())
        } else {
            tick.at
        };
        match self.slots.close(end) {
            Some(missed) => self.missed(common, missed).await,
            None => Ok(()),
        }
    }

    pub(super) async fn bytes(&mut self, common: &mut Common, bytes: &[u8]) -> Taken {
        for line in common.reader.handle_bytes(common.axis.now(), bytes) {
            self.line(common, line).await?;
        }
        Ok(())
    }

    async fn line(&mut self, common: &mut Common, line: Line) -> Taken {
        match line.outcome {
            Ok(codes) => {
                let (missed, tick) = self.slots.line(line.at);
                if let Some(missed) = missed {
                    self.missed(common, missed).await?;
                }
                self.last_line = line.at;
                self.reject = None;
                self.bytes_told = common.reader.counts().bytes;
                common.good(tick, line.at, false, codes).await
            }
            Err(reject) => {
                // The first line after opening is never believed; that is no error.
                if reject.why != Why::First {
                    common.note(&reject);
                }
                self.reject = Some(reject.to_string());
                Ok(())
            }
        }
    }

    async fn missed(&mut self, common: &mut Common, missed: Missed) -> Taken {
        let (cause, detail) = self.reason(common, missed);
        self.bytes_told = common.reader.counts().bytes;
        common.miss(missed.first, missed.ticks, cause, detail).await
    }

    fn reason(&mut self, common: &Common, missed: Missed) -> (Cause, String) {
        if !common.link.is_open() {
            let closed = common.report.why_closed();
            return (closed.cause, closed.why);
        }
        let (until, (cause, detail)) = self.passed;
        if missed.first < until {
            return (cause, detail.to_owned());
        }
        if missed.first < self.opened {
            let detail = "the port or connection was not open for all of this time";
            return (Cause::Unplugged, detail.to_owned());
        }
        if let Some(reject) = self.reject.take() {
            return (Cause::BadFrame, reject);
        }
        let silence = common.axis.now().since(self.last_line).as_secs_f64();
        match common.reader.counts().bytes - self.bytes_told {
            0 => (Cause::Timeout, format!("no line for {silence:.1} s")),
            bytes => (
                Cause::BadFrame,
                format!(
                    "no line for {silence:.1} s, but {bytes} bytes that are none; check terminator, speed and parity"
                ),
            ),
        }
    }
}
