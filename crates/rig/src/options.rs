//! How a rig is to be started.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use crate::serial::SerialFormat;

/// How a rig is to be started.
#[derive(Clone, Debug, PartialEq)]
pub struct RigOptions {
    /// Two rigs with one seed do the same at the same time on their own clocks.
    pub seed: u64,
    /// Directory for the links to the serial ports; made if missing. The links are removed again.
    pub dir: PathBuf,
    /// How many times faster than real the oven's heat, door and controller run, 0.1 to 600.
    /// Turbulence, instruments and wires keep real time, so that readings stay natural.
    pub speed: f64,
    /// Settings of the Modbus RTU line.
    pub rtu_serial: SerialFormat,
    /// Settings of the text lines.
    pub text_serial: SerialFormat,
    /// Time that a device on a serial line takes between a request's end and its answer.
    pub turnaround: Duration,
    /// Whether the modules insist on silence before a request.
    pub silence: Silence,
    /// Where the Modbus TCP module listens; port 0 takes a free one.
    pub tcp: SocketAddr,
    /// In which state the oven is found.
    pub start: StartPhase,
    /// Whether the door opens by itself.
    pub door: DoorHabit,
    /// Setpoint of the burner's controller, 60 to 260 °C.
    pub setpoint: f64,
}

impl RigOptions {
    /// The usual rig, with its links in `dir`: soaking at 200 °C, in real time, the door shut.
    pub fn new(dir: impl Into<PathBuf>) -> Self {
        Self {
            seed: 1,
            dir: dir.into(),
            speed: 1.0,
            rtu_serial: SerialFormat::MODBUS,
            text_serial: SerialFormat::TEXT,
            turnaround: Duration::from_millis(2),
            silence: Silence::Forgiven,
            tcp: SocketAddr::from((Ipv4Addr::LOCALHOST, 0)),
            start: StartPhase::Soaking,
            door: DoorHabit::Shut,
            setpoint: 200.0,
        }
    }
}

/// In which state the oven is found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StartPhase {
    /// Everything at room temperature; the burner is just being lit.
    Cold,
    /// Hot through, the controller at work.
    Soaking,
}

/// Whether the door opens by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DoorHabit {
    /// It stays shut unless a fault opens it.
    Shut,
    /// A batch is looked at every few minutes of the oven's time.
    NowAndThen,
}

/// What a module makes of a request that follows less than 3.5 characters after the last answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Silence {
    /// It is counted and answered.
    Forgiven,
    /// It is counted and ignored: to the module the two frames are one, and spoiled.
    Demanded,
}
