//! Star fields in; lens, matched stars and where the camera looked out.

pub mod attitude;
pub mod between;
mod chance;
mod grid;
pub mod hint;
pub mod lens;
pub mod pointing;
#[cfg(test)]
mod test_fields;
pub mod tracks;
mod turn;
