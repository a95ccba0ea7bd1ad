//! The master on a TCP connection.
