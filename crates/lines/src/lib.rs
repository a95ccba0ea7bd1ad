//! The wires: one task a line asks its devices on time, and hands over scans.
//!
//! A *line* is one serial port, one TCP connection, or one converter of the kernel's; [`spawn`] starts the task that owns it. A
//! *tick* is a moment of the UTC grid at which each source is asked; the *axis* is the record's own
//! time ([`Axis`]). What the bytes mean is left to `zonda-protocol`, what codes stand for to
//! `zonda-signal`, where scans go to `zonda-station`.
//!
//! # What a reader of the scans may rely on
//!
//! - Every tick of every source is in exactly one [`Scan`](zonda_model::Scan): with codes, or with a
//!   miss and its cause. A miss may stand for several ticks after a standstill (`Miss::ticks`).
//! - The ticks of one source ascend. Nothing is caught up in a burst: what could not be asked in its
//!   time is a miss.
//! - No code is taken from an answer that could belong to another request.
//! - While nobody takes scans from the channel, the line waits and asks nothing; the ticks that pass
//!   meanwhile are misses by [`Cause::Overrun`](zonda_model::Cause::Overrun).

mod backoff;
mod clock;
pub mod discover;
mod health;
mod identity;
pub mod iio;
mod lateness;
mod line;
mod link;
mod polled;
mod port;
mod report;
mod round;
mod rtu;
mod source;
mod tcp;
mod text;
mod tick;
mod timer;
mod voice;

pub use clock::{Axis, ClockStep, Clocks, SystemClocks};
pub use health::{CauseCounts, Cycle, ErrorNote, LineHealth, LineState, SourceHealth};
pub use lateness::Lateness;
pub use line::{LineHandle, spawn};
