//! advice.
