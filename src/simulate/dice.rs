//! Random numbers that follow from the scenario's seed and a few marks alone, on any thread.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// A generator for one purpose: `marks` say which.
pub fn dice(seed: u64, marks: &[u64]) -> ChaCha8Rng {
    let mixed = marks
        .iter()
        .fold(mix(seed), |state, &mark| mix(state ^ mix(mark)));
    ChaCha8Rng::seed_from_u64(mixed)
}

/// One round of the SplitMix64 generator (Steele, Lea & Flood 2014), which scatters neighbours.
fn mix(value: u64) -> u64 {
    let z = value.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::RngExt;

    #[test]
    fn the_same_marks_give_the_same_throw_and_others_do_not() {
        let throw = |marks: &[u64]| dice(7, marks).random::<u64>();
        assert_eq!(throw(&[1, 2]), throw(&[1, 2]));
        assert_ne!(throw(&[1, 2]), throw(&[2, 1]));
    }
}
