//! Modbus RTU on a serial port: drives the master's state machine with bytes and sharp timers.

use std::io::ErrorKind;
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::SerialStream;
use zonda_config::RtuPlan;
use zonda_protocol::modbus::identification::{Question, Told};
use zonda_protocol::modbus::rtu::{Failure, Master, Outcome, Patience};
use zonda_protocol::modbus::{Request, UnitId};
use zonda_protocol::serial::SerialSettings;

use crate::link::NotOpened;
use crate::polled::{AskError, Exchange, Wire};
use crate::port::Opener;
use crate::timer::Timer;

/// A port that takes no bytes for so long is stuck; opening it anew is the cure.
const WRITE_WITHIN: Duration = Duration::from_secs(1);
const GONE: &str = "the port is gone: its device was unplugged";
/// The longest frame that a serial line carries (MODBUS over Serial Line V1.02, 2.5.1).
const FRAME_MAX: usize = 256;
/// Read at once; more than the longest frame.
const PIECE: usize = 512;

/// A Modbus RTU line.
#[derive(Debug)]
pub(crate) struct Rtu {
    opener: Opener,
    settings: SerialSettings,
    master: Master,
    timer: Timer,
    cycle_least: Duration,
    /// Kept after opening: the longest time-out of all units.
    quiet_at_open: Duration,
}

impl Rtu {
    /// Must be called on the runtime.
    pub(crate) fn new(plan: &RtuPlan) -> Self {
        let timeouts = plan.modules.iter().map(|module| module.timeout);
        Self {
            opener: Opener::new(plan.port.clone()),
            settings: plan.port.settings,
            master: Master::new(plan.port.settings, plan.silence_min),
            timer: Timer::new(),
            cycle_least: plan.wire_time(),
            quiet_at_open: timeouts.max().unwrap_or_default(),
        }
    }

    /// Drives the exchange that was begun to its end.
    async fn drive(&mut self, port: &mut SerialStream) -> Result<Outcome, String> {
        let mut bytes = [0; PIECE];
        loop {
            self.drain(port, &mut bytes)?;
            if let Some(frame) = self.master.poll_transmit(Instant::now()) {
                write(port, &frame).await?;
            }
            if let Some(outcome) = self.master.poll_outcome() {
                return Ok(outcome);
            }
            let due = self.master.poll_timeout().unwrap_or_else(Instant::now);
            tokio::select! {
                count = port.read(&mut bytes) => self.take(count, &bytes)?,
                () = self.timer.sleep_until(due) => self.master.handle_timeout(Instant::now()),
            }
        }
    }

    /// Sends a question of another kind than the master's, with the master's silence before it. Its
    /// answer cannot be taken for registers, however late: its function is another one.
    async fn question(
        &mut self,
        port: &mut SerialStream,
        question: Question,
        patience: Duration,
    ) -> Result<Option<Told>, String> {
        let (mut bytes, mut came) = ([0; PIECE], Vec::new());
        let ready = self.master.ready_at(question.unit, Instant::now());
        self.timer.sleep_until(ready).await;
        self.drain(port, &mut bytes)?;
        let frame = question.rtu();
        write(port, &frame).await?;
        let on_the_wire = self.settings.wire_time(frame.len() + FRAME_MAX);
        let deadline = Instant::now() + on_the_wire + patience;
        while Instant::now() < deadline && came.len() < 2 * FRAME_MAX {
            tokio::select! {
                count = port.read(&mut bytes) => {
                    came.extend_from_slice(&bytes[..*count.as_ref().unwrap_or(&0)]);
                    self.take(count, &bytes)?;
                }
                () = self.timer.sleep_until(deadline) => {}
            }
            if let Some(told) = question.told_rtu(&came) {
                return Ok(Some(told));
            }
        }
        Ok(None)
    }

    /// What waits in the kernel came before whatever is sent next.
    fn drain(&mut self, port: &mut SerialStream, bytes: &mut [u8]) -> Result<(), String> {
        match port.try_read(bytes) {
            Err(error)
                if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) =>
            {
                Ok(())
            }
            count => self.take(count, bytes),
        }
    }

    fn take(&mut self, count: std::io::Result<usize>, bytes: &[u8]) -> Result<(), String> {
        match count {
            // A port whose device was pulled reads as an endless end of file.
            Ok(0) => Err(GONE.to_owned()),
            Ok(count) => {
                self.master.handle_bytes(Instant::now(), &bytes[..count]);
                Ok(())
            }
            Err(error) => Err(format!("{GONE} ({error})")),
        }
    }
}

async fn write(port: &mut SerialStream, frame: &[u8]) -> Result<(), String> {
    match tokio::time::timeout(WRITE_WITHIN, port.write_all(frame)).await {
        Ok(Ok(())) => Ok(()),
        Ok(Err(error)) => Err(format!("{GONE} ({error})")),
        Err(_) => Err("the port takes no bytes".to_owned()),
    }
}

impl Wire for Rtu {
    type Open = SerialStream;

    fn open(&self) -> impl Future<Output = Result<SerialStream, NotOpened>> + Send + 'static {
        self.opener.clone().open()
    }

    fn opened(&mut self) {
        self.master
            .handle_opened(Instant::now(), self.quiet_at_open);
    }

    fn ready_at(&self, unit: UnitId, now: Instant) -> Instant {
        self.master.ready_at(unit, now)
    }

    fn longest(&self, request: Request, patience: Duration) -> Duration {
        // A probe may have to go first.
        2 * (self.master.wire_min(request) + patience)
    }

    async fn ask(
        &mut self,
        port: &mut SerialStream,
        request: Request,
        patience: Duration,
    ) -> Exchange {
        let begun = Instant::now();
        self.master.begin(begun, request, Patience::of(patience));
        match self.drive(port).await {
            Ok(outcome) => Exchange {
                sent_at: outcome.sent_at,
                done_at: outcome.done_at,
                result: outcome
                    .result
                    .map_err(|failure| unanswered(failure, patience)),
            },
            Err(gone) => {
                let now = Instant::now();
                self.master.handle_lost(now);
                Exchange {
                    sent_at: begun,
                    done_at: now,
                    result: Err(AskError::Gone(gone)),
                }
            }
        }
    }

    async fn identify(
        &mut self,
        port: &mut SerialStream,
        question: Question,
        patience: Duration,
    ) -> Result<Told, AskError> {
        match self.question(port, question, patience).await {
            Ok(Some(told)) => Ok(told),
            Ok(None) => Err(unanswered(Failure::Silence, patience)),
            Err(gone) => {
                self.master.handle_lost(Instant::now());
                Err(AskError::Gone(gone))
            }
        }
    }

    async fn idle(&mut self, port: &mut SerialStream) -> String {
        let mut bytes = [0; PIECE];
        loop {
            let count = port.read(&mut bytes).await;
            if let Err(gone) = self.take(count, &bytes) {
                self.master.handle_lost(Instant::now());
                return gone;
            }
        }
    }

    fn resyncs(&self) -> u64 {
        let counts = self.master.counts();
        counts.scanned_over + counts.probes
    }

    fn cycle_least(&self) -> Duration {
        self.cycle_least
    }
}

fn unanswered(failure: Failure, patience: Duration) -> AskError {
    let detail = match failure {
        Failure::Silence => format!("no answer within {} ms", patience.as_millis()),
        other => other.to_string(),
    };
    AskError::Unanswered {
        cause: failure.cause(),
        detail,
    }
}
