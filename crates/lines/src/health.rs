//! How a line is doing: what the page, the log and the metrics say of it.

use std::time::Duration;

use zonda_model::{Cause, Name, SourceId, Stamp};

use crate::lateness::Lateness;

/// Whether a line gives data.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum LineState {
    /// The port or the connection is not there; the line tries again by itself.
    #[default]
    Waiting,
    /// Open, and nobody has given a believable answer yet.
    Open,
    /// Every source gives data.
    Answering,
    /// Some sources give data, others do not.
    Partly,
    /// Open, and no source gives data.
    Silent,
    /// The task has ended.
    Stopped,
}

impl LineState {
    /// The word used in the API, the metrics and the log.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Waiting => "waiting",
            Self::Open => "open",
            Self::Answering => "answering",
            Self::Partly => "partly",
            Self::Silent => "silent",
            Self::Stopped => "stopped",
        }
    }
}

/// How often each cause stood for a missed tick.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CauseCounts([u64; Cause::ALL.len()]);

impl CauseCounts {
    /// Missed ticks by this cause.
    pub fn of(&self, cause: Cause) -> u64 {
        self.iter()
            .find_map(|(each, count)| (each == cause).then_some(count))
            .unwrap_or(0)
    }

    /// Every cause with its count, in the order of the documentation.
    pub fn iter(&self) -> impl Iterator<Item = (Cause, u64)> {
        Cause::ALL.into_iter().zip(self.0)
    }

    /// Missed ticks in all.
    pub fn total(&self) -> u64 {
        self.0.iter().sum()
    }

    pub(crate) fn add(&mut self, cause: Cause, ticks: u64) {
        for (each, count) in Cause::ALL.into_iter().zip(&mut self.0) {
            if each == cause {
                *count += ticks;
            }
        }
    }
}

/// The last round of all sources.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cycle {
    /// How long it took.
    pub took: Duration,
    /// The least that the wire itself needs for the same bytes; zero where it has no fixed speed.
    pub wire_min: Duration,
}

/// Something that went wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ErrorNote {
    /// When.
    pub at: Stamp,
    /// One sentence for a person.
    pub text: String,
}

/// How one source on the line is doing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourceHealth {
    /// Which.
    pub source: SourceId,
    /// Its name.
    pub name: Name,
    /// Missed ticks since the last good one.
    pub misses_in_a_row: u64,
    /// When it last gave data.
    pub good_at: Option<Stamp>,
    /// What was last wrong with it.
    pub error: Option<ErrorNote>,
}

/// How a line is doing. Counts are since the task started.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LineHealth {
    /// Whether it gives data.
    pub state: LineState,
    /// Since when it is in this state.
    pub state_since: Option<Stamp>,
    /// Ticks begun.
    pub ticks: u64,
    /// Ticks whose round was still going on when the next tick began.
    pub late_ticks: u64,
    /// Requests repeated within their tick.
    pub retries: u64,
    /// Times that the line was brought back into step: noise passed over, or a probe needed.
    pub resyncs: u64,
    /// Times that the port or connection was opened.
    pub opens: u64,
    /// Missed ticks of all sources, by cause.
    pub errors: CauseCounts,
    /// The last round; `None` before the first.
    pub cycle: Option<Cycle>,
    /// When a source last gave data.
    pub good_at: Option<Stamp>,
    /// What was last wrong.
    pub error: Option<ErrorNote>,
    /// How late ticks began.
    pub lateness: Lateness,
    /// The sources, in the order of the configuration.
    pub sources: Vec<SourceHealth>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn causes_are_counted_apart() {
        let mut counts = CauseCounts::default();
        counts.add(Cause::Timeout, 2);
        counts.add(Cause::Overrun, 5);
        assert_eq!(counts.of(Cause::Timeout), 2);
        assert_eq!(counts.of(Cause::Unplugged), 0);
        assert_eq!(counts.total(), 7);
    }
}
