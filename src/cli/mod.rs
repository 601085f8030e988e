//! cli.
