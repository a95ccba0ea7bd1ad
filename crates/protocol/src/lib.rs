//! What goes over the wires: serial framing, the Modbus master, and lines of ASCII text.
//!
//! Pure: bytes and instants come in, requests and outcomes go out. No runtime, no clock, no port;
//! `zonda-lines` owns those and drives the state machines here. What a code *means* (sign, word
//! order, range) is left to `zonda-signal`.

pub mod modbus;
pub mod serial;
pub mod text;
