//! What leaves the record: exports, streamed from the store in bounded memory.
//!
//! [`csv`] turns samples and gaps into CSV text and does no I/O; [`export`] feeds it from the store,
//! a page at a time. Where the bytes go (a file, a socket) is left to the caller.

pub mod compose;
pub mod csv;
pub mod document;
pub mod dossier;
pub mod export;
pub mod fold;
mod gaps_ahead;
pub mod grid;
mod html;
mod origin;
mod parquet;
pub mod pdf;
pub mod plot;
mod report;
mod rows;
mod run;
pub mod sidecar;
mod survey;
pub mod table;
mod xlsx;

pub use export::fit;
pub use export::{
    Count, Export, ExportError, Format, Layout, Request, Steps, Units, cut_ask, own_unit,
};
pub use html::html;
pub use pdf::{NoPdf, Typesetter};
pub use report::{Logo, NoReport, Wanted, report};
pub use rows::BadRow;
pub use run::{NoRun, RunFacts};
pub use sidecar::{sidecar, sidecar_name};
pub use zonda_assess::Watch;
pub use zonda_config::Paper;
pub use zonda_model::TrueUtc;
