//! Star fields in; lens, matched stars and where the camera looked out.

pub mod between;
mod chance;
mod grid;
pub mod lens;
#[cfg(test)]
mod test_fields;
mod turn;
