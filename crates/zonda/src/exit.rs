//! Exit codes: what a script can rely on.

use std::process::ExitCode;

/// How a command ended. Wrong use is clap's own 2.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Exit {
    /// Done.
    Done,
    /// The thing asked about is not well.
    NotWell,
    /// Wrong use, a wrong configuration included.
    WrongUse,
    /// Could not.
    CouldNot,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Done => 0,
            Exit::NotWell => 1,
            Exit::WrongUse => 2,
            Exit::CouldNot => 3,
        })
    }
}
