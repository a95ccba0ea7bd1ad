//! Why there is no outcome.

use zonda_evaluate::mean::PushError;
use zonda_store::StoreError;

/// What an [`AssessError`] means for whoever asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ErrorKind {
    /// What was asked makes no sense as it stands.
    Invalid,
    /// The record does not allow the answer: too few good samples, nothing recorded, a zone that never soaked.
    Refused,
    /// It was cancelled.
    Cancelled,
    /// The record could not be read, or a fault of the program.
    Internal,
}

/// Why there is no outcome.
#[derive(Debug, thiserror::Error)]
pub enum AssessError {
    /// What was asked cannot be read.
    #[error("{0}")]
    Ask(String),
    /// A channel that the record does not have.
    #[error("there is no channel `{name}` in the record{}", said_near(.near.as_deref()))]
    Channel {
        /// The name.
        name: String,
        /// The nearest one that there is.
        near: Option<String>,
    },
    /// The run has not begun, so that there is nothing to evaluate.
    #[error("the run `{0}` has not begun; there is nothing to evaluate yet")]
    NotBegun(String),
    /// The run goes on, and has not come to the stretch.
    #[error(
        "the stretch begins at {from}, and the run `{run}` goes on and has come to {come_to}; there is nothing to evaluate yet"
    )]
    NotYet {
        /// The run.
        run: String,
        /// From when on, true UTC.
        from: String,
        /// Up to when there is a record.
        come_to: String,
    },
    /// The stretch ends before it begins, or is not within the run.
    #[error("{0}")]
    Stretch(String),
    /// Nothing is recorded of these channels in the stretch.
    #[error(
        "the record has no samples of {channels} from {from} to {to}{missing}; look at `zonda run show` for interruptions, or choose another stretch"
    )]
    NoSamples {
        /// Which channels.
        channels: String,
        /// From when on, true UTC.
        from: String,
        /// Up to when.
        to: String,
        /// The causes, where the record says any.
        missing: String,
    },
    /// A layout that the configuration of the run does not have.
    #[error(
        "the configuration under which the run was recorded has no layout `{name}`{}; layouts stand in it as `[layout.NAME]`", said_known(.known)
    )]
    Layout {
        /// The name.
        name: String,
        /// Those there are.
        known: Vec<String>,
    },
    /// Nobody named a layout.
    #[error("this evaluation needs a layout: name one with `layout`, or give the run one")]
    NoLayout,
    /// A layout of the other kind.
    #[error("the layout `{name}` is one of a {is}, and this evaluation needs one of a {needed}")]
    OtherLayout {
        /// The name.
        name: String,
        /// What it is.
        is: &'static str,
        /// What is needed.
        needed: &'static str,
    },
    /// A point at which nothing is read.
    #[error(
        "the layout `{layout}` has no channel of {quantity} at {}; bind one to it in `[layout.{layout}]`, or evaluate a layout without it and say so",
        said_points(.points)
    )]
    Unbound {
        /// The layout.
        layout: String,
        /// What is needed there.
        quantity: String,
        /// The points that lack it.
        points: Vec<String>,
    },
    /// What was recorded does not allow the answer.
    #[error("{0}")]
    Refused(String),
    /// Somebody cancelled it.
    #[error("the evaluation was cancelled")]
    Cancelled,
    /// The record cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The record's samples do not come in order, which it never writes.
    #[error(transparent)]
    Push(#[from] PushError),
}

impl AssessError {
    /// What it means for whoever asked.
    pub const fn kind(&self) -> ErrorKind {
        match self {
            Self::Ask(_)
            | Self::Channel { .. }
            | Self::Stretch(_)
            | Self::Layout { .. }
            | Self::NoLayout
            | Self::OtherLayout { .. }
            | Self::Unbound { .. } => ErrorKind::Invalid,
            Self::NotBegun(_) | Self::NotYet { .. } | Self::NoSamples { .. } | Self::Refused(_) => {
                ErrorKind::Refused
            }
            Self::Cancelled => ErrorKind::Cancelled,
            Self::Store(_) | Self::Push(_) => ErrorKind::Internal,
        }
    }

    /// A refusal in the words of what refuses.
    pub(crate) fn refused(why: &impl std::fmt::Display) -> Self {
        Self::Refused(why.to_string())
    }

    /// A question that makes no sense, in the words of what says so.
    pub(crate) fn ask(why: &impl std::fmt::Display) -> Self {
        Self::Ask(why.to_string())
    }
}

fn said_near(near: Option<&str>) -> String {
    near.map_or_else(String::new, |near| format!("; did you mean `{near}`?"))
}

fn said_known(known: &[String]) -> String {
    if known.is_empty() {
        return String::new();
    }
    format!(" (it has `{}`)", known.join("`, `"))
}

fn said_points(points: &[String]) -> String {
    let names = points.join("`, `");
    match points.len() {
        1 => format!("the point `{names}`"),
        count => format!("{count} points: `{names}`"),
    }
}
