//! A night that is still going on: a folder into which frames arrive, in; an answer after each, out.
//!
//! A frame is measured once, when its file is whole; what it gave is kept until the file changes.
//! This stage reads the clock, as files settle in time; its answers do not depend on it.

pub mod clock;
mod night;
mod notice;
mod settle;

pub use night::{LiveNight, Look};
pub use notice::{Notice, Waker};
