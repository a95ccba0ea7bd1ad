//! The check before a start: is everything there that the night needs, and is it what it is said to be?
//!
//! Two halves. [`Facts`] are gathered: from a running daemon, which owns the lines ([`gather`]), or by opening every
//! line for a moment where none runs ([`ask`]). [`judge`] turns them into [`Finding`]s, and is pure.
//!
//! A finding is *fine*; or somebody should have a *look*, and the night can begin; or something is *wrong*,
//! and data will be missing or not to be believed.

mod ask;
mod clock;
mod gather;
mod judge;

use std::time::Duration;

use zonda_lines::LineHealth;
use zonda_model::{Name, Stamp};

use crate::board::Live;

pub use ask::ask;
pub use gather::{Desk, gather};
pub use judge::judge;

/// The usual night.
pub const NIGHT: Duration = Duration::from_hours(12);

/// Everything that is judged.
#[derive(Clone, Debug)]
pub struct Facts {
    /// True UTC at which they were gathered.
    pub now: Stamp,
    /// How long the planned night is.
    pub night: Duration,
    /// How each line does, in the order of the configuration.
    pub lines: Vec<(Name, LineHealth)>,
    /// What the board shows of each channel, in the order of the configuration.
    pub live: Vec<Live>,
    /// The newest loop check of each channel that has one.
    pub loop_checks: Vec<LastCheck>,
    /// Free bytes on the disk of the record; `None` where they could not be asked for.
    pub free: Option<u64>,
    /// Bytes that a sample takes.
    pub sample_bytes: SampleBytes,
    /// Whether the machine's clock follows a time server.
    pub clock: Clock,
    /// The record's axis is ahead of UTC by so many µs, since a step of the clock.
    pub axis_minus_utc_us: i64,
    /// How many tokens there are for those who come from beyond this machine.
    pub tokens: usize,
}

/// The newest loop check of a channel.
#[derive(Clone, Debug, PartialEq)]
pub struct LastCheck {
    /// The channel: an index into the configuration.
    pub channel: usize,
    /// When, true UTC.
    pub at: Stamp,
    /// Whether it passed.
    pub is_passed: bool,
    /// Whether signal and range were the present ones.
    pub is_of_this_loop: bool,
}

/// Bytes that a sample takes in the record, its share of rollups and seal included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SampleBytes {
    /// Measured in this record.
    Measured(f64),
    /// The record is too small to tell; what others have shown.
    Usual,
}

impl SampleBytes {
    /// In a night of 36 channels at 1 Hz (measured: 32 bytes a row, the rest rollups, seal and events).
    pub const USUAL: f64 = 42.0;

    /// How many.
    pub const fn get(self) -> f64 {
        match self {
            Self::Measured(bytes) => bytes,
            Self::Usual => Self::USUAL,
        }
    }
}

/// Whether the machine's clock follows a time server.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clock {
    /// It does.
    Synchronised,
    /// It does not.
    Free,
    /// Nobody here can tell.
    Unknown,
}

/// How grave a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// As it should be.
    Fine,
    /// Somebody should have a look; the night can begin.
    Look,
    /// Data will be missing, or not to be believed.
    Wrong,
}

impl State {
    /// The word on the page, in the API and in the terminal.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Fine => "fine",
            Self::Look => "look",
            Self::Wrong => "wrong",
        }
    }
}

/// What a finding is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Aspect {
    /// A port or connection.
    Line,
    /// A module, or a meter that talks.
    Device,
    /// What a channel reads.
    Reading,
    /// A meter and its probe.
    Probe,
    /// A certificate.
    Certificate,
    /// Whether a loop was proved.
    LoopCheck,
    /// Room for the night.
    Disk,
    /// The machine's clock.
    Clock,
    /// Who can get at it.
    Access,
}

impl Aspect {
    /// The word in the API and in the terminal.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::Device => "device",
            Self::Reading => "reading",
            Self::Probe => "probe",
            Self::Certificate => "certificate",
            Self::LoopCheck => "loop check",
            Self::Disk => "disk",
            Self::Clock => "clock",
            Self::Access => "access",
        }
    }
}

/// One line of the check's table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// What kind of thing.
    pub aspect: Aspect,
    /// Which one, or which ones.
    pub subject: String,
    /// How grave.
    pub state: State,
    /// What is the case.
    pub what: String,
    /// What to do; empty where nothing is.
    pub todo: String,
}

impl Finding {
    fn fine(aspect: Aspect, subject: impl Into<String>, what: impl Into<String>) -> Self {
        Self {
            aspect,
            subject: subject.into(),
            state: State::Fine,
            what: what.into(),
            todo: String::new(),
        }
    }

    fn look(
        aspect: Aspect,
        subject: impl Into<String>,
        what: impl Into<String>,
        todo: impl Into<String>,
    ) -> Self {
        Self {
            aspect,
            subject: subject.into(),
            state: State::Look,
            what: what.into(),
            todo: todo.into(),
        }
    }

    fn wrong(
        aspect: Aspect,
        subject: impl Into<String>,
        what: impl Into<String>,
        todo: impl Into<String>,
    ) -> Self {
        Self {
            state: State::Wrong,
            ..Self::look(aspect, subject, what, todo)
        }
    }
}

/// The gravest state among findings.
pub fn gravest(findings: &[Finding]) -> State {
    findings
        .iter()
        .map(|finding| finding.state)
        .max()
        .unwrap_or(State::Fine)
}
