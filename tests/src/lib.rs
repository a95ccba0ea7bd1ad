//! What the suites share: a bench to work on, the real program, devices to connect it to, and
//! readers of what it recorded that are not its own.
//!
//! Nothing here uses a crate of ours: the program is met from outside, through its command line,
//! its API and its files. The suites themselves are in `suites/`, one file an idea.

pub mod bench;
pub mod config;
pub mod daemon;
pub mod ledger;
pub mod modbus;
pub mod night;
pub mod peer;
pub mod port;
pub mod record;
pub mod rig;
pub mod suite;
pub mod wait;
