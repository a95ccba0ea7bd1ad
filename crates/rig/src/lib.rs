//! The rig: a simulated powder-coating oven with its instruments, which speak the real protocols.
//!
//! From the inside out: [`oven`] is the physics, [`instruments`] what the meters and converters
//! make of it, [`mod@bench`] the whole as one pure state that is stepped. [`rig`] puts it on wires:
//! Modbus RTU and text lines on pseudo-terminals at the true pace of the line, Modbus TCP on
//! loopback. [`wiring`] says exactly what is wired to what, [`fault`] what can be made to fail,
//! and [`truth`] what the air really does. [`farm`] is something else: many cheap TCP modules for
//! load tests. [`night`] is the bench without wires, by a clock as fast as the machine can count.
//!
//! Demo and tests use the same rig. Everything here is simulated and invented; nothing here uses
//! the daemon's own protocol code, so that the rig is never its echo.

pub mod air;
pub mod bench;
pub mod farm;
pub mod fault;
pub mod instruments;
pub mod layout;
mod line;
mod live;
pub mod night;
pub mod noise;
pub mod options;
pub mod oven;
pub mod rig;
pub mod serial;
pub mod toml;
pub mod truth;
pub mod wiring;

pub use farm::Farm;
pub use fault::Fault;
pub use line::bus::BusCounts;
pub use night::{Night, Script};
pub use options::{DoorHabit, RigOptions, Silence, StartPhase};
pub use rig::{Rig, RigError};
pub use serial::SerialFormat;
pub use toml::wiring_toml;
pub use truth::Truth;
pub use wiring::Wiring;
