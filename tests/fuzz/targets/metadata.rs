//! EXIF blocks of any kind within a sound JPEG.
#![no_main]

mod scratch;

use libfuzzer_sys::fuzz_target;

const SOUND: &[u8] = include_bytes!("../../../testdata/frames/grey.jpg");
const MARK: &[u8] = b"Exif\0\0";

fuzz_target!(|block: &[u8]| {
    let block = &block[..block.len().min(60_000)];
    let length = (2 + MARK.len() + block.len()) as u16;
    let start = [&[0xFF, 0xD8, 0xFF, 0xE1][..], &length.to_be_bytes()].concat();
    scratch::read_as("jpg", &[&start, MARK, block, &SOUND[2..]].concat());
});
