//! The files of a night: which folders are alignments and which files are pictures.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};

use super::natural::natural_order;
use super::{AlignmentFiles, Corrections, Format, NightFiles};
use crate::error::{Error, ErrorKind, Warning};

/// Folders nested deeper than this are no night.
const MAX_DEPTH: usize = 16;

/// The alignments of a night's folder and their picture files.
///
/// Method: pictures directly in the folder are an alignment named after it; each folder below
/// that holds pictures is an alignment named by its path ("east/second try"). Files are told by
/// their endings. Hidden files and folders are skipped; folders reached twice through links are
/// read once. Of a RAW file and a JPEG of the same name, the RAW file is taken; of two RAW files,
/// the DNG; of a HEIF file and any other, the other. Pictures of kinds that are not read are
/// listed too, so that reading them says what to do. Where moves of the axis were noted in the
/// night's folder, alignments are divided at them. What cannot be looked into comes as warnings,
/// and the rest of the night goes on.
/// Output: alignments and files in natural order (img2 before img10, capitals alike), the night's
/// own folder first; paths relative to `root`.
///
/// A path to a single file is read as [`walk_files`] does.
///
/// # Errors
/// `Io` if the folder cannot be read; `NotEnoughData` if it holds no picture; `BadFile` if the note
/// of moves cannot be understood.
pub fn walk_night(root: &Path) -> Result<NightFiles, Error> {
    if root.is_file() {
        return walk_files(&[root.to_path_buf()]);
    }
    let folder = resolved(root)?;
    fs::read_dir(&folder).map_err(|error| unreadable(root, &error))?;
    let mut found = Found::default();
    found.visit(&folder, 0);
    let mut night = found.into_night(&folder);
    night.root = root.to_path_buf();
    let corrections = Corrections::read(root)?;
    needs_pictures(corrections.divide(night), root)
}

/// The same for a list of files and folders, as a shell gives them.
///
/// Named files may have any ending if their content is a picture. Files of one folder are one
/// alignment. `root` of the result is the deepest folder that holds them all.
///
/// # Errors
/// `Io` if a path does not exist; `NotEnoughData` if none is a picture.
pub fn walk_files(paths: &[PathBuf]) -> Result<NightFiles, Error> {
    let mut found = Found::default();
    for path in paths {
        if path.is_dir() {
            found.visit(&resolved(path)?, 0);
        } else {
            let folder = resolved(parent_of(path))?;
            fs::metadata(path).map_err(|error| unreadable(path, &error))?;
            let file = folder.join(path.file_name().unwrap_or_default());
            if is_picture(path) || holds_picture(path) {
                found.pictures.entry(folder).or_default().insert(file);
            } else {
                found.ignored.insert(file);
            }
        }
    }
    let root = found.common_folder();
    let night = found.into_night(&root);
    needs_pictures(night, &root)
}

/// What the walk has come upon; all paths absolute.
#[derive(Debug, Default)]
struct Found {
    visited: BTreeSet<PathBuf>,
    pictures: BTreeMap<PathBuf, BTreeSet<PathBuf>>,
    ignored: BTreeSet<PathBuf>,
    /// What could not be looked into, with the reason.
    closed: BTreeMap<PathBuf, String>,
}

impl Found {
    /// Takes in a folder and those below it; one that cannot be read is noted with the reason.
    fn visit(&mut self, folder: &Path, depth: usize) {
        let real = match folder.canonicalize() {
            Ok(real) => real,
            Err(error) => return self.close(folder, &error),
        };
        if self.visited.contains(&real) {
            return;
        }
        if depth > MAX_DEPTH {
            let reason = format!("lies deeper than {MAX_DEPTH} folders: not searched");
            self.closed.insert(folder.to_path_buf(), reason);
            return;
        }
        self.visited.insert(real);
        let entries = match fs::read_dir(folder) {
            Ok(entries) => entries,
            Err(error) => return self.close(folder, &error),
        };
        let mut paths = Vec::new();
        for entry in entries {
            match entry {
                Ok(entry) if is_hidden(&entry.file_name()) => {}
                Ok(entry) => paths.push(entry.path()),
                Err(error) => self.close(folder, &error),
            }
        }
        // The order of a folder is the file system's; links are followed in a fixed order.
        paths.sort();
        for path in paths {
            if path.is_dir() {
                self.visit(&path, depth + 1);
            } else if path.is_file() && is_picture(&path) {
                self.pictures
                    .entry(folder.to_path_buf())
                    .or_default()
                    .insert(path);
            } else {
                self.set_apart(path);
            }
        }
    }

    /// A file of another kind, or a name of a picture behind which none can be reached.
    fn set_apart(&mut self, path: PathBuf) {
        if let (Some(_), Err(error)) = (Format::promised_by(&path), fs::metadata(&path)) {
            let is_link = path
                .symlink_metadata()
                .is_ok_and(|facts| facts.is_symlink());
            let reason = match error.kind() {
                std::io::ErrorKind::NotFound if is_link => "a link that leads nowhere".to_string(),
                _ => reason_of(&error),
            };
            self.closed.insert(path, reason);
        } else {
            self.ignored.insert(path);
        }
    }

    fn close(&mut self, path: &Path, error: &std::io::Error) {
        self.closed
            .entry(path.to_path_buf())
            .or_insert_with(|| reason_of(error));
    }

    /// The deepest folder that holds everything found.
    fn common_folder(&self) -> PathBuf {
        let ignored_parents = self
            .ignored
            .iter()
            .map(|path| parent_of(path).to_path_buf());
        self.pictures
            .keys()
            .cloned()
            .chain(ignored_parents)
            .reduce(|common, folder| {
                common
                    .components()
                    .zip(folder.components())
                    .take_while(|(a, b)| a == b)
                    .map(|(part, _)| part)
                    .collect()
            })
            .unwrap_or_else(|| PathBuf::from("."))
    }

    fn into_night(mut self, root: &Path) -> NightFiles {
        let below = |path: &Path| path.strip_prefix(root).unwrap_or(path).to_path_buf();
        let mut alignments = Vec::new();
        for (folder, pictures) in &self.pictures {
            let (kept, twins) = without_twins(pictures);
            self.ignored.extend(twins);
            let mut files: Vec<PathBuf> = kept.iter().map(|path| below(path)).collect();
            files.sort_by(|a, b| natural_order(a, b));
            alignments.push((below(folder), files));
        }
        alignments.sort_by(|(a, _), (b, _)| natural_order(a, b));
        let mut ignored: Vec<PathBuf> = self.ignored.iter().map(|path| below(path)).collect();
        ignored.sort_by(|a, b| natural_order(a, b));
        NightFiles {
            root: root.to_path_buf(),
            alignments: alignments
                .into_iter()
                .map(|(folder, files)| AlignmentFiles {
                    name: alignment_name(root, &folder),
                    files,
                })
                .collect(),
            ignored,
            warnings: self
                .closed
                .iter()
                .map(|(path, reason)| warning(&below(path), reason))
                .collect(),
        }
    }
}

/// Parts of the path below the night's folder, or that folder's own name.
fn alignment_name(root: &Path, folder: &Path) -> String {
    let parts: Vec<_> = folder
        .components()
        .map(|part| part.as_os_str().to_string_lossy())
        .collect();
    if parts.is_empty() {
        let own_name = root.file_name().unwrap_or(root.as_os_str());
        own_name.to_string_lossy().into_owned()
    } else {
        parts.join("/")
    }
}

/// Parts files into those to use and those that lie beside a better one of the same name.
fn without_twins(files: &BTreeSet<PathBuf>) -> (Vec<PathBuf>, Vec<PathBuf>) {
    let stem = |path: &Path| path.file_stem().map(OsStr::to_ascii_lowercase);
    let mut best: BTreeMap<_, u8> = BTreeMap::new();
    for path in files {
        if let Some(worth) = worth(path) {
            let known = best.entry(stem(path)).or_insert(worth);
            *known = worth.max(*known);
        }
    }
    files.iter().cloned().partition(|path| {
        let beaten = worth(path).zip(best.get(&stem(path)));
        beaten.is_none_or(|(own, best)| own >= *best)
    })
}

/// Which of several files of one exposure a camera or a converter leaves is the better one to read:
/// a DNG, another RAW file, a JPEG, one that is not read. `None` for kinds that no camera writes
/// beside another.
///
/// A build that cannot read RAW takes the JPEG instead.
fn worth(path: &Path) -> Option<u8> {
    let reads_raw = cfg!(feature = "raw");
    match Format::promised_by(path) {
        Some(Format::Raw) if reads_raw => {
            let is_dng = path
                .extension()
                .is_some_and(|end| end.eq_ignore_ascii_case("dng"));
            Some(if is_dng { 4 } else { 3 })
        }
        Some(Format::Raw) => Some(1),
        Some(Format::Jpeg) => Some(2),
        Some(_) => None,
        None => Some(0),
    }
}

/// Whether a name promises a picture, of whatever kind.
fn is_picture(path: &Path) -> bool {
    Format::promised_by(path).is_some() || Format::is_known_ending(path)
}

fn is_hidden(name: &OsStr) -> bool {
    name.to_string_lossy().starts_with('.')
}

/// The folder of a path as given; "." for a bare name.
fn parent_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// Whether the first bytes are those of a picture that is read.
fn holds_picture(path: &Path) -> bool {
    use std::io::Read;
    let mut start = Vec::new();
    let opened = fs::File::open(path).and_then(|file| file.take(4096).read_to_end(&mut start));
    opened.is_ok() && Format::recognise(&start, path).is_ok()
}

fn resolved(folder: &Path) -> Result<PathBuf, Error> {
    folder
        .canonicalize()
        .map_err(|error| unreadable(folder, &error))
}

fn warning(path: &Path, reason: &str) -> Warning {
    let name = match path.to_string_lossy() {
        name if name.is_empty() => "the night's folder".into(),
        name => name,
    };
    Warning::new(format!("{name}: {reason}; the night goes on without it"))
}

fn unreadable(path: &Path, error: &std::io::Error) -> Error {
    Error::new(ErrorKind::Io, reason_of(error)).about(path.display())
}

fn reason_of(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file or folder".to_string(),
        std::io::ErrorKind::PermissionDenied => "may not be read (permission denied)".to_string(),
        _ => format!("cannot be read ({error})"),
    }
}

fn needs_pictures(night: NightFiles, named: &Path) -> Result<NightFiles, Error> {
    if !night.alignments.is_empty() {
        return Ok(night);
    }
    let found = match night.ignored.len() {
        0 if !night.warnings.is_empty() => night.warnings[0].text.clone(),
        0 => "an empty folder".to_string(),
        1 => format!("one file of another kind ({})", night.ignored[0].display()),
        n => format!(
            "{n} files of other kinds ({} and others)",
            night.ignored[0].display()
        ),
    };
    Err(Error::new(
        ErrorKind::NotEnoughData,
        format!("no pictures found, only {found}; at least one JPEG, PNG, TIFF, FITS or camera RAW file was needed"),
    )
    .with_hint("Name the folder that holds the test frames; folders inside it are searched too.")
    .about(named.display()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::{create_dir_all, write};

    fn night(files: &[&str]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for file in files {
            let path = folder.path().join(file);
            create_dir_all(path.parent().unwrap()).unwrap();
            write(path, b"x").unwrap();
        }
        folder
    }

    fn named(night: &NightFiles) -> Vec<(&str, Vec<String>)> {
        let text = |path: &PathBuf| path.to_string_lossy().replace('\\', "/");
        night
            .alignments
            .iter()
            .map(|a| (a.name.as_str(), a.files.iter().map(text).collect()))
            .collect()
    }

    #[test]
    fn sub_folders_are_alignments_in_natural_order() {
        let folder = night(&[
            "try 10/a.jpg",
            "try 2/img10.jpg",
            "try 2/IMG2.JPG",
            "try 2/deep/er/x.fits",
            "notes.txt",
            ".hidden.jpg",
            ".trash/y.jpg",
        ]);
        let walked = walk_night(folder.path()).unwrap();
        let expected = [
            (
                "try 2",
                vec!["try 2/IMG2.JPG".to_string(), "try 2/img10.jpg".into()],
            ),
            ("try 2/deep/er", vec!["try 2/deep/er/x.fits".into()]),
            ("try 10", vec!["try 10/a.jpg".into()]),
        ];
        assert_eq!(named(&walked), expected);
        assert_eq!(walked.ignored, [PathBuf::from("notes.txt")]);
    }

    #[test]
    fn pictures_beside_folders_are_an_alignment_named_after_the_night() {
        let folder = night(&["2 May/b.tif", "2 May/east/a.png"]);
        let walked = walk_night(&folder.path().join("2 May")).unwrap();
        let expected = [
            ("2 May", vec!["b.tif".to_string()]),
            ("east", vec!["east/a.png".into()]),
        ];
        assert_eq!(named(&walked), expected);
    }

    #[test]
    fn a_jpeg_beside_its_raw_counts_once() {
        let folder = night(&["a.DNG", "A.jpg", "b.jpg", "c.tif", "c.jpg"]);
        let walked = walk_night(folder.path()).unwrap();
        let kept = &named(&walked)[0].1;
        let raw_or_jpeg = if cfg!(feature = "raw") {
            "a.DNG"
        } else {
            "A.jpg"
        };
        assert_eq!(kept.len(), 4);
        assert!(kept.contains(&raw_or_jpeg.to_string()), "{kept:?}");
        assert_eq!(walked.ignored.len(), 1);
    }

    #[cfg(feature = "raw")]
    #[test]
    fn of_all_files_of_one_exposure_the_best_is_read() {
        let folder = night(&[
            "a.arw", "a.dng", "a.jpg", "a.heic", "b.heic", "B.jpg", "c.HEIC", "d.fits", "d.png",
        ]);
        let walked = walk_night(folder.path()).unwrap();
        let kept = ["a.dng", "B.jpg", "c.HEIC", "d.fits", "d.png"];
        assert_eq!(named(&walked)[0].1, kept);
        assert_eq!(walked.ignored.len(), 4);
    }

    #[test]
    fn a_folder_without_pictures_says_what_it_holds() {
        let folder = night(&["notes.txt", "more/list.csv"]);
        let error = walk_night(folder.path()).unwrap_err();
        assert_eq!(error.kind, ErrorKind::NotEnoughData);
        let name = folder.path().display().to_string();
        for word in [name.as_str(), "2 files of other kinds", "JPEG"] {
            assert!(error.context.contains(word), "{}", error.context);
        }
        let empty = tempfile::tempdir().unwrap();
        let error = walk_night(empty.path()).unwrap_err();
        assert!(
            error.context.contains("only an empty folder"),
            "{}",
            error.context
        );
    }

    #[test]
    fn single_files_and_lists_are_nights_too() {
        let folder = night(&["n/x/b.jpg", "n/x/a.jpg", "n/y/c.jpg"]);
        let at = |file: &str| folder.path().join(file);
        let one = walk_night(&at("n/x/b.jpg")).unwrap();
        assert_eq!(named(&one), [("x", vec!["b.jpg".to_string()])]);
        let list = [at("n/y/c.jpg"), at("n/x/b.jpg"), at("n/x/b.jpg"), at("n/x")];
        let walked = walk_files(&list).unwrap();
        let expected = [
            ("x", vec!["x/a.jpg".to_string(), "x/b.jpg".into()]),
            ("y", vec!["y/c.jpg".into()]),
        ];
        assert_eq!(named(&walked), expected);
        assert!(walked.root.join("x/a.jpg").is_file());
        let missing = walk_files(&[at("n/none.jpg")]).unwrap_err();
        assert!(missing.kind == ErrorKind::Io && missing.context.contains("none.jpg"));
    }

    #[cfg(unix)]
    #[test]
    fn links_in_loops_and_to_nowhere_are_told_and_harm_nothing() {
        use std::os::unix::fs::symlink;
        let folder = night(&["a/x.jpg"]);
        let at = |name: &str| folder.path().join(name);
        symlink(folder.path(), at("a/loop")).unwrap();
        symlink("nowhere", at("dead.jpg")).unwrap();
        symlink("itself.jpg", at("itself.jpg")).unwrap();
        symlink("itself", at("itself")).unwrap();
        let walked = walk_night(folder.path()).unwrap();
        assert_eq!(named(&walked), [("a", vec!["a/x.jpg".to_string()])]);
        let told: Vec<&str> = walked.warnings.iter().map(|w| w.text.as_str()).collect();
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(told[0].contains("dead.jpg: a link that leads nowhere"));
        assert!(told[1].contains("itself.jpg: cannot be read"));
    }

    #[cfg(unix)]
    #[test]
    fn folders_too_deep_are_told() {
        let deep = format!("{}x.jpg", "d/".repeat(MAX_DEPTH + 1));
        let folder = night(&["a.jpg", &deep]);
        let walked = walk_night(folder.path()).unwrap();
        assert_eq!(walked.alignments.len(), 1);
        assert!(walked.warnings[0].text.contains("deeper than 16 folders"));
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn names_that_are_no_text_are_walked_and_opened() {
        use std::os::unix::ffi::OsStrExt;
        let folder = night(&["a.jpg"]);
        for name in [b"\xff.jpg".as_slice(), b"\xfe.jpg", b"d\xf1r/y.png"] {
            let path = folder.path().join(OsStr::from_bytes(name));
            create_dir_all(path.parent().unwrap()).unwrap();
            write(path, b"x").unwrap();
        }
        let walked = walk_night(folder.path()).unwrap();
        let files: Vec<&PathBuf> = walked.alignments.iter().flat_map(|a| &a.files).collect();
        assert_eq!(files.len(), 4);
        assert!(files.iter().all(|file| walked.root.join(file).is_file()));
    }
}
