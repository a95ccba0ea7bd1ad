//! ASCII and UTF-8 lines of meters: how a line is cut out of a stream of bytes, and taken apart.
//!
//! Words: a *line* is what stands between two terminators; its *body* is what is left when a fixed
//! prefix and a checksum are taken off; a *column* is a piece of a delimited body; a *field* is a
//! column, or a named group of a pattern, that holds a number or a status word. A [`TextFormat`] says
//! all that; a [`LineReader`] applies it to bytes as they come.
//!
//! # What is believed
//!
//! A line either yields a code or status word for every field, or it is rejected whole, with a reason
//! that is counted. Nothing is repaired: one byte outside the grammar (such as the NUL that stands for
//! a parity error) rejects the line, and a line that directly follows a rejected one is rejected too,
//! because it may be the tail of a line that a false terminator cut in two.
//!
//! With a checksum, one byte changed, inserted or lost never yields another number. Without one it
//! can: `12.34` becomes `12.84`, `2.34` or `12.3` by one byte, and each of them is a well-formed number.
//! A fixed number of decimals, a fixed length of the line and a fixed prefix narrow this down; only a
//! checksum rules it out. Two errors in one line can deceive an eight-bit checksum as well (common
//! practice, no source: about 1 in 256 do).
//!
//! Ports, clocks and schedules are the caller's.

mod bad;
mod check;
mod checksum;
mod decode;
mod format;
mod number;
mod reader;
mod reject;

pub use bad::{BadFormat, Part};
pub use checksum::{Checksum, Covers, Sum, UnknownSum};
pub use format::{Column, Delimiter, Encoding, Field, Layout, Terminator, TextFormat, TextSpec};
pub use reader::{Counts, Line, LineReader};
pub use reject::{Reject, Why};
