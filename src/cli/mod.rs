//! cli.

pub mod polestar;
