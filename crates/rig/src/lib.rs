//! Placeholder header, replaced by its owner.
