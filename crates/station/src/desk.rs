//! The desk: every scan passes over it, and leaves as samples or as a gap.

use std::sync::Arc;

use tokio::sync::{broadcast, mpsc};
use zonda_config::Config;
use zonda_lines::Axis;
use zonda_model::{Cause, Miss, Period, Sample, Scan, SourceId, Stamp};
use zonda_store::{ChannelId, Event, Recorder, Severity, StoreError};

use crate::Samples;
use crate::agreement::Agreements;
use crate::board::{Board, Missing};
use crate::derived::{Derived, Outcome};
use crate::finding;
use crate::loopcheck::{LoopChecks, Told};
use crate::mapper::Mapper;
use crate::patience::{News, Patience};

/// Scans that may wait for the desk. It takes them at once unless the recorder's own queue is full;
/// then lines wait, and tell their ticks as overrun.
pub(crate) const WAITING_MAX: usize = 1024;
/// Scans taken at once, to save wake-ups.
const TAKEN_MAX: usize = 128;

pub(crate) struct Desk {
    pub(crate) config: Arc<Config>,
    pub(crate) mapper: Mapper,
    pub(crate) derived: Derived,
    pub(crate) board: Arc<Board>,
    pub(crate) axis: Axis,
    pub(crate) recorder: Recorder,
    pub(crate) live: broadcast::Sender<Samples>,
    /// Keys of the channels in the record, in the order of the configuration.
    pub(crate) keys: Vec<ChannelId>,
    pub(crate) patience: Vec<Patience>,
    pub(crate) agreements: Agreements,
    pub(crate) loop_checks: Arc<LoopChecks>,
}

impl Desk {
    /// Works until every line has ended and all that they handed over is passed on.
    pub(crate) async fn run(mut self, mut scans: mpsc::Receiver<Scan>) -> Result<(), StoreError> {
        let mut taken = Vec::with_capacity(TAKEN_MAX);
        while scans.recv_many(&mut taken, TAKEN_MAX).await > 0 {
            self.pass_on(taken.drain(..)).await?;
        }
        let (rest, mut samples) = (self.mapper.finish(), Vec::new());
        self.follow(rest, &mut samples).await?;
        self.hand_over(&mut samples).await?;
        self.tell_findings().await
    }

    async fn pass_on(&mut self, scans: impl Iterator<Item = Scan>) -> Result<(), StoreError> {
        let mut samples = Vec::new();
        for scan in scans {
            let news = match scan.outcome {
                Ok(mut codes) => {
                    self.loop_checks.mark(scan.source, &mut codes);
                    let (when, offset) = ((scan.tick, scan.at), self.axis.axis_minus_utc_us());
                    let fresh = self.mapper.scanned(scan.source, when, offset, &codes);
                    self.follow(fresh, &mut samples).await?;
                    self.of(scan.source).answered()
                }
                Err(miss) => {
                    let fresh = self.mapper.missed(scan.source, scan.tick, &miss);
                    self.follow(fresh, &mut samples).await?;
                    // Order matters to the record: what came before a miss goes before it.
                    self.hand_over(&mut samples).await?;
                    self.miss(scan.source, scan.tick, &miss).await?;
                    self.follow_miss(scan.source, scan.tick, &miss, &mut samples)
                        .await?;
                    self.of(scan.source).missed(scan.tick, scan.at, &miss)
                }
            };
            if let Some(news) = news {
                self.tell(scan.source, scan.at, news).await?;
            }
        }
        self.hand_over(&mut samples).await?;
        self.tell_findings().await
    }

    /// Puts fresh samples behind those in hand, and what is derived from them behind those.
    async fn follow(
        &mut self,
        fresh: Vec<Sample<usize>>,
        samples: &mut Vec<Sample<usize>>,
    ) -> Result<(), StoreError> {
        let outcomes = self.derived.follow(&fresh, self.axis.axis_minus_utc_us());
        samples.extend(fresh);
        self.take(outcomes, samples).await
    }

    async fn follow_miss(
        &mut self,
        source: SourceId,
        tick: Stamp,
        miss: &Miss,
        samples: &mut Vec<Sample<usize>>,
    ) -> Result<(), StoreError> {
        let channels = self.mapper.channels(source);
        let period = channels.first().and_then(|index| self.board.period(*index));
        let when = (tick, period.unwrap_or(Period::SECOND));
        let offset = self.axis.axis_minus_utc_us();
        let outcomes = self.derived.follow_miss(channels, when, miss, offset);
        self.take(outcomes, samples).await
    }

    async fn take(
        &mut self,
        outcomes: Vec<Outcome>,
        samples: &mut Vec<Sample<usize>>,
    ) -> Result<(), StoreError> {
        for outcome in outcomes {
            match outcome {
                Outcome::Sample(sample) => samples.push(sample),
                Outcome::Missed {
                    channel,
                    tick,
                    miss,
                } => {
                    self.hand_over(samples).await?;
                    self.miss_of(&[channel], tick, &miss).await?;
                }
            }
        }
        Ok(())
    }

    /// What follows from samples about their instruments, behind the samples themselves.
    async fn tell_proofs(&mut self, samples: &[Sample<usize>]) -> Result<(), StoreError> {
        for event in self.agreements.note(samples) {
            self.say(event).await?;
        }
        for told in self.loop_checks.note(samples) {
            match told {
                Told::Event(event) => self.say(event).await?,
                Told::Recorded(check, event) => {
                    log(&event);
                    self.recorder.loop_check(*check, event).await?;
                }
            }
        }
        Ok(())
    }

    async fn say(&self, event: Event) -> Result<(), StoreError> {
        log(&event);
        self.recorder.event(event).await
    }

    /// What the mapper has found, into the journal and the log.
    async fn tell_findings(&mut self) -> Result<(), StoreError> {
        let offset = self.axis.axis_minus_utc_us();
        for (at, finding) in self.mapper.findings() {
            self.say(finding::event(&finding, at, offset, &self.config))
                .await?;
        }
        Ok(())
    }

    fn of(&mut self, source: SourceId) -> &mut Patience {
        &mut self.patience[source.0]
    }

    async fn hand_over(&mut self, samples: &mut Vec<Sample<usize>>) -> Result<(), StoreError> {
        if samples.is_empty() {
            return Ok(());
        }
        self.board.note(samples);
        let keyed = samples.iter().map(|sample| Sample {
            channel: self.keys[sample.channel],
            at: sample.at,
            code: sample.code,
            value: sample.value,
            quality: sample.quality,
        });
        self.recorder.samples(keyed.collect()).await?;
        self.tell_proofs(samples).await?;
        // Nobody may be listening; whoever is too slow is told so by the channel itself.
        let _ = self.live.send(samples.drain(..).collect());
        Ok(())
    }

    async fn miss(&self, source: SourceId, tick: Stamp, miss: &Miss) -> Result<(), StoreError> {
        self.miss_of(self.mapper.channels(source), tick, miss).await
    }

    async fn miss_of(
        &self,
        channels: &[usize],
        tick: Stamp,
        miss: &Miss,
    ) -> Result<(), StoreError> {
        self.board.note_missing(
            channels,
            &Missing {
                since: tick,
                cause: miss.cause,
                detail: miss.detail.clone(),
            },
        );
        let keys = channels.iter().map(|index| self.keys[*index]).collect();
        self.recorder.missed(keys, tick, miss.clone()).await
    }

    async fn tell(&self, source: SourceId, at: Stamp, news: News) -> Result<(), StoreError> {
        let Some(plan) = self.config.sources.get(source.0) else {
            return Ok(());
        };
        let (name, line) = (&plan.name, &self.config.lines[plan.line].name);
        let channels = self.mapper.channels(source).len();
        let utc = |at: Stamp| Stamp::from_micros(at.micros() - self.axis.axis_minus_utc_us());
        let (severity, kind, text) = match news {
            News::Down { since, cause, why } => (
                Severity::Warning,
                if cause == Cause::Mismatch {
                    "mismatch"
                } else {
                    "source_down"
                },
                format!(
                    "{name} gives no data since {} ({why}); {channels} channels are missing",
                    utc(since)
                ),
            ),
            News::StillDown { since, missed, why } => (
                Severity::Warning,
                "source_still_down",
                format!(
                    "{name} still gives no data, since {} ({why}); {missed} ticks missed",
                    utc(since)
                ),
            ),
            News::Up { since, missed } => (
                Severity::Info,
                "source_up",
                format!(
                    "{name} gives data again; it was away since {}, {missed} ticks missed",
                    utc(since)
                ),
            ),
        };
        if severity == Severity::Info {
            tracing::info!(source = %name, line = %line, "{text}");
        } else {
            tracing::warn!(source = %name, line = %line, "{text}");
        }
        self.recorder
            .event(Event {
                at,
                severity,
                kind: kind.to_owned(),
                subject: name.to_string(),
                text,
            })
            .await
    }
}

/// An event, for whoever reads the log.
fn log(event: &Event) {
    if event.severity == Severity::Info {
        tracing::info!(subject = %event.subject, "{}", event.text);
    } else {
        tracing::warn!(subject = %event.subject, "{}", event.text);
    }
}
