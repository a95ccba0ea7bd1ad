//! Drawings of layouts as SVG: where the probes stand in a duct and in a work zone.
//!
//! To scale, in black on white with one grey, so that a copy of a copy still reads; nothing is said by
//! colour alone. The command line, the page and the report use the same drawings. Pure: a layout in, text out.
//!
//! Words: a *sheet* is the paper, in units of 1/96 in; a *view* is a projection of the thing onto it.

mod duct;
mod ruler;
mod sheet;
mod zone;

pub use duct::{DuctDrawing, duct};
pub use ruler::Ruler;
pub use zone::zone;
