//! A Modbus master that reads registers, and believes no answer lightly.
//!
//! *Unit*: the device addressed. *Table*: input or holding registers. *Span*: a stretch of
//! registers read by one request. *Exchange*: one request and what came of it. *Resync*: bringing a
//! line back into step after something that could have left an old answer under way.
//!
//! [`rtu::RtuMaster`] speaks over a serial line, [`tcp::TcpMaster`] over a connection. Both are
//! state machines without I/O: `handle_*` takes events in, `poll_*` gives work out. Writing to
//! devices is left out on purpose: a recorder never does. Retries, schedules and ports belong to
//! `zonda-lines`.
//!
//! Source: MODBUS Application Protocol Specification V1.1b3; MODBUS over Serial Line V1.02;
//! MODBUS Messaging on TCP/IP V1.0b.

mod pdu;
mod register;
pub mod rtu;
pub mod tcp;

pub use pdu::{Exception, ExceptionKind};
pub use register::{
    BadRegister, BadUnit, PastLastRegister, PlanLimits, RegisterInput, RegisterPlan, RegisterSpan,
    Table, UnitId, Width,
};
