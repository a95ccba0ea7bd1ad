//! End-to-end suites.
