//! Files of the decoder for `.dng`.
#![no_main]

mod scratch;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| scratch::read_as("dng", bytes));
