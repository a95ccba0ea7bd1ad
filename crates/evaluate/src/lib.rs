//! From stored samples to statements: means, steadiness, uniformity, transients, uncertainty.
