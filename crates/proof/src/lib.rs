//! Whether an instrument's way into the record can be trusted.
//!
//! - [`loop_check`]: a known signal is put on a loop, point by point, and what arrives is compared
//!   with it. Done by a person, before the work.
//! - [`agreement`]: a meter that is heard both ways, by its analog output and by its text line, is
//!   compared with itself all the time.
//!
//! Pure: no I/O, no clock. Samples come in with their times, statements go out. Who asks for a check,
//! and where it is written down, belongs to others.

#![expect(
    clippy::doc_markdown,
    reason = "the docs are full of formulae, which code marks would make unreadable"
)]

pub mod agreement;
mod float;
pub mod loop_check;
