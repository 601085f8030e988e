//! Star fields in; lens, matched stars and where the camera looked out.

pub mod attitude;
pub mod lens;
pub mod tracks;
