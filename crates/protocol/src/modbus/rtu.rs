//! The master on a serial line.
