//! Supervision of lines: a line whose task ends by a fault of ours is said and started again.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use zonda_config::LinePlan;
use zonda_lines::{Axis, LineHealth};
use zonda_model::{Name, Scan};
use zonda_store::{Event, Recorder, Severity};

/// More faults of one line in so short a time and the whole process gives up: whoever started it
/// starts it afresh.
const FAULTS_MAX: (usize, Duration) = (5, Duration::from_mins(10));
const REST: Duration = Duration::from_secs(1);

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
    let (say, health) = watch::channel(LineHealth::default());
    let name = plan.name.clone();
    Line {
        name,
        health,
        task: tokio::spawn(run(plan, means, say)),
    }
}

async fn run(plan: LinePlan, means: Means, say: watch::Sender<LineHealth>) {
    let mut faults = VecDeque::new();
    loop {
        let handle = zonda_lines::spawn(
            &plan,
            means.axis.clone(),
            means.scans.clone(),
            means.stop.clone(),
        );
        let ended = follow(handle, &say).await;
        if means.stop.is_cancelled() || means.scans.is_closed() {
            return;
        }
        let why = ended.err().map_or_else(
            || "it ended by itself".to_owned(),
            |error| error.to_string(),
        );
        let text = format!(
            "the task of line {} failed ({why}) and is started again; please report this",
            plan.name
        );
        tracing::error!(line = %plan.name, "{text}");
        let event = Event {
            at: means.axis.now(),
            severity: Severity::Alarm,
            kind: "line_fault".to_owned(),
            subject: plan.name.to_string(),
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
    handle: zonda_lines::LineHandle,
    say: &watch::Sender<LineHealth>,
) -> Result<(), tokio::task::JoinError> {
    let zonda_lines::LineHandle {
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
