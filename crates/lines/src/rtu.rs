//! Modbus RTU on a serial port: one exchange after the other, each with one deadline for everything.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::timeout_at;
use tokio_serial::SerialStream;
use zonda_config::RtuPlan;
use zonda_model::Cause;
use zonda_protocol::modbus::rtu::{Awaiting, Seen, answer_length, encode};
use zonda_protocol::modbus::{Doubt, Reply, Request, UnitId};

use crate::polled::{Answer, AskError, Wire};
use crate::port;

/// A Modbus RTU line.
#[derive(Debug)]
pub(crate) struct Rtu {
    plan: RtuPlan,
    doubts: BTreeMap<UnitId, Doubt>,
    /// When the last byte was on the line, ours or theirs.
    quiet_since: Option<Instant>,
}

impl Rtu {
    pub(crate) fn new(plan: &RtuPlan) -> Self {
        Self { plan: plan.clone(), doubts: BTreeMap::new(), quiet_since: None }
    }

    /// One request, one answer. Whatever goes wrong leaves the unit in doubt.
    async fn exchange(&mut self, port: &mut SerialStream, request: Request, patience: Duration) -> Result<Reply, AskError> {
        self.keep_silence().await;
        port::drain(port).map_err(AskError::Gone)?;
        let settings = self.plan.port.settings;
        let frame = encode(request);
        let on_the_wire = settings.wire_time(frame.len()) + settings.wire_time(answer_length(request));
        let deadline = Instant::now() + on_the_wire + patience;
        let mut awaiting = Awaiting::new(request);
        let outcome = timeout_at(deadline.into(), talk(port, &frame, &mut awaiting)).await;
        self.quiet_since = Some(Instant::now());
        match outcome {
            Ok(Ok(reply)) => Ok(reply),
            Ok(Err(gone)) => Err(AskError::Gone(gone)),
            Err(_) => {
                self.doubts.entry(request.unit).or_default().unanswered(request, Instant::now());
                Err(unanswered(awaiting.seen(), patience))
            }
        }
    }

    /// The silence between frames, by which devices tell them apart.
    async fn keep_silence(&self) {
        if let Some(since) = self.quiet_since {
            tokio::time::sleep_until((since + self.plan.silence_min).into()).await;
        }
    }
}

async fn talk(port: &mut SerialStream, frame: &[u8], awaiting: &mut Awaiting) -> Result<Reply, String> {
    let gone = |error: std::io::Error| format!("the port is gone: {error}");
    port.write_all(frame).await.map_err(gone)?;
    let mut bytes = [0; 512];
    loop {
        match port.read(&mut bytes).await.map_err(gone)? {
            // A port whose device was pulled reads as an endless end of file.
            0 => return Err("the port is gone: its device was unplugged".to_owned()),
            count => {
                if let Some(reply) = awaiting.take(&bytes[..count]) {
                    return Ok(reply);
                }
            }
        }
    }
}

fn unanswered(seen: Seen, patience: Duration) -> AskError {
    let (cause, what) = if seen.bytes == 0 {
        (Cause::Timeout, "no answer".to_owned())
    } else if seen.bad_checksum {
        (Cause::BadFrame, "an answer with a wrong checksum".to_owned())
    } else if seen.other_answer {
        (Cause::BadFrame, "an answer to something else".to_owned())
    } else {
        (Cause::BadFrame, format!("{} bytes that are no answer", seen.bytes))
    };
    AskError::Unanswered { cause, detail: format!("{what} within {} ms", patience.as_millis()) }
}

impl Wire for Rtu {
    type Open = SerialStream;

    fn open(&self) -> impl Future<Output = Result<SerialStream, String>> + Send + 'static {
        port::open(self.plan.port.clone())
    }

    async fn ask(&mut self, port: &mut SerialStream, request: Request, patience: Duration) -> Result<Answer, AskError> {
        let doubt = self.doubts.entry(request.unit).or_default();
        let mut resynced = false;
        if !doubt.is_in_step(Instant::now()) {
            let Some(probe) = doubt.probe(request) else {
                return Err(AskError::Unanswered { cause: Cause::NoAnswer, detail: "left alone until no old answer can come any more".to_owned() });
            };
            self.exchange(port, probe, patience).await?;
            self.doubts.entry(request.unit).or_default().resolved();
            resynced = true;
        }
        let reply = self.exchange(port, request, patience).await?;
        Ok(Answer { reply, resynced })
    }

    fn opened(&mut self) {
        // Answers from before the port was gone may still come: doubts stay.
        self.quiet_since = Some(Instant::now());
    }

    fn cycle_least(&self) -> Duration {
        self.plan.wire_time()
    }
}
