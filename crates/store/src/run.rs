//! Runs in the record: what is asked, what happened, what was said. Rows are added, never edited.
//!
//! A [`RunChange`] goes into the file with the recorder's next commit, in one transaction with the
//! event that says the same ([`Recorder::runs`](crate::Recorder::runs)); the seal covers the event.
//! Keys of runs are given out by whoever hands the changes over, so that nobody waits for the disk
//! to learn one. Which step may follow which is the model's ([`zonda_model::run`]).

mod read;
mod write;

use std::collections::BTreeMap;

use zonda_model::run::{Begin, Finish, State, Step};
use zonda_model::{Name, RunId, Stamp};

use crate::row::ChannelId;

pub use read::RunPage;
pub(crate) use write::insert_runs;

/// The boot id of a session in which nobody recorded: a record that was opened for an order about runs.
pub(crate) const NO_BOOT: &str = "none: no daemon ran";

/// A run as it was asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct RunEntry {
    /// Its key.
    pub id: RunId,
    /// Its name, unique among the runs that are not discarded.
    pub name: Name,
    /// The template of the configuration that it was asked for by.
    pub template: Option<Name>,
    /// When it begins.
    pub begin: Begin,
    /// When it ends.
    pub finish: Finish,
    /// The layout of points that it refers to.
    pub layout: Option<String>,
    /// Its channels, in the order in which they were asked for.
    pub channels: Vec<ChannelId>,
    /// When it was asked for, on the record's axis.
    pub asked: Stamp,
}

/// Something that happened to a run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StepEntry {
    /// Whose.
    pub run: RunId,
    /// What.
    pub step: Step,
    /// When this was written, on the record's axis.
    pub said: Stamp,
    /// Who did it, where it was somebody.
    pub by: Option<String>,
    /// Why, or nothing.
    pub text: String,
    /// Hash of the configuration in force when this was written.
    pub config: String,
}

/// What can be said of a run, and said anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Field {
    /// Who sees to it.
    Operator,
    /// What it is for.
    Purpose,
    /// What is tested.
    Object,
    /// The conditions around: air pressure, temperature of the hall.
    Ambient,
}

impl Field {
    /// Every field, in the order in which people read them.
    pub const ALL: [Self; 4] = [Self::Operator, Self::Purpose, Self::Object, Self::Ambient];

    /// The word in the record and the API.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Operator => "operator",
            Self::Purpose => "purpose",
            Self::Object => "object",
            Self::Ambient => "ambient",
        }
    }

    /// The field with this word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|field| field.word() == word)
    }
}

/// What was said of a run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WordEntry {
    /// Of which.
    pub run: RunId,
    /// When, on the record's axis.
    pub said: Stamp,
    /// By whom, where it was said later.
    pub by: Option<String>,
    /// About what.
    pub field: Field,
    /// The words.
    pub text: String,
}

/// A note. It is never edited.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoteEntry {
    /// To which run.
    pub run: RunId,
    /// When it was written, on the record's axis.
    pub said: Stamp,
    /// The moment that it is about, where that is another.
    pub about: Option<Stamp>,
    /// Who wrote it.
    pub by: String,
    /// The note.
    pub text: String,
}

/// An evaluation that was asked of a run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EvaluationEntry {
    /// Of which.
    pub run: RunId,
    /// When, on the record's axis.
    pub said: Stamp,
    /// By whom.
    pub by: Option<String>,
    /// Which kind.
    pub kind: String,
    /// Its parameters: the text of a JSON object.
    pub parameters: String,
}

/// What the operator said while one probe went from point to point.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TraverseEntry {
    /// Of which run.
    pub run: RunId,
    /// When, on the record's axis.
    pub said: Stamp,
    /// Who.
    pub by: String,
    /// What.
    pub step: TraverseStep,
}

/// A step of a moved-probe traverse that somebody took; all others follow from the samples.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TraverseStep {
    /// It was laid out: layout, channel, dwell and rule of steadiness as the text of a JSON object. A newer one is a new traverse.
    Laid(String),
    /// The probe was put at the point with this number, from 1.
    Confirmed(u32),
    /// It is over.
    Ended,
}

impl TraverseStep {
    /// The word in the record.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Laid(_) => "laid",
            Self::Confirmed(_) => "confirmed",
            Self::Ended => "ended",
        }
    }
}

/// The coverage and uncertainty asked of an evaluation were reached. Only the first time counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReachedEntry {
    /// The key of the evaluation.
    pub evaluation: i64,
    /// When, on the record's axis.
    pub at: Stamp,
}

/// One addition to what the record knows of runs.
#[derive(Clone, Debug, PartialEq)]
pub enum RunChange {
    /// A run was asked for.
    Asked(RunEntry),
    /// Something happened to it.
    Step(StepEntry),
    /// Something was said of it.
    Word(WordEntry),
    /// Somebody noted something.
    Note(NoteEntry),
    /// An evaluation was asked of it.
    Evaluation(EvaluationEntry),
    /// The operator of a moved probe said something.
    Traverse(TraverseEntry),
    /// What was asked of an evaluation is reached.
    Reached(ReachedEntry),
}

/// A run as the record has it.
#[derive(Clone, Debug, PartialEq)]
pub struct RunRow {
    /// As it was asked for.
    pub entry: RunEntry,
    /// What happened, in order.
    pub steps: Vec<StepEntry>,
    /// What follows from that.
    pub state: State,
    /// What is said of it at present.
    pub words: BTreeMap<Field, String>,
    /// How many notes there are.
    pub notes: i64,
}
