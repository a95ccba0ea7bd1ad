//! The rig as a whole: start it, look at its wiring and its truth, make it fail, stop it.

use std::io;
use std::path::PathBuf;

use tokio::sync::watch;
use tokio::time::{Instant, MissedTickBehavior, interval};
use tokio_util::sync::{CancellationToken, DropGuard};
use tokio_util::task::TaskTracker;
use zonda_model::Name;

use crate::bench::{Bench, TICK};
use crate::fault::{Fault, Faults, Unfit};
use crate::layout;
use crate::line::bus::{Bus, BusCounts};
use crate::line::port::{Device, Port};
use crate::line::tcp::{self, TcpModule};
use crate::line::text::TextMeter;
use crate::live::Live;
use crate::options::RigOptions;
use crate::truth::Truth;
use crate::wiring::{LineWiring, Wire, Wiring};

/// Why a rig did not start.
#[derive(Debug, thiserror::Error)]
pub enum RigError {
    /// An option is out of its limits.
    #[error("{option} is {found}; it must lie between {least} and {most}")]
    Option {
        /// Which.
        option: &'static str,
        /// What was asked for.
        found: f64,
        /// Least and most.
        least: f64,
        /// Most.
        most: f64,
    },
    /// The directory for the ports' links could not be made.
    #[error("the directory {0} for the simulated ports' links cannot be made")]
    Directory(PathBuf, #[source] io::Error),
    /// A simulated serial port could not be made.
    #[error("the simulated serial port {0} cannot be made; is something else of that name there?")]
    Port(PathBuf, #[source] io::Error),
    /// The address of the TCP module could not be taken.
    #[error(
        "the simulated Modbus TCP module cannot listen on {0}; choose another address, or port 0 for a free one"
    )]
    Listen(std::net::SocketAddr, #[source] io::Error),
}

/// A running rig. Dropped without [`Rig::stop`] it stops by itself, only not at once.
#[derive(Debug)]
pub struct Rig {
    wiring: Wiring,
    bench: Live,
    faults: watch::Sender<Faults>,
    bus_counts: Option<watch::Receiver<BusCounts>>,
    tasks: TaskTracker,
    stop: CancellationToken,
    _stop_when_dropped: DropGuard,
}

impl Rig {
    /// Starts a rig. When this returns, every port's link is there and the TCP module listens.
    ///
    /// # Errors
    /// [`RigError`] says which option, port or address is the matter.
    pub async fn start(options: RigOptions) -> Result<Self, RigError> {
        check(&options)?;
        std::fs::create_dir_all(&options.dir)
            .map_err(|error| RigError::Directory(options.dir.clone(), error))?;
        let listen = |error| RigError::Listen(options.tcp, error);
        let listener = tcp::bind(options.tcp)
            .and_then(|socket| socket.listen(64))
            .map_err(listen)?;
        let wiring = layout::wiring(&options, listener.local_addr().map_err(listen)?);

        // Settling a soaking oven takes a moment of computing; others on this runtime go on meanwhile.
        let bench = {
            let (options, wiring) = (options.clone(), wiring.clone());
            tokio::task::spawn_blocking(move || Bench::new(&options, &wiring)).await
        };
        let bench = bench.unwrap_or_else(|panic| std::panic::resume_unwind(panic.into_panic()));

        let stop = CancellationToken::new();
        let mut rig = Self {
            bench: Live::new(bench, Instant::now()),
            faults: watch::Sender::default(),
            bus_counts: None,
            tasks: TaskTracker::new(),
            _stop_when_dropped: stop.clone().drop_guard(),
            stop,
            wiring,
        };
        let mut listener = Some(listener);
        for line in rig.wiring.lines.clone() {
            rig.start_line(&line, &options, &mut listener)?;
        }
        rig.keep_time();
        Ok(rig)
    }

    fn start_line(
        &mut self,
        line: &LineWiring,
        options: &RigOptions,
        listener: &mut Option<tokio::net::TcpListener>,
    ) -> Result<(), RigError> {
        let bench = self.bench.clone();
        match &line.wire {
            Wire::ModbusRtu { port, modules, .. } => {
                let bus = Bus::new(line.name.as_str(), modules.clone(), bench, options);
                self.bus_counts = Some(self.start_port(&line.name, port, bus)?);
            }
            Wire::Text { port, text, .. } => {
                let meter = TextMeter::new(line.name.as_str(), text.clone(), bench, options);
                self.start_port(&line.name, port, meter)?;
            }
            Wire::ModbusTcp { modules, .. } => {
                if let Some((module, listener)) = modules.first().cloned().zip(listener.take()) {
                    let module = TcpModule {
                        line: line.name.clone(),
                        module,
                        bench,
                        faults: self.faults.subscribe(),
                        seed: options.seed,
                    };
                    let (tasks, stop) = (self.tasks.clone(), self.stop.clone());
                    self.tasks.spawn(module.run(listener, tasks, stop));
                }
            }
        }
        Ok(())
    }

    fn start_port(
        &self,
        name: &Name,
        link: &std::path::Path,
        device: impl Device,
    ) -> Result<watch::Receiver<BusCounts>, RigError> {
        let port = Port::open(name, link.to_owned(), device, self.faults.subscribe())
            .map_err(|error| RigError::Port(link.to_owned(), error))?;
        let counts = port.watch_counts();
        self.tasks.spawn(port.run(self.stop.clone()));
        Ok(counts)
    }

    /// Ticks the bench along when nobody looks, so that nobody has to wait when looking.
    fn keep_time(&self) {
        let (bench, stop) = (self.bench.clone(), self.stop.clone());
        self.tasks.spawn(async move {
            let mut ticks = interval(TICK);
            ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
            let ticking = async {
                loop {
                    bench.look(ticks.tick().await, |_| ());
                }
            };
            stop.run_until_cancelled(ticking).await
        });
    }

    /// What is wired to what.
    pub const fn wiring(&self) -> &Wiring {
        &self.wiring
    }

    /// Makes something fail, until it is cleared.
    ///
    /// # Errors
    /// [`Unfit`] where the rig has no such loop, device or line, or the range does not fit.
    pub fn apply(&self, fault: Fault) -> Result<(), Unfit> {
        fault.check(&self.wiring)?;
        self.change_faults(|faults| faults.apply(fault));
        Ok(())
    }

    /// Ends the fault of this kind at this place, whatever its particulars.
    pub fn clear(&self, fault: &Fault) {
        self.change_faults(|faults| faults.clear(fault));
    }

    /// Ends all faults.
    pub fn clear_all(&self) {
        self.change_faults(|faults| *faults = Faults::default());
    }

    fn change_faults(&self, change: impl FnOnce(&mut Faults)) {
        self.faults.send_modify(change);
        self.bench
            .set_faults(Instant::now(), self.faults.borrow().clone());
    }

    /// The faults that stand.
    pub fn faults(&self) -> Vec<Fault> {
        self.faults.borrow().all().to_vec()
    }

    /// What is true now.
    pub fn truth(&self) -> Truth {
        self.bench.look(Instant::now(), |bench| bench.truth())
    }

    /// What went over the Modbus RTU line so far.
    pub fn bus_counts(&self) -> BusCounts {
        self.bus_counts
            .as_ref()
            .map(|counts| *counts.borrow())
            .unwrap_or_default()
    }

    /// Stops; when this returns, every task has ended and every link is gone.
    pub async fn stop(self) {
        self.stop.cancel();
        self.tasks.close();
        self.tasks.wait().await;
    }
}

fn check(options: &RigOptions) -> Result<(), RigError> {
    let limits = [
        ("the speed", options.speed, 0.1, 600.0),
        ("the setpoint in °C", options.setpoint, 60.0, 260.0),
    ];
    for (option, found, least, most) in limits {
        if !(least..=most).contains(&found) {
            return Err(RigError::Option {
                option,
                found,
                least,
                most,
            });
        }
    }
    Ok(())
}
