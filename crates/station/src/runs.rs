//! Runs: asked for, watched, begun, interrupted, ended, cut out afterwards, discarded.
//!
//! [`Runs`] is the one place where runs are changed; the API and the command line go through it. A
//! task beside it shows the live samples to the runs that wait for a condition. Every change goes to
//! the recorder together with the event that says it, and is durable before whoever asked is answered;
//! what happens by itself waits for no disk.
//!
//! *Rules.* A run's times are the record's: `after 8 h` counts on its axis, also while the daemon is
//! down and across a step of the clock; `at` a time means true UTC. A planned run begins up to an hour
//! late, then it is missed. Several runs may share channels and time. A channel that the configuration
//! no longer names stays part of its run, with a gap; a condition on it waits until it is back.

mod alone;
mod book;
mod check;
mod error;
mod order;
mod remark;
mod scene;
pub mod traverse;
mod watch;
mod words;

use std::sync::Arc;
use std::time::Duration;

use jiff::tz::TimeZone;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{Mutex, MutexGuard, broadcast};
use tokio_util::sync::CancellationToken;
use zonda_config::{Config, LayoutPlan, RunPlan};
use zonda_lines::Axis;
use zonda_model::TrueUtc;
use zonda_model::run::{LATE_MAX, Moment, State, Step};
use zonda_model::{Name, RunId, Stamp};
use zonda_store::{Event, Readable, Recorder, RunChange, RunRow, Severity, StepEntry, StoreError};

use crate::Samples;

pub use alone::{Alone, AloneError};
pub use error::{RunError, RunErrorKind};
pub use order::{Ask, Cut, Discard, Note, Stop};
pub use remark::remarks;

use book::{Book, Open};
use scene::Scene;

/// How often times are looked at: a planned run begins within this.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// A planned run that begins later than this says so.
const LATE_LEAST: Duration = Duration::from_secs(2);

/// The runs of a station, or of a record that no daemon records into. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Runs {
    shared: Arc<Shared>,
}

#[derive(Debug)]
struct Shared {
    book: Mutex<Book>,
    axis: Axis,
    record: Readable,
    /// `None` where the record is only read.
    recorder: Option<Recorder>,
    templates: Vec<RunPlan>,
    layouts: Vec<LayoutPlan>,
    /// The laboratory's clock.
    zone: TimeZone,
    /// True where nobody records, so that no run can begin.
    is_alone: bool,
}

impl Runs {
    /// The runs of a station that starts. Those that are open in the record are taken up; those that
    /// went on when the recording stopped were interrupted.
    ///
    /// # Errors
    /// The record cannot be read.
    pub async fn of(
        config: &Config,
        axis: Axis,
        record: Readable,
        recorder: Recorder,
    ) -> Result<Self, StoreError> {
        let mut runs = Self::take_up(Scene::of(config), axis, record, recorder, false).await?;
        if let Some(shared) = Arc::get_mut(&mut runs.shared) {
            shared.templates.clone_from(&config.runs);
            shared.layouts.clone_from(&config.layouts);
            // The configuration holds no zone that is not known.
            shared.zone = TimeZone::get(&config.station.time_zone).unwrap_or(TimeZone::UTC);
        }
        Ok(runs)
    }

    async fn take_up(
        scene: Scene,
        axis: Axis,
        record: Readable,
        recorder: Recorder,
        is_alone: bool,
    ) -> Result<Self, StoreError> {
        let rows = record.open_runs().await?;
        let next = record.next_run().await?;
        let mut open = Vec::with_capacity(rows.len());
        for row in rows {
            open.push(taken_up(row, &scene)?);
        }
        let book = Book {
            scene,
            open,
            next,
            named: Vec::new(),
        };
        let runs = Self {
            shared: Arc::new(Shared {
                book: Mutex::new(book),
                axis,
                record,
                recorder: Some(recorder),
                templates: Vec::new(),
                layouts: Vec::new(),
                zone: TimeZone::UTC,
                is_alone,
            }),
        };
        if !is_alone {
            runs.resume().await?;
        }
        Ok(runs)
    }

    /// Tells what happened while nobody recorded.
    async fn resume(&self) -> Result<(), StoreError> {
        let mut book = self.shared.book.lock().await;
        if let Some(stop) = self.shared.record.recorded_before().await? {
            let ids: Vec<_> = book.open.iter().map(|open| open.id).collect();
            for id in ids {
                self.catch_up(&mut book, id, stop).await?;
            }
        }
        for open in book.open.iter().filter(|open| open.is_blind()) {
            let text = format!(
                "run {} waits for a channel that the configuration no longer names; it can be stopped by hand",
                open.name
            );
            let event = self.event(Severity::Warning, "blind", open.name.as_str(), text);
            self.recorder()?.event(event).await?;
        }
        Ok(())
    }

    /// What happened to one run since the recording stopped.
    async fn catch_up(
        &self,
        book: &mut MutexGuard<'_, Book>,
        id: RunId,
        (stopped, in_order): (Stamp, bool),
    ) -> Result<(), StoreError> {
        let now = self.now();
        let due = book.find(id).map(|open| open.state.resume(stopped, now));
        for step in due.unwrap_or_default() {
            let why = match step {
                Step::Interrupted(_) if in_order => "the daemon was stopped",
                Step::Interrupted(_) => "the daemon ended without warning",
                _ => "",
            };
            self.happen(book, id, step, why).await?;
        }
        Ok(())
    }

    /// Shows live samples and the time to the runs, until the station stops.
    ///
    /// Dropping it ends it; what was handed over is kept.
    pub async fn watch(self, mut live: broadcast::Receiver<Samples>, stop: CancellationToken) {
        let mut looks = tokio::time::interval(LOOK_EVERY);
        looks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            let seen = tokio::select! {
                () = stop.cancelled() => return,
                _ = looks.tick() => None,
                got = live.recv() => match got {
                    Ok(samples) => Some(samples),
                    Err(RecvError::Closed) => return,
                    Err(RecvError::Lagged(_)) => {
                        self.shared.book.lock().await.lose_sight();
                        continue;
                    }
                },
            };
            if self.look(seen).await.is_err() {
                // The recorder has ended, and with it the station.
                return;
            }
        }
    }

    async fn look(&self, samples: Option<Samples>) -> Result<(), StoreError> {
        let mut book = self.shared.book.lock().await;
        if let Some(samples) = samples {
            book.see(&samples);
        }
        // A step may make another one due: a run that begins late may be over at once.
        loop {
            let due = book.due(self.now());
            if due.is_empty() {
                return Ok(());
            }
            for (id, step) in due {
                self.happen(&mut book, id, step, "").await?;
            }
        }
    }

    /// Something happens by itself.
    async fn happen(
        &self,
        book: &mut MutexGuard<'_, Book>,
        id: RunId,
        step: Step,
        why: &str,
    ) -> Result<(), StoreError> {
        let Some(open) = book.find(id) else {
            return Ok(());
        };
        let name = open.name.to_string();
        let why = match (why, lateness(open, step, self.now())) {
            ("", Some(late)) => late,
            (why, _) => why.to_owned(),
        };
        match book.take(id, step) {
            Ok(_) => {
                let (change, event) = self.step(book, id, &name, step, None, &why);
                tracing::info!(run = name, "{}", event.text);
                self.recorder()?.runs(vec![change], vec![event]).await
            }
            Err(error) => {
                // Only a fault of ours offers a step that cannot follow. Recording goes on.
                tracing::error!(run = name, "a step was not taken: {error}");
                Ok(())
            }
        }
    }

    /// A step with the event that says it.
    fn step(
        &self,
        book: &Book,
        run: RunId,
        name: &str,
        step: Step,
        by: Option<&str>,
        why: &str,
    ) -> (RunChange, Event) {
        let offset = self.shared.axis.axis_minus_utc_us();
        let utc = |at: Stamp| Stamp::from_micros(at.micros() - offset);
        let (severity, text) = words::step(name, step, by, why, utc);
        let change = RunChange::Step(StepEntry {
            run,
            step,
            said: self.now().axis,
            by: by.map(str::to_owned),
            text: why.to_owned(),
            config: book.scene.config.clone(),
        });
        (change, self.event(severity, step.word(), name, text))
    }

    fn event(&self, severity: Severity, kind: &str, run: &str, text: String) -> Event {
        words::event(self.now().axis, severity, kind, run, text)
    }

    fn recorder(&self) -> Result<&Recorder, StoreError> {
        self.shared.recorder.as_ref().ok_or(StoreError::Ended)
    }

    /// Now, on both clocks.
    pub fn now(&self) -> Moment {
        let axis = self.shared.axis.now();
        Moment {
            axis,
            utc: Stamp::from_micros(axis.micros() - self.shared.axis.axis_minus_utc_us()),
        }
    }

    /// The template of this name.
    pub fn template(&self, name: &str) -> Option<&RunPlan> {
        let mut templates = self.shared.templates.iter();
        templates.find(|plan| plan.name.as_str() == name)
    }

    /// What a run of this template is called where nobody says: the template's name, and the time of the
    /// laboratory's clock.
    ///
    /// # Errors
    /// The two together are too long for a name.
    pub fn name_by(&self, template: &Name) -> Result<Name, zonda_model::name::BadName> {
        let at = jiff::Timestamp::from_microsecond(self.now().utc.micros()).unwrap_or_default();
        let at = at.to_zoned_datetime(self.shared.zone.clone());
        format!("{template}-{}", at.strftime("%Y%m%d-%H%M")).parse()
    }

    /// The record, to be read.
    pub fn record(&self) -> &Readable {
        &self.shared.record
    }

    /// Names of the configured channels, in their order.
    pub async fn channel_names(&self) -> Vec<String> {
        let book = self.shared.book.lock().await;
        let names = book.scene.channels().iter();
        names.map(|channel| channel.name.to_string()).collect()
    }

    /// True UTC, as the record knows it by now.
    async fn true_utc(&self) -> Result<TrueUtc, StoreError> {
        Ok(TrueUtc::new(self.shared.record.clock().await?))
    }
}

fn taken_up(row: RunRow, scene: &Scene) -> Result<Open, StoreError> {
    let RunRow { entry, state, .. } = row;
    let name = entry.name.to_string();
    Open::new(entry.id, entry.name, state, scene)
        .map_err(|error| StoreError::Row(format!("run {name}: {error}")))
}

/// What there is to say of a planned run that begins late, or not at all.
fn lateness(open: &Open, step: Step, now: Moment) -> Option<String> {
    let State::Waiting(waiting) = &open.state else {
        return None;
    };
    let planned = match waiting.awaits() {
        zonda_model::run::Begin::At(at) => Some(*at),
        _ => None,
    };
    match (step, planned) {
        (Step::Began(_), Some(at)) if now.utc.since(at) > LATE_LEAST => Some(format!(
            "{} late: it was planned for {at}",
            zonda_model::run::spelled(now.utc.since(at))
        )),
        (Step::Missed, Some(at)) if now.utc >= at => Some(format!(
            "it was planned for {at}, and nobody could see to it until {}; up to {} late it would have begun",
            now.utc,
            zonda_model::run::spelled(LATE_MAX)
        )),
        (Step::Missed, _) => Some("its end has come before its begin".to_owned()),
        _ => None,
    }
}
