//! report.

pub mod drawing;
pub mod polestar;
