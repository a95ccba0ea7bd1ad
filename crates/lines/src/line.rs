//! A line's task, its link, and what it reports.

use std::time::Instant;

use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use zonda_config::{DriverPlan, LinePlan};
use zonda_model::{Cause, Miss, Name, Scan, SourceId, Stamp};

use crate::backoff::Backoff;
use crate::clock::Axis;
use crate::health::{Cycle, ErrorNote, LineHealth, LineState, SourceHealth};
use crate::polled::{Polled, Wire};
use crate::rtu::Rtu;
use crate::source::Source;
use crate::tcp::Tcp;
use crate::text::Listener;
use crate::tick::{Tick, Ticks};

/// A line at work.
#[derive(Debug)]
pub struct LineHandle {
    /// The line's name.
    pub name: Name,
    /// How it is doing.
    pub health: watch::Receiver<LineHealth>,
    /// Ends soon after `stop` is cancelled, or when nobody can receive scans any more; at any other
    /// time its end is a bug.
    pub task: JoinHandle<()>,
}

/// Starts the task that owns the line of `plan`, on the current tokio runtime.
///
/// A port that is missing, or a host that does not answer, is no error: the line waits for it and
/// reports misses. `stop` ends the task within the time of a system call; an exchange under way is
/// given up. When the channel of scans is full the line waits, and what passes meanwhile is told as
/// overrun.
pub fn spawn(plan: &LinePlan, axis: Axis, scans: mpsc::Sender<Scan>, stop: CancellationToken) -> LineHandle {
    let (report, health) = Reporter::new(sources_of(plan), axis.now());
    let ticks = Ticks::new(plan.every, &axis);
    let task = match &plan.driver {
        DriverPlan::ModbusRtu(rtu) => tokio::spawn(polled(Rtu::new(rtu), &rtu.modules, ticks, axis, scans, report).run(stop)),
        DriverPlan::ModbusTcp(tcp) => tokio::spawn(polled(Tcp::new(tcp), &tcp.modules, ticks, axis, scans, report).run(stop)),
        DriverPlan::Text(text) => tokio::spawn(Listener::new(text, plan.every, ticks, axis, scans, report).run(stop)),
    };
    LineHandle { name: plan.name.clone(), health, task }
}

fn sources_of(plan: &LinePlan) -> Vec<(SourceId, Name)> {
    let modules = match &plan.driver {
        DriverPlan::ModbusRtu(rtu) => &rtu.modules,
        DriverPlan::ModbusTcp(tcp) => &tcp.modules,
        DriverPlan::Text(text) => return vec![(text.source, plan.name.clone())],
    };
    modules.iter().map(|module| (module.source, module.name.clone())).collect()
}

fn polled<W: Wire>(wire: W, modules: &[zonda_config::ModulePlan], ticks: Ticks, axis: Axis, scans: mpsc::Sender<Scan>, report: Reporter) -> Polled<W> {
    Polled { wire, link: Link::closed(), sources: modules.iter().map(Source::new).collect(), ticks, axis, scans, report }
}

/// A port or connection that comes and goes.
#[derive(Debug)]
pub(crate) struct Link<O> {
    state: State<O>,
    backoff: Backoff,
}

#[derive(Debug)]
enum State<O> {
    Open(O),
    Opening(JoinHandle<Result<O, String>>),
    Resting(Instant),
}

impl<O: Send + 'static> Link<O> {
    pub(crate) fn closed() -> Self {
        Self { state: State::Resting(Instant::now()), backoff: Backoff::of_links() }
    }

    pub(crate) const fn is_open(&self) -> bool {
        matches!(self.state, State::Open(_))
    }

    pub(crate) const fn open_mut(&mut self) -> Option<&mut O> {
        match &mut self.state {
            State::Open(open) => Some(open),
            _ => None,
        }
    }

    /// Drops the port or connection and tries to open it again before long.
    pub(crate) fn lose(&mut self) {
        self.state = State::Resting(Instant::now() + self.backoff.next());
    }

    /// Something that was worth opening for came through: the next loss is a new one.
    pub(crate) fn proved(&mut self) {
        self.backoff.reset();
    }

    /// Waits until an opening ends, well or not. Never while open. Safe to drop while it waits.
    pub(crate) async fn progress<F>(&mut self, open: impl Fn() -> F) -> Result<(), String>
    where
        F: Future<Output = Result<O, String>> + Send + 'static,
    {
        loop {
            match &mut self.state {
                State::Open(_) => std::future::pending::<()>().await,
                State::Resting(until) => {
                    tokio::time::sleep_until((*until).into()).await;
                    self.state = State::Opening(tokio::spawn(open()));
                }
                State::Opening(task) => {
                    let outcome = task.await.unwrap_or_else(|_| Err("opening failed inside the program".to_owned()));
                    return match outcome {
                        Ok(opened) => {
                            self.state = State::Open(opened);
                            Ok(())
                        }
                        Err(error) => {
                            self.lose();
                            Err(error)
                        }
                    };
                }
            }
        }
    }
}

/// Keeps the health that a line reports.
#[derive(Debug)]
pub(crate) struct Reporter {
    say: watch::Sender<LineHealth>,
}

impl Reporter {
    pub(crate) fn new(sources: Vec<(SourceId, Name)>, now: Stamp) -> (Self, watch::Receiver<LineHealth>) {
        let source = |(source, name)| SourceHealth { source, name, misses_in_a_row: 0, good_at: None, error: None };
        let health = LineHealth { state_since: Some(now), sources: sources.into_iter().map(source).collect(), ..LineHealth::default() };
        let (say, health) = watch::channel(health);
        (Self { say }, health)
    }

    pub(crate) fn change(&self, change: impl FnOnce(&mut LineHealth)) {
        self.say.send_modify(change);
    }

    pub(crate) fn begin(&self, tick: Tick, now: Stamp) {
        self.change(|health| {
            health.ticks += 1;
            health.lateness.add(now.since(tick.at));
        });
    }

    /// The round is over.
    pub(crate) fn end(&self, cycle: Option<Cycle>, is_open: bool, now: Stamp) {
        self.change(|health| {
            health.cycle = cycle.or(health.cycle);
            let well = health.sources.iter().filter(|source| source.misses_in_a_row == 0).count();
            let state = match well {
                _ if !is_open => LineState::Waiting,
                0 => LineState::Silent,
                all if all == health.sources.len() => LineState::Answering,
                _ => LineState::Partly,
            };
            set_state(health, state, now);
        });
    }

    pub(crate) fn good(&self, source: SourceId, at: Stamp, is_late: bool) {
        self.change(|health| {
            health.good_at = Some(at);
            health.late_ticks += u64::from(is_late);
            if let Some(source) = find(health, source) {
                source.good_at = Some(at);
                source.misses_in_a_row = 0;
                source.error = None;
            }
        });
    }

    pub(crate) fn missed(&self, source: SourceId, at: Stamp, miss: &Miss) {
        self.change(|health| {
            health.errors.add(miss.cause, u64::from(miss.ticks));
            let note = ErrorNote { at, text: miss.detail.clone() };
            if !matches!(miss.cause, Cause::NoAnswer | Cause::Overrun) {
                health.error = Some(note.clone());
            }
            if let Some(source) = find(health, source) {
                source.misses_in_a_row += u64::from(miss.ticks);
                source.error = Some(note);
            }
        });
    }

    pub(crate) fn opened(&self, now: Stamp) {
        self.change(|health| {
            health.opens += 1;
            set_state(health, LineState::Open, now);
        });
    }

    /// The port or connection is gone, or could not be opened.
    pub(crate) fn down(&self, now: Stamp, error: String) {
        self.change(|health| {
            set_state(health, LineState::Waiting, now);
            health.error = Some(ErrorNote { at: now, text: error });
        });
    }

    pub(crate) fn stopped(&self, now: Stamp) {
        self.change(|health| set_state(health, LineState::Stopped, now));
    }

    pub(crate) fn last_error(&self) -> String {
        let health = self.say.borrow();
        health.error.as_ref().map_or_else(|| "not open yet".to_owned(), |note| note.text.clone())
    }
}

fn set_state(health: &mut LineHealth, state: LineState, now: Stamp) {
    if health.state != state {
        health.state = state;
        health.state_since = Some(now);
    }
}

fn find(health: &mut LineHealth, id: SourceId) -> Option<&mut SourceHealth> {
    health.sources.iter_mut().find(|source| source.source == id)
}
