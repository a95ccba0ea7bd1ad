//! The whole bench as one pure state: oven, air, instruments and registers, stepped in ticks.
//!
//! Its clock counts ticks of a tenth of a second. Random numbers are drawn in the same order
//! whatever the faults, so two benches of one seed differ only where a fault makes them differ.

use std::time::Duration;

use zonda_model::written::Span;
use zonda_model::{ChannelName, Name};

use crate::air::{Breath, Turbulence, sites};
use crate::fault::{Fault, Faults};
use crate::instruments::{Converter, Display, Meter, Output, Probe};
use crate::layout;
use crate::noise::{Dice, lag};
use crate::options::{DoorHabit, RigOptions, StartPhase};
use crate::oven::{Demands, Oven};
use crate::truth::{PointTruth, Truth};
use crate::wiring::{LoopWiring, Wiring};

/// One tick.
pub const TICK: Duration = Duration::from_millis(100);
const TICK_S: f64 = 0.1;
/// Time constant of the transmitters of module U, s.
const TRANSMITTER_S: f64 = 0.5;
/// How often, how long and how wide a batch is looked at, in the oven's time.
const LOOK_EVERY_S: f64 = 420.0;
const LOOK_AFTER_S: f64 = 60.0;
const LOOK_S: f64 = 45.0;
const LOOK_WIDTH: f64 = 0.35;

/// Where a loop's value comes from.
#[derive(Clone, Copy, Debug)]
enum Origin {
    Velocity(usize),
    Temperature(usize),
    Transmitter(layout::Source),
}

/// A loop: its output, its wires.
#[derive(Clone, Debug)]
struct Loop {
    name: ChannelName,
    range: Span,
    origin: Origin,
    output: Output,
    /// What a transmitter reports, SI.
    reported: f64,
    /// What the output drives, A or V.
    driven: f64,
    /// The module's index and the input counted from 0.
    ends_at: (usize, usize),
}

/// A module: its converter and the last conversions.
#[derive(Clone, Debug)]
struct Module {
    name: Name,
    converter: Converter,
    registers: Vec<u16>,
}

/// The bench.
#[derive(Debug)]
pub struct Bench {
    ticks: u64,
    speed: f64,
    door: DoorHabit,
    setpoint: f64,
    dice: Dice,
    oven: Oven,
    turbulence: Turbulence,
    air: Vec<Breath>,
    meters: Vec<(Name, Meter)>,
    loops: Vec<Loop>,
    modules: Vec<Module>,
    faults: Faults,
}

impl Bench {
    /// A bench as the options want it, wired so.
    pub fn new(options: &RigOptions, wiring: &Wiring) -> Self {
        let mut dice = Dice::new(options.seed);
        let oven = match options.start {
            StartPhase::Cold => Oven::cold(&mut dice),
            StartPhase::Soaking => Oven::soaking(options.setpoint, &mut dice),
        };
        let mut turbulence = Turbulence::new(&sites(), &mut dice);
        let air = turbulence.step(TICK_S, &oven, &mut dice);
        let meters = wiring.meters.iter().zip(&air).map(|(wired, breath)| {
            let probe = Probe::new(breath.velocity_mean, breath.temperature_mean);
            (wired.name.clone(), Meter::new(probe, &mut dice))
        });
        let meters: Vec<_> = meters.collect();
        let modules = wiring.modules().map(|module| Module {
            name: module.name.clone(),
            converter: layout::converter(module),
            registers: vec![0; usize::from(module.inputs)],
        });
        let modules: Vec<_> = modules.collect();
        let mut bench = Self {
            ticks: 0,
            speed: options.speed,
            door: options.door,
            setpoint: options.setpoint,
            loops: Vec::new(),
            faults: Faults::default(),
            dice,
            oven,
            turbulence,
            air,
            meters,
            modules,
        };
        for wired in wiring.all_loops() {
            let connected = bench.connect(wired);
            bench.loops.extend(connected);
        }
        bench.drive();
        bench.convert();
        bench
    }

    /// The loop of this wiring; none where the bench has nothing that it could carry.
    fn connect(&mut self, wired: &LoopWiring) -> Option<Loop> {
        let meter = |suffix: &str| {
            let owner = wired.name.as_str().strip_suffix(suffix)?;
            self.meters
                .iter()
                .position(|(name, _)| name.as_str() == owner)
        };
        let origin = meter(".velocity")
            .map(Origin::Velocity)
            .or_else(|| meter(".temperature").map(Origin::Temperature))
            .or_else(|| layout::source(&wired.name).map(Origin::Transmitter))?;
        let module = self
            .modules
            .iter()
            .position(|module| module.name == wired.module)?;
        let output = Output::new(wired.signal, &mut self.dice);
        let mut connected = Loop {
            name: wired.name.clone(),
            range: wired.range,
            origin,
            output,
            reported: 0.0,
            driven: 0.0,
            ends_at: (module, usize::from(wired.input) - 1),
        };
        connected.reported = self.true_value(&connected);
        Some(connected)
    }

    /// Moves on by one tick.
    pub fn tick(&mut self) {
        self.ticks += 1;
        let demands = self.demands();
        self.oven
            .step(TICK_S * self.speed, &demands, &mut self.dice);
        self.air = self.turbulence.step(TICK_S, &self.oven, &mut self.dice);
        for ((_, meter), breath) in self.meters.iter_mut().zip(&self.air) {
            meter.step(self.ticks, TICK_S, breath.velocity, breath.temperature);
        }
        self.drive();
        self.convert();
    }

    /// Ticks until the bench's clock has reached `elapsed`; returns how many ticks that took.
    pub fn advance_to(&mut self, elapsed: Duration) -> u64 {
        let mut ticks = 0;
        while self.elapsed() + TICK <= elapsed {
            self.tick();
            ticks += 1;
        }
        ticks
    }

    /// Time on the bench's clock.
    pub fn elapsed(&self) -> Duration {
        Duration::from_millis(100 * self.ticks)
    }

    fn demands(&self) -> Demands {
        let seen_s = self.elapsed().as_secs_f64() * self.speed;
        let look = (seen_s % LOOK_EVERY_S) - LOOK_AFTER_S;
        let looked_at = self.door == DoorHabit::NowAndThen && (0.0..LOOK_S).contains(&look);
        let forced = self.faults.find(|fault| match fault {
            Fault::Door(width) => Some(width.share()),
            _ => None,
        });
        let mut demands = Demands::curing(self.setpoint);
        demands.door = forced.unwrap_or(if looked_at { LOOK_WIDTH } else { 0.0 });
        for fault in self.faults.all() {
            if let Fault::Fan(zone) = fault {
                demands.fans[zone.index()] = false;
            }
        }
        demands
    }

    fn true_value(&self, wired: &Loop) -> f64 {
        match wired.origin {
            Origin::Velocity(point) => self.air[point].velocity,
            Origin::Temperature(point) => self.air[point].temperature,
            Origin::Transmitter(source) => source(&self.oven.truth(), &self.air),
        }
    }

    /// Every output drives its loop.
    fn drive(&mut self) {
        let truth = self.oven.truth();
        for wired in &mut self.loops {
            let shown = match wired.origin {
                Origin::Velocity(meter) => self.meters[meter].1.display().velocity,
                Origin::Temperature(meter) => self.meters[meter].1.display().temperature,
                Origin::Transmitter(source) => {
                    lag(
                        &mut wired.reported,
                        source(&truth, &self.air),
                        TRANSMITTER_S,
                        TICK_S,
                    );
                    wired.reported
                }
            };
            let applied = self.faults.find(|fault| match fault {
                Fault::Apply(name, signal) if *name == wired.name => {
                    Some(signal.unit.to_si(signal.value))
                }
                _ => None,
            });
            if let Some(signal) = applied {
                wired.driven = signal;
                continue;
            }
            if self.faults.stands(&Fault::Stick(wired.name.clone())) {
                continue;
            }
            let other_range = self.faults.find(|fault| match fault {
                Fault::Range(name, range) if *name == wired.name => Some(*range),
                _ => None,
            });
            wired.driven = wired
                .output
                .drive(shown, other_range.unwrap_or(wired.range));
        }
    }

    /// Every input is converted; one without a loop, or with a cut one, sees nothing but noise.
    fn convert(&mut self) {
        let mut signals: Vec<Vec<f64>> = self
            .modules
            .iter()
            .map(|module| vec![0.0; module.registers.len()])
            .collect();
        for wired in &self.loops {
            if !self.faults.stands(&Fault::Cut(wired.name.clone())) {
                signals[wired.ends_at.0][wired.ends_at.1] = wired.driven;
            }
        }
        for (module, signals) in self.modules.iter_mut().zip(signals) {
            for (register, signal) in module.registers.iter_mut().zip(signals) {
                *register = module.converter.convert(signal, self.dice.normal());
            }
        }
    }

    /// From now on these faults stand; they show at the next tick.
    pub(crate) fn set_faults(&mut self, faults: Faults) {
        self.faults = faults;
    }

    /// The registers of this module.
    pub fn registers(&self, module: &str) -> Option<&[u16]> {
        let found = self
            .modules
            .iter()
            .find(|known| known.name.as_str() == module);
        found.map(|module| module.registers.as_slice())
    }

    /// What this meter shows.
    pub fn display(&self, meter: &str) -> Option<Display> {
        let found = self.meters.iter().find(|(name, _)| name.as_str() == meter);
        found.map(|(_, meter)| meter.display())
    }

    /// What is true now.
    pub fn truth(&self) -> Truth {
        let points = self.meters.iter().zip(&self.air);
        Truth {
            elapsed: self.elapsed(),
            oven: self.oven.truth(),
            points: points
                .map(|((meter, _), breath)| PointTruth {
                    meter: meter.clone(),
                    velocity: breath.velocity,
                    velocity_mean: breath.velocity_mean,
                    temperature: breath.temperature,
                    temperature_mean: breath.temperature_mean,
                })
                .collect(),
            loops: self
                .loops
                .iter()
                .map(|wired| (wired.name.clone(), self.true_value(wired)))
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests;
