//! Analytic truth: each file of testdata/bad is wrong in a known way, and the message must say so.

use std::path::{Path, PathBuf};

use stillpoint::error::{Error, ErrorKind};
use stillpoint::frame::{MissingFact, Overrides, missing, read_frame, read_header};

fn bad(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("testdata/bad")
        .join(name)
}

fn refusal(path: &Path) -> Error {
    read_frame(path, &Overrides::default()).expect_err("the file must be refused")
}

/// The file is refused for this kind of reason, and the message names it and holds all words.
fn assert_refused(name: &str, kind: ErrorKind, words: &[&str]) {
    let error = refusal(&bad(name));
    assert_eq!(error.kind, kind, "{name}: {error}");
    assert!(error.context.contains(name), "{error}");
    for word in words {
        assert!(error.context.contains(word), "{name}: {error}");
    }
    let one_line = !error.context.ends_with('.') && !error.context.contains('\n');
    assert!(one_line, "{error}");
}

#[test]
fn copies_that_broke_off_are_refused() {
    use ErrorKind::BadFile;
    assert_refused("empty.jpg", BadFile, &["empty", "0 bytes"]);
    assert_refused("half.jpg", BadFile, &["JPEG", "the data end too early"]);
    assert_refused(
        "cut.jpg",
        BadFile,
        &["no end-of-image marker in 1167 bytes"],
    );
    assert_refused("half_progressive.jpg", BadFile, &["JPEG", "cut short"]);
    assert_refused("no_end.jpg", BadFile, &["no end-of-image marker"]);
    assert_refused("padded.jpg", BadFile, &["JPEG", "damaged"]);
    assert_refused("half.tif", BadFile, &["TIFF", "cut short"]);
    assert_refused("directory_lost.tif", BadFile, &["TIFF", "cut short"]);
    assert_refused("half.png", BadFile, &["PNG", "cut short"]);
    assert_refused("half.fits", BadFile, &["1440 bytes", "3072 were needed"]);
    assert_refused("no_end_card.fits", BadFile, &["no END card"]);
}

#[test]
fn headers_that_claim_absurd_sizes_are_refused_before_memory_is_taken() {
    use ErrorKind::{BadFile, Unsupported};
    assert_refused(
        "bomb.png",
        Unsupported,
        &["60000 x 60000", "too large", "200 megapixels"],
    );
    assert_refused("huge.tif", Unsupported, &["70000 x 70000", "too large"]);
    assert_refused("tiny.png", Unsupported, &["8 x 8", "too small"]);
    assert_refused("no_width.png", BadFile, &["PNG"]);
    let header = read_header(&bad("bomb.png"), &Overrides::default()).unwrap_err();
    assert!(header.context.contains("too large"), "{header}");
}

#[test]
fn files_of_other_kinds_are_named() {
    use ErrorKind::{BadFile, Unsupported};
    assert_refused(
        "text.jpg",
        BadFile,
        &["holds text", "promises JPEG", "was needed"],
    );
    assert_refused(
        "old_camera.png",
        BadFile,
        &["no known picture format", "promises PNG"],
    );
    assert_refused("old_camera.cr3", Unsupported, &["a film"]);
    assert_refused("layered.x3f", Unsupported, &["X3F"]);
    assert_refused("animation.gif", Unsupported, &["GIF"]);
    assert_refused("print_colours.jpg", Unsupported, &["CMYK"]);
    assert_refused("cube.fits", Unsupported, &["7 planes"]);
    assert!(refusal(&bad("print_colours.jpg")).hint.is_some());
    assert_refused("phone.heic", Unsupported, &["HEIF"]);
    assert_refused("stacked.xisf", Unsupported, &["XISF"]);
    let hint = refusal(&bad("phone.heic")).hint.unwrap();
    assert!(hint.contains("as JPEG or TIFF"), "{hint}");
}

#[test]
fn files_made_to_break_a_reader_are_refused() {
    use ErrorKind::{BadFile, Unsupported};
    assert_refused("strip_beyond.tif", BadFile, &["TIFF", "cut short"]);
    assert_refused("long_text.tif", BadFile, &["TIFF", "claims 536870912"]);
    assert_refused("in_a_circle.tif", BadFile, &["TIFF"]);
    assert_refused("endless.fits", Unsupported, &["too large"]);
    assert_refused("negative.fits", BadFile, &["NAXIS1 is -48"]);
    assert_refused("dark.fits", Unsupported, &["dark frame by its header"]);
}

/// The program's exit code and its complaint about one file.
fn measured(path: &Path) -> (i32, String) {
    let run = std::process::Command::new(env!("CARGO_BIN_EXE_stillpoint"))
        .arg("measure")
        .arg(path)
        .output()
        .unwrap();
    let complaint = String::from_utf8_lossy(&run.stderr).into_owned();
    (
        run.status.code().expect("no signal ended the run"),
        complaint,
    )
}

#[test]
fn every_bad_file_ends_with_its_exit_code_and_two_lines_at_most() {
    // Sound pixels without facts, or with a wrong name: measured, with a word where one is due.
    let readable = [
        "no_exif.jpg",
        "nonsense_exif.jpg",
        "really_a_png.jpg",
        "holes.fits",
    ];
    for entry in std::fs::read_dir(bad("")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if name == "README.md" {
            continue;
        }
        let (code, complaint) = measured(&path);
        assert!(!complaint.contains("panicked"), "{name}: {complaint}");
        if readable.contains(&name.as_str()) {
            assert!(code == 0 || code == 1, "{name}: {code}, {complaint}");
            continue;
        }
        assert_eq!(code, 2, "{name}: {complaint}");
        assert!(complaint.contains(&name), "{name}: {complaint}");
        let n_lines = complaint.lines().count();
        assert!((1..=2).contains(&n_lines), "{name}: {complaint}");
    }
}

#[test]
fn what_is_no_file_is_told_apart() {
    let absent = refusal(&bad("absent.jpg"));
    assert_eq!(absent.kind, ErrorKind::Io);
    assert!(absent.context.contains("no such file"), "{absent}");
    let folder = refusal(&bad(""));
    assert_eq!(folder.kind, ErrorKind::Io);
    assert!(folder.context.contains("a folder"), "{folder}");
}

#[cfg(feature = "raw")]
#[test]
fn damaged_raw_files_are_refused() {
    use ErrorKind::{BadFile, Unsupported};
    assert_refused("half.dng", BadFile, &["camera RAW", "were needed"]);
    assert_refused("huge.dng", Unsupported, &["4000000000", "too large"]);
    assert_refused("empty_directory.dng", BadFile, &["camera RAW"]);
    assert_refused("huge_tiles.dng", Unsupported, &["4000000000", "too large"]);
    assert_refused(
        "claims_values.mrw",
        BadFile,
        &["camera RAW", "an entry claims"],
    );
    assert_refused("unknown_kind.dng", BadFile, &["an entry claims 805306368"]);
    assert_refused("lying_note.dng", BadFile, &["an entry claims 805306368"]);
    assert_refused("ring.dng", BadFile, &["lead in a circle"]);
    assert_refused("lying_table.cr3", BadFile, &["4000000000 rows"]);
    assert_refused("heap_in_heap.crw", BadFile, &["lead in a circle"]);
    assert_refused("own_table.iiq", BadFile, &["claims 1073741823 entries"]);
    assert_refused("encrypted.arw", BadFile, &["claims 805306368 values"]);
    assert_refused("many_below.dng", BadFile, &["points to 2000 directories"]);
    assert_refused("entries_again.dng", BadFile, &["100000 entries together"]);
    assert_refused("bytes_again.dng", BadFile, &["over and over"]);
    assert_refused("many_values.dng", BadFile, &["65535 values a pixel"]);
    assert_refused(
        "white_below_black.dng",
        BadFile,
        &["white level 100", "512"],
    );
}

#[cfg(feature = "raw")]
#[test]
fn boxes_that_lie_are_refused() {
    use ErrorKind::{BadFile, Unsupported};
    for (name, words) in [
        ("endless_boxes.cr3", "shorter than its own head"),
        ("long_box.cr3", "a box claims 1099511627776 bytes"),
        ("backwards.cr3", "a box claims 18446744073709551608 bytes"),
        ("unknown_number.cr3", "shorter than its own head"),
        ("lying_records.cr3", "a table claims 4000000000 rows"),
        ("long_record.cr3", "a record claims 4000000000 bytes"),
        ("hidden_block.cr3", "an entry claims 805306368 values"),
        ("ring_in_box.cr3", "lead in a circle"),
        ("early_ring.cr3", "lead in a circle"),
        ("many_tiles.cr3", "12 tiles are listed where 1 were needed"),
        ("tall_tile.cr3", "1 tiles are listed where 2 were needed"),
        ("many_planes.cr3", "a tile of more than 4 planes"),
    ] {
        assert_refused(name, BadFile, &["camera RAW", words]);
    }
    assert_refused("huge.cr3", Unsupported, &["300000", "too large"]);
}

#[cfg(feature = "raw")]
#[test]
fn raw_files_of_other_kinds_that_lie_are_refused() {
    use ErrorKind::{BadFile, Unsupported};
    assert_refused("wide_twice.dng", Unsupported, &["300000 x 300000"]);
    assert_refused("signed_width.dng", Unsupported, &["300000 x 300000"]);
    assert_refused("lossless_head.dng", Unsupported, &["65535 x 65535"]);
    assert_refused("wide.mrw", Unsupported, &["65535 x 65535"]);
    assert_refused("endless.mrw", BadFile, &["a block claims 4294967288 bytes"]);
    assert_refused("same_bytes.crw", BadFile, &["over and over"]);
}

#[cfg(not(feature = "raw"))]
#[test]
fn a_build_without_raw_says_so() {
    for name in [
        "half.dng",
        "ring.dng",
        "lying_table.cr3",
        "claims_values.mrw",
    ] {
        assert_refused(
            name,
            ErrorKind::Unsupported,
            &["this build reads no camera RAW"],
        );
        let hint = refusal(&bad(name)).hint.unwrap();
        assert!(hint.contains("feature `raw`"), "{hint}");
    }
}

#[test]
fn values_that_are_no_numbers_are_filled_and_counted() {
    let frame = read_frame(&bad("holes.fits"), &Overrides::default()).unwrap();
    let warning = &frame.warnings[0].text;
    assert!(warning.starts_with("4 of 1536"), "{warning}");
    let light = frame.value.plane.data();
    assert!(light.iter().all(|value| value.is_finite()));
    assert_refused("no_numbers.fits", ErrorKind::BadFile, &["none of the 1536"]);
}

#[test]
fn a_wrong_ending_is_read_with_a_warning() {
    let frame = read_frame(&bad("really_a_png.jpg"), &Overrides::default()).unwrap();
    assert_eq!(frame.value.plane.width(), 48);
    let warning = &frame.warnings[0].text;
    assert!(warning.contains("promises JPEG"), "{warning}");
}

#[test]
fn missing_and_nonsense_facts_are_listed_and_not_warned_of() {
    use MissingFact::*;
    for name in ["no_exif.jpg", "nonsense_exif.jpg"] {
        let frame = read_frame(&bad(name), &Overrides::default()).unwrap();
        let lacks = missing(&frame.value.header);
        assert_eq!(
            lacks,
            [StartTime, Exposure, FocalLength, PixelPitch, Site],
            "{name}"
        );
        assert_eq!(frame.warnings, [], "{name}");
        let plane = &frame.value.plane;
        assert_eq!((plane.width(), plane.height()), (48, 32));
    }
}

#[test]
fn every_file_in_the_folder_is_described_and_described_files_exist() {
    let readme = std::fs::read_to_string(bad("README.md")).unwrap();
    for entry in std::fs::read_dir(bad("")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        let described =
            readme.contains(&format!("| `{name}`")) || readme.contains(&format!(", `{name}`"));
        assert!(name == "README.md" || described, "{name}");
    }
    let is_frame = |part: &&str| !part.contains([' ', '/', '|', '\n']) && part.contains('.');
    for name in readme.split('`').filter(is_frame) {
        assert!(bad(name).exists(), "{name}");
    }
}

/// Sound files of every format, to be damaged.
fn sound_files() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/frames");
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending != "md"))
        .collect();
    files.sort();
    assert!(files.len() >= 14, "the sound files are there");
    files
}

#[test]
fn no_piece_of_a_sound_file_is_measured() {
    let folder = tempfile::tempdir().unwrap();
    for path in sound_files() {
        let bytes = std::fs::read(&path).unwrap();
        let piece = folder.path().join(path.file_name().unwrap());
        // FITS pads its last block, and PNG ends with a chunk that carries nothing: pieces that
        // lack only those are whole pictures.
        let pixels_end = match path.extension().and_then(|ending| ending.to_str()) {
            Some("fits") => bytes.len() - 2880,
            Some("png") => bytes.len() - 16,
            _ => bytes.len(),
        };
        for cut in (0..pixels_end).step_by(bytes.len() / 97 + 1) {
            std::fs::write(&piece, &bytes[..cut]).unwrap();
            let result = read_frame(&piece, &Overrides::default());
            let whole = bytes.len();
            assert!(
                result.is_err(),
                "{}: the first {cut} of {whole} bytes",
                path.display()
            );
        }
    }
}

#[test]
fn bytes_changed_at_random_never_panic_and_never_leave_a_hole_in_the_light() {
    let folder = tempfile::tempdir().unwrap();
    let mut state = 20_260_118u64;
    // A linear congruential generator (Knuth's constants): the same damage each time.
    let mut random = move |below: usize| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below
    };
    for path in sound_files() {
        let sound = std::fs::read(&path).unwrap();
        let changed = folder.path().join(path.file_name().unwrap());
        for _ in 0..150 {
            let mut bytes = sound.clone();
            for _ in 0..1 + random(8) {
                // Headers break decoders sooner than pixels do.
                let in_header = random(2) == 0;
                let reach = if in_header {
                    bytes.len().min(600)
                } else {
                    bytes.len()
                };
                bytes[random(reach)] = random(256) as u8;
            }
            std::fs::write(&changed, &bytes).unwrap();
            if let Ok(frame) = read_frame(&changed, &Overrides::default()) {
                let light = frame.value.plane.data();
                assert!(light.iter().all(|value| value.is_finite()));
            }
        }
    }
}
