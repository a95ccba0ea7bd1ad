//! Supervision of lines: a line whose task ends by a fault of ours is said and started again.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use zonda_config::LinePlan;
use zonda_lines::{Axis, LineHandle, LineHealth};
use zonda_model::{Name, Scan};
use zonda_store::{Event, Recorder, Severity};

/// More faults of one line in so short a time and the whole process gives up: whoever started it
/// starts it afresh.
const FAULTS_MAX: (usize, Duration) = (5, Duration::from_mins(10));
/// Between a fault and the new start.
const REST: Duration = Duration::from_millis(if cfg!(test) { 10 } else { 1000 });

/// A line under supervision.
#[derive(Debug)]
pub(crate) struct Line {
    pub(crate) name: Name,
    /// How it is doing, across restarts of its task.
    pub(crate) health: watch::Receiver<LineHealth>,
    pub(crate) task: JoinHandle<()>,
}

/// What a supervisor needs.
#[derive(Clone)]
pub(crate) struct Means {
    pub(crate) axis: Axis,
    pub(crate) scans: mpsc::Sender<Scan>,
    pub(crate) recorder: Recorder,
    pub(crate) stop: CancellationToken,
    /// Says why the process must give up.
    pub(crate) give_up: mpsc::Sender<String>,
}

pub(crate) fn supervise(plan: LinePlan, means: Means) -> Line {
    let name = plan.name.clone();
    let starting = means.clone();
    let start = move || {
        let Means {
            axis, scans, stop, ..
        } = starting.clone();
        zonda_lines::spawn(&plan, axis, scans, stop)
    };
    supervise_by(name, means, start)
}

fn supervise_by(name: Name, means: Means, start: impl Fn() -> LineHandle + Send + 'static) -> Line {
    let (say, health) = watch::channel(LineHealth::default());
    let task = tokio::spawn(run(name.clone(), means, say, start));
    Line { name, health, task }
}

async fn run(
    name: Name,
    means: Means,
    say: watch::Sender<LineHealth>,
    start: impl Fn() -> LineHandle + Send,
) {
    let mut faults = VecDeque::new();
    loop {
        let ended = follow(start(), &say).await;
        if means.stop.is_cancelled() || means.scans.is_closed() {
            return;
        }
        let why = ended.err().map_or_else(
            || "it ended by itself".to_owned(),
            |error| error.to_string(),
        );
        let text = format!(
            "the task of line {name} failed ({why}) and is started again; please report this"
        );
        tracing::error!(line = %name, "{text}");
        let event = Event {
            at: means.axis.now(),
            severity: Severity::Alarm,
            kind: "line_fault".to_owned(),
            subject: name.to_string(),
            text: text.clone(),
        };
        // Without a recorder the process is ending anyway.
        let _ = means.recorder.event(event).await;
        faults.push_back(Instant::now());
        while faults.front().is_some_and(|at| at.elapsed() > FAULTS_MAX.1) {
            faults.pop_front();
        }
        if faults.len() >= FAULTS_MAX.0 {
            // One reason is enough; a full channel has one.
            let _ = means.give_up.try_send(text);
            return;
        }
        tokio::time::sleep(REST).await;
    }
}

/// Passes the health on until the task ends.
async fn follow(
    handle: LineHandle,
    say: &watch::Sender<LineHealth>,
) -> Result<(), tokio::task::JoinError> {
    let LineHandle {
        mut health,
        mut task,
        ..
    } = handle;
    loop {
        say.send_replace(health.borrow_and_update().clone());
        tokio::select! {
            ended = &mut task => {
                say.send_replace(health.borrow().clone());
                return ended;
            }
            Ok(()) = health.changed() => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use zonda_lines::SystemClocks;
    use zonda_store::{RecorderOptions, Start, Store};

    #[tokio::test]
    async fn a_line_that_panics_is_told_and_started_again_until_that_is_pointless() {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open(dir.path()).await.unwrap();
        let axis = Axis::new(SystemClocks, None);
        let start = Start {
            boot: "b".into(),
            version: "test".into(),
            config_hash: "h".into(),
            config_text: String::new(),
            channels: Vec::new(),
            at: axis.now(),
        };
        let session = store.begin(&start).await.unwrap();
        let options = RecorderOptions {
            commit_every: Duration::from_millis(20),
            memory_samples: 1000,
        };
        let (recorder, _writing) = Recorder::start(&store, session, options);
        let (scans, _inbox) = mpsc::channel(1);
        let (give_up, mut reasons) = mpsc::channel(1);
        let means = Means {
            axis,
            scans,
            recorder: recorder.clone(),
            stop: CancellationToken::new(),
            give_up,
        };
        let starts = Arc::new(AtomicUsize::new(0));
        let counted = Arc::clone(&starts);
        let line = supervise_by("bench".parse().unwrap(), means, move || {
            counted.fetch_add(1, Ordering::Relaxed);
            let (_, health) = watch::channel(LineHealth::default());
            LineHandle {
                name: "bench".parse().unwrap(),
                health,
                task: tokio::spawn(async { panic!("a fault put in on purpose") }),
            }
        });
        let reason = tokio::time::timeout(Duration::from_secs(10), reasons.recv())
            .await
            .unwrap()
            .unwrap();
        assert!(
            reason.contains("bench") && reason.contains("on purpose"),
            "{reason}"
        );
        line.task.await.unwrap();
        assert_eq!(starts.load(Ordering::Relaxed), FAULTS_MAX.0);
        recorder.flush().await.unwrap();
        let events = store.read().events(None, 100).await.unwrap();
        assert_eq!(
            events
                .iter()
                .filter(|event| event.kind == "line_fault")
                .count(),
            FAULTS_MAX.0
        );
    }
}
