//! How even a work zone is, in space and in time.
//!
//! [`layout`] says where the probes stand, [`standard`] how many there should be and which class a result belongs to,
//! [`survey`] evaluates what they read together, and [`evenness`] a row of velocities over areas.
//!
//! "Uniformity" is used for at least five different figures; every one here has a name of its own and goes with its
//! definition ([`Figure`]). A spread grows with the number of places and with time: compare equal layouts and
//! equal times only. Corrections of the probes belong before the evaluation. Part of a spread of bare sensors is
//! radiation between them and walls of another temperature, by a different amount at every place.

pub mod evenness;
pub mod layout;
pub mod standard;
pub mod survey;
pub mod uniformity;

pub use evenness::{Evenness, Flow};
pub use layout::{Clearance, Layout, LayoutError, Place, WorkZone};
pub use standard::{Class, Column, Suggestion, suggestions};
pub use survey::{Survey, SurveyError, SurveyRule};
pub use uniformity::{Figure, Uniformity};
