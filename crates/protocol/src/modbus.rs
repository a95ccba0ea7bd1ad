//! A Modbus master that reads registers, and believes no answer lightly.
//!
//! *Unit*: the device addressed. *Table*: input or holding registers. *Span*: a stretch of
//! registers read by one request. *Doubt*: what is left of requests whose answers may still be under
//! way, until the unit is in step again.
//!
//! [`identification`] asks a device what it is. [`rtu`] speaks over a serial line, [`tcp`] over a connection; neither does any I/O. Writing to
//! devices is left out on purpose: a recorder never does. Retries, schedules and ports belong to
//! `zonda-lines`.
//!
//! Source: MODBUS Application Protocol Specification V1.1b3; MODBUS over Serial Line V1.02;
//! MODBUS Messaging on TCP/IP V1.0b.

pub mod doubt;
pub mod identification;
mod pdu;
mod register;
pub mod rtu;
pub mod tcp;

pub use doubt::Doubt;
pub use pdu::{Answer, Exception, ExceptionKind, Reply, Request};
pub use register::{
    BadRegister, BadUnit, PastLastRegister, PlanLimits, RegisterInput, RegisterPlan, RegisterSpan,
    Table, UnitId, Width,
};
