//! A line's task and its handle.

use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use zonda_config::{DriverPlan, LinePlan, ModulePlan};
use zonda_model::{Name, Scan, SourceId};

use crate::clock::Axis;
use crate::health::LineHealth;
use crate::iio::Converter;
use crate::link::Link;
use crate::polled::{Polled, Wire};
use crate::report::Reporter;
use crate::rtu::Rtu;
use crate::source::Source;
use crate::tcp::Tcp;
use crate::text::Listener;
use crate::tick::Ticks;

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
pub fn spawn(
    plan: &LinePlan,
    axis: Axis,
    scans: mpsc::Sender<Scan>,
    stop: CancellationToken,
) -> LineHandle {
    let (report, health) = Reporter::new(plan.name.clone(), sources_of(plan), axis.now());
    let ticks = Ticks::new(plan.every, &axis);
    let task = match &plan.driver {
        DriverPlan::ModbusRtu(rtu) => {
            tokio::spawn(polled(Rtu::new(rtu), &rtu.modules, ticks, axis, scans, report).run(stop))
        }
        DriverPlan::ModbusTcp(tcp) => {
            tokio::spawn(polled(Tcp::new(tcp), &tcp.modules, ticks, axis, scans, report).run(stop))
        }
        DriverPlan::Text(text) => {
            tokio::spawn(Listener::new(text, plan.every, ticks, axis, scans, report).run(stop))
        }
        DriverPlan::Iio(iio) => {
            tokio::spawn(Converter::new(iio, ticks, axis, scans, report).run(stop))
        }
    };
    LineHandle {
        name: plan.name.clone(),
        health,
        task,
    }
}

fn sources_of(plan: &LinePlan) -> Vec<(SourceId, Name)> {
    let modules = match &plan.driver {
        DriverPlan::ModbusRtu(rtu) => &rtu.modules,
        DriverPlan::ModbusTcp(tcp) => &tcp.modules,
        DriverPlan::Text(text) => return vec![(text.source, plan.name.clone())],
        DriverPlan::Iio(iio) => return vec![(iio.source, plan.name.clone())],
    };
    modules
        .iter()
        .map(|module| (module.source, module.name.clone()))
        .collect()
}

fn polled<W: Wire>(
    wire: W,
    modules: &[ModulePlan],
    ticks: Ticks,
    axis: Axis,
    scans: mpsc::Sender<Scan>,
    report: Reporter,
) -> Polled<W> {
    Polled {
        wire,
        link: Link::closed(),
        sources: modules.iter().map(Source::new).collect(),
        ticks,
        axis,
        scans,
        report,
    }
}
