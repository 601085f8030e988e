//! `stillpoint`: how far a star tracker's axis is from the pole, from a night's test exposures.
//!
//! `frame -> stars -> identify (with sky) -> mount -> diagnosis -> advice -> report`

pub mod error;
pub mod units;
pub mod whole;

pub mod advice;
pub mod beam;
pub mod cache;
pub mod cli;
pub mod diagnosis;
pub mod frame;
pub mod identify;
pub mod limits;
pub mod live;
pub mod mount;
pub mod pipeline;
pub mod report;
#[cfg(feature = "serve")]
pub mod serve;
pub mod simulate;
pub mod sky;
pub mod stars;
