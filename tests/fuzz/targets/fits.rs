//! Files of the decoder for `.fits`.
#![no_main]

mod scratch;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| scratch::read_as("fits", bytes));
