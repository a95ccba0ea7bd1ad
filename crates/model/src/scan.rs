//! Scans: what a line hands over at each tick, one source at a time.

use crate::gap::Cause;
use crate::quality::Quality;
use crate::sample::Code;
use crate::time::Stamp;

/// A source of codes (a module on a line, or a text stream), as an index into the configuration's
/// list of sources.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SourceId(pub usize);

/// One input of a scan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coded {
    /// What the device said, or `None` for a status word in place of a number.
    pub code: Option<Code>,
    /// What the line knows about it (`late`, `held`, `backlog`, `resynced`, …).
    pub quality: Quality,
}

/// Why a tick brought no codes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Miss {
    /// How many ticks, from the scan's tick on, brought nothing: 1, or more after a standstill.
    pub ticks: u32,
    /// The cause that the gap will carry.
    pub cause: Cause,
    /// One sentence for a person: what was expected, what was found.
    pub detail: String,
}

/// The outcome of one tick of one source. Every tick of every source is in exactly one, so that
/// slots = samples + missed ticks can be checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Scan {
    /// Whose.
    pub source: SourceId,
    /// The tick it belongs to, on the UTC grid.
    pub tick: Stamp,
    /// The middle of the exchange, on the record's axis; of a miss, the moment it was known.
    pub at: Stamp,
    /// The codes in the order of the source's inputs, or why there are none.
    pub outcome: Result<Vec<Coded>, Miss>,
}
