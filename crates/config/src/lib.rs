//! The configuration: one TOML file, the truth about the wiring.
//!
//! Text goes in, a checked [`Config`] or every mistake at once comes out ([`check`], or [`check_with`]
//! where the file names tables of their own). Nothing here opens a file or a port. The keys are data ([`keys`]): the check for unknown ones, the JSON Schema
//! for editors and the reference in the documentation are all made from the one list.

pub mod accuracy;
mod certificate;
mod channel;
mod check;
mod code;
pub mod derived;
mod envelope;
pub mod evaluation;
pub mod fault;
pub mod identity;
pub mod iio;
pub mod instrument;
pub mod keys;
mod known;
pub mod layout;
mod line;
mod meter;
mod module;
mod output;
mod plan;
pub mod reference;
pub mod report;
mod rules;
pub mod run;
pub mod schema;
mod section;
mod shelf;
mod signal;
mod source;
mod steps;
mod syntax;
pub mod tables;
mod text;

pub use accuracy::Accuracy;
pub use check::{Checked, check, check_revision, check_with};
pub use derived::DerivedPlan;
pub use evaluation::EvaluationPlan;
pub use fault::{Fault, Faults};
pub use identity::{Expected, IdentityPlan, IdentityQuestion, TextIdentityPlan};
pub use iio::{IioChannel, IioDevice, IioPlan, IioReading};
pub use instrument::{
    AccuracyPlan, BothWays, CertificatePlan, EnvelopePlan, LoopPlan, MeterPlan, OutputPlan,
    ProbePlan, StuckPlan, Way,
};
pub use layout::{LayoutForm, LayoutPlan};
pub use line::read_address;
pub use plan::*;
pub use report::{Paper, ReportPlan};
pub use run::RunPlan;
