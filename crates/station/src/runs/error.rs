//! Why something asked of runs was not done, each with the way out.

use zonda_evaluate::steadiness::SteadyRuleError;
use zonda_model::Stamp;
use zonda_model::run::{BadLimits, Illegal};
use zonda_store::StoreError;

/// Why something asked of runs was not done.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// There is no such run.
    #[error("there is no run {0}; `zonda run list` shows those there are")]
    Unknown(String),
    /// A channel that nobody records, or ever recorded.
    #[error("there is no channel `{name}`{}", did_you_mean(.near.as_deref()))]
    Channel {
        /// As asked for.
        name: String,
        /// The one that was meant, most likely.
        near: Option<String>,
    },
    /// Another run has the name.
    #[error("there is a run `{0}` already; choose another name, or discard that one first")]
    Taken(String),
    /// Begin and end do not go together.
    #[error(transparent)]
    Limits(#[from] BadLimits),
    /// Steadiness cannot be told.
    #[error("`steady`: {0}")]
    Steady(SteadyRuleError),
    /// Not in the state that it is in.
    #[error(transparent)]
    Illegal(#[from] Illegal),
    /// A time that has not come yet.
    #[error("{0} has not come yet; this is about what was")]
    Future(Stamp),
    /// A stretch that ends before it begins.
    #[error("the stretch ends at {to}, which is not after its beginning at {from}")]
    Backwards {
        /// Where it begins.
        from: Stamp,
        /// Where it ends.
        to: Stamp,
    },
    /// Nothing to cut a run out of.
    #[error(
        "these channels have no sample from {from} to {to}; `zonda export --layout gaps` says why, and the record begins at {begins}"
    )]
    NoSamples {
        /// Where the stretch begins.
        from: Stamp,
        /// Where it ends.
        to: Stamp,
        /// Where the record begins, as text.
        begins: String,
    },
    /// The name that was typed is not the run's.
    #[error("run {id} is called `{is}`, not `{typed}`; nothing was discarded")]
    Name {
        /// Its key.
        id: i64,
        /// Its name.
        is: String,
        /// As typed.
        typed: String,
    },
    /// A range that holds nothing to discard.
    #[error("runs {0} to {1} are none that could be discarded")]
    Range(i64, i64),
    /// A run that goes on or waits cannot be discarded.
    #[error("run `{0}` is still {1}; stop it first")]
    Open(String, &'static str),
    /// A text that is missing, too long, or holds control characters.
    #[error("{what} must be text of 1 to {most} characters, without control characters")]
    Text {
        /// Which one.
        what: &'static str,
        /// How long it may be.
        most: usize,
    },
    /// No channel at all.
    #[error("a run needs at least one channel, and none is configured")]
    NoChannels,
    /// More than a person can look after.
    #[error("{0} runs are waiting or going on, and that is the limit; stop one first")]
    TooMany(usize),
    /// What cannot be traversed so.
    #[error("{0}")]
    Traverse(String),
    /// What a traverse is not ready for.
    #[error("{0}")]
    NotYet(String),
    /// Evaluation parameters that are no JSON object.
    #[error("the parameters of an evaluation must be a JSON object")]
    Parameters,
    /// Only the daemon can see to it.
    #[error(
        "no daemon runs on this record, and only a daemon can see a run begin; start it with `zonda serve`, or cut the run out of what is recorded with `zonda run cut`"
    )]
    Alone,
    /// The disk takes nothing.
    #[error(
        "the disk takes no data at present ({0}); what is asked now could be lost, so nothing was done"
    )]
    Stalled(String),
    /// The record.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// What kind of answer an error is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RunErrorKind {
    /// It is not there.
    NotFound,
    /// It contradicts what is there.
    Conflict,
    /// It makes no sense as it stands.
    Invalid,
    /// Not now.
    Unavailable,
    /// A fault of the record or of ours.
    Internal,
}

impl RunError {
    /// What kind of answer it is.
    pub const fn kind(&self) -> RunErrorKind {
        match self {
            Self::Unknown(_) => RunErrorKind::NotFound,
            Self::Taken(_)
            | Self::Illegal(_)
            | Self::Name { .. }
            | Self::Open(..)
            | Self::NotYet(_) => RunErrorKind::Conflict,
            Self::TooMany(_) | Self::Alone | Self::Stalled(_) => RunErrorKind::Unavailable,
            Self::Store(_) => RunErrorKind::Internal,
            _ => RunErrorKind::Invalid,
        }
    }
}

fn did_you_mean(near: Option<&str>) -> String {
    match near {
        Some(near) => format!("; did you mean `{near}`?"),
        None => "; `zonda watch --once` lists them".to_owned(),
    }
}
