//! mount.
