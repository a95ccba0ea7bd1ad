//! Runs: named stretches of time, from the wish to the end.
//!
//! A run is asked for with a [`Begin`] and a [`Finish`], each of which may hang on a [`Condition`].
//! What happens to it are [`Step`]s; they are only ever added, and its [`State`] follows from them, on
//! this machine tonight as on another in ten years. Which step is due follows from the time and from
//! whether the condition is met.
//!
//! Left to others: watching the channels (the station), keeping the steps (the store).

mod condition;
mod limits;
mod state;

pub use condition::{BadCondition, Condition, Turn};
pub use limits::{BadLimits, Begin, Finish, duration, spelled};
pub use state::{Ended, Illegal, LATE_MAX, Moment, Reason, Running, State, Step, Stretch, Waiting};

/// The key of a run in its record; later ones have higher keys.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RunId(pub i64);
