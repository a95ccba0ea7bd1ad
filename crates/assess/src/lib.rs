//! Evaluations over the record: what was recorded, under which configuration, goes in; statements with their
//! uncertainty come out.
//!
//! An [`Ask`] says what is wanted, an [`Outcome`] is what came of it: pure data with everything that a reader needs to
//! believe it. [`assess`] reads the samples page by page, so that memory stays the same however long a run is,
//! and hands them to the functions of `zonda-evaluate`, `zonda-air` and `zonda-proof`, which know nothing of records.
//!
//! Nothing is kept: an outcome is worked out anew each time, and the same record gives the same bytes.
//! [`outdated`] says of one that was kept elsewhere whether the record was corrected since.
//!
//! Left to others: which evaluations are asked of which run (the store), who may ask (the API), how a table or
//! a report looks.

mod ask;
mod criterion;
pub mod doubts;
mod error;
mod figure;
mod intake;
mod kinds;
mod known;
mod outcome;
mod outdated;
mod past;
mod scans;
pub mod schema;
mod subject;
mod work;
mod written;

pub use ask::{
    AgreementAsk, Ask, Basics, HeatAsk, MeanAsk, MovedProbe, PointVisit, Question, Since,
    SteadinessAsk, TransientAsk, TraverseAsk, UniformityAsk, WindowsAsk,
};
pub use criterion::Rule;
pub use error::{AssessError, ErrorKind};
pub use known::of_reading;
pub use outcome::*;
pub use outdated::outdated;
pub use subject::Subject;
pub use work::{Watch, assess};
pub use written::{Edge, Flags, Length, Quantified, Reach};
