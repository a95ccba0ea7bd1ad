//! Where to measure in a duct: its shape, the rule that places the points, the traverse itself, the
//! site, the probe in the way, and whether what was found may be used.

pub mod acceptance;
pub mod probe;
pub mod rule;
pub mod shape;
pub mod site;
pub mod traverse;

pub use acceptance::{Criterion, Finding};
pub use probe::{Blockage, ProbeError};
pub use rule::{Rule, RuleError};
pub use shape::{Annulus, Circle, Rectangle, Shape, ShapeError};
pub use site::{Site, SiteError};
pub use traverse::{Caution, Grid, Point, Traverse, TraverseError};
