//! What leaves the record: exports, streamed from the store in bounded memory.
//!
//! [`csv`] turns samples and gaps into CSV text and does no I/O; [`export`] feeds it from the store,
//! a page at a time. Where the bytes go (a file, a socket) is left to the caller.

pub mod csv;
pub mod dossier;
pub mod export;
mod gaps_ahead;
pub mod grid;
mod origin;
mod parquet;
mod rows;
mod run;
pub mod sidecar;
pub mod table;
mod xlsx;

pub use export::{Count, Export, ExportError, Format, Layout, Request, Steps, Units};
pub use rows::BadRow;
pub use run::{NoRun, RunFacts};
pub use sidecar::{sidecar, sidecar_name};
pub use zonda_model::TrueUtc;
