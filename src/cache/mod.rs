//! Measures of frames kept from run to run: a picture file's content in, its stars out.
//!
//! An entry is found by a hash of the file's content and of the measuring code, and carries a
//! checksum: it is never stale, and a damaged one counts as absent. The header is not kept: it is
//! read from the file and settled with the options of the day. The folder may be deleted, in whole
//! or in part, at any moment; several runs may use it at once.

mod codec;
mod entry;
mod folder;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::SystemTime;

use crate::error::Error;
use crate::frame::{PictureFile, PixelFacts};
use crate::stars::{StackedStar, StarField};
use crate::whole::{self, Lasting, Standing};

/// Room that a cache takes unless told otherwise: some thousand frames of ten thousand stars.
pub const USUAL_LIMIT_BYTES: u64 = 4 << 30;

/// All that one frame's pixels gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Measures {
    /// What decoding told beyond the header.
    pub pixels: PixelFacts,
    /// The stars.
    pub field: StarField,
    /// Their mean image.
    pub stacked: Option<StackedStar>,
}

/// What tells the measures of one file's content, by this program's measuring, from all others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ContentKey(blake3::Hash);

impl ContentKey {
    /// The key of a file's content.
    pub fn of(file: &PictureFile) -> Self {
        Self::by(env!("STILLPOINT_MEASURING"), file.content())
    }

    fn by(measuring: &str, (format, bytes): (&str, &[u8])) -> Self {
        let mut hasher = blake3::Hasher::new();
        for word in [measuring, format] {
            hasher.update(&(word.len() as u64).to_le_bytes());
            hasher.update(word.as_bytes());
        }
        hasher.update(bytes);
        Self(hasher.finalize())
    }
}

/// A folder of measures; clones share it.
#[derive(Debug, Clone)]
pub struct MeasureCache(Arc<Shared>);

#[derive(Debug)]
struct Shared {
    folder: PathBuf,
    limit_bytes: u64,
    now: SystemTime,
    trouble: Mutex<Option<Error>>,
}

impl PartialEq for MeasureCache {
    fn eq(&self, other: &Self) -> bool {
        self.0.folder == other.0.folder
    }
}

impl MeasureCache {
    /// A cache in a folder of the user's, which is made when it is needed.
    ///
    /// Input: `now` stamps the entries that are used, so that the oldest can go when they take
    /// more than `limit_bytes`. Files of others in the folder are not touched.
    pub fn new(folder: &Path, limit_bytes: u64, now: SystemTime) -> Self {
        let folder = folder.join(folder::NAME);
        whole::clear_leftovers(&folder);
        Self(Arc::new(Shared {
            folder,
            limit_bytes,
            now,
            trouble: Mutex::new(None),
        }))
    }

    /// Where the entries lie.
    pub fn folder(&self) -> &Path {
        &self.0.folder
    }

    /// The measures of a content, if an earlier run kept them whole.
    pub fn get(&self, key: &ContentKey) -> Option<Measures> {
        let path = self.path_of(key);
        let measures = entry::read(key, &fs::read(&path).ok()?)?;
        folder::stamp(&path, self.0.now);
        Some(measures)
    }

    /// Keeps the measures of a content. What goes wrong is told by [`Self::trouble`]; nothing more
    /// is written then.
    pub fn put(&self, key: &ContentKey, measures: &Measures) {
        if self.trouble().is_some() {
            return;
        }
        let path = self.path_of(key);
        let bytes = entry::write(key, measures);
        let write = || {
            folder::made(self.folder())?;
            whole::write(&path, &bytes, Standing::Replaced, Lasting::Handed)
        };
        // The folder may be deleted between the two steps.
        let written = write().or_else(|_| write());
        match written {
            Err(error) if !path.is_file() => self.note(&error),
            _ => {}
        }
    }

    /// Removes the entries unused for longest until the rest keeps within the limit.
    pub fn prune(&self) {
        folder::prune(self.folder(), self.0.limit_bytes);
    }

    /// Why nothing could be kept, if so.
    pub fn trouble(&self) -> Option<Error> {
        self.slot().clone()
    }

    fn note(&self, error: &io::Error) {
        let error = whole::refused(self.folder(), "the measures of frames", error)
            .with_hint("frames are measured anew in each run: --cache FOLDER keeps their measures elsewhere, --no-cache keeps none");
        self.slot().get_or_insert(error);
    }

    fn slot(&self) -> std::sync::MutexGuard<'_, Option<Error>> {
        // A panic in another thread does not hurt a message.
        self.0
            .trouble
            .lock()
            .unwrap_or_else(|poisoned| poisoned.into_inner())
    }

    fn path_of(&self, key: &ContentKey) -> PathBuf {
        self.folder().join(folder::file_name(&key.0.to_hex()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stars::{FrameTrail, LensShape, LightLine, Quality, Rejected, Star, Stretch};
    use crate::units::{Angle, AxialAngle, Measured, PixelPoint, PixelTensor, PixelVector, Pixels};

    pub(super) fn key(bytes: &[u8]) -> ContentKey {
        ContentKey::by("one", ("JPEG", bytes))
    }

    pub(super) fn measures(background: f64) -> Measures {
        let place = PixelPoint::new(0.1, 20.3);
        let tensor = PixelTensor::new(0.1, -0.2, 0.3);
        let star = |trail| Star {
            position: place,
            position_covariance: tensor,
            flux: Measured::new(7.7, 0.1),
            peak: 0.3,
            moments: tensor,
            moments_sigma: tensor,
            trail,
            quality: Quality {
                blended: true,
                ..Quality::default()
            },
        };
        let width = Measured::new(Pixels::new(2.3), Pixels::new(0.1));
        let trail = PixelVector::new(-1.5, 0.25);
        Measures {
            pixels: PixelFacts {
                saturation: 0.9,
                developed: true,
                warnings: vec![crate::error::Warning::new("a doubt")],
            },
            field: StarField {
                width: 640,
                height: 480,
                stars: vec![star(None), star(Some(trail))],
                background,
                noise: 0.01,
                fwhm: Some(width),
                trail: Some(FrameTrail {
                    vector: trail,
                    covariance: tensor,
                    length: width,
                    angle: AxialAngle::of(trail),
                    angle_sigma: Angle::from_deg(3.0),
                    n_stars: 2,
                }),
                lens: Some(LensShape {
                    corner: width,
                    stretch: Stretch::Around,
                    turn_told: true,
                }),
                rejected: Rejected {
                    hot_pixels: 3,
                    longest_line: Some(LightLine {
                        from: place,
                        to: place,
                    }),
                    ..Rejected::default()
                },
            },
            stacked: Some(StackedStar {
                side: 2,
                cells_per_pixel: 1,
                light: vec![0.1, 0.2, 0.3, 1.0],
                n_stars: 2,
            }),
        }
    }

    fn cache(place: &Path) -> MeasureCache {
        MeasureCache::new(place, USUAL_LIMIT_BYTES, SystemTime::UNIX_EPOCH)
    }

    #[test]
    fn keys_part_content_format_and_measuring() {
        let keys = [
            ContentKey::by("one", ("JPEG", b"ab")),
            ContentKey::by("two", ("JPEG", b"ab")),
            ContentKey::by("one", ("TIFF", b"ab")),
            ContentKey::by("one", ("JPEG", b"ac")),
            ContentKey::by("oneJ", ("PEG", b"ab")),
        ];
        for (nth, one) in keys.iter().enumerate() {
            assert!(keys[..nth].iter().all(|other| other != one));
        }
    }

    #[test]
    fn what_was_kept_comes_back_and_nothing_else() {
        let place = tempfile::tempdir().unwrap();
        let kept = measures(0.25);
        cache(place.path()).put(&key(b"a"), &kept);
        assert_eq!(cache(place.path()).get(&key(b"a")), Some(kept));
        assert_eq!(cache(place.path()).get(&key(b"b")), None);
    }

    #[test]
    fn an_entry_under_another_name_counts_as_absent() {
        let place = tempfile::tempdir().unwrap();
        let cache = cache(place.path());
        cache.put(&key(b"a"), &measures(0.25));
        fs::rename(cache.path_of(&key(b"a")), cache.path_of(&key(b"b"))).unwrap();
        assert_eq!(cache.get(&key(b"b")), None);
    }

    #[test]
    fn a_folder_that_cannot_be_made_is_told_once_and_harms_nothing() {
        let place = tempfile::tempdir().unwrap();
        let file = place.path().join("file");
        fs::write(&file, "x").unwrap();
        let cache = cache(&file);
        cache.put(&key(b"a"), &measures(0.25));
        assert_eq!(cache.get(&key(b"a")), None);
        let trouble = cache.trouble().unwrap();
        assert!(trouble.context.contains("measures of frames"), "{trouble}");
        cache.prune();
        assert_eq!(fs::read(&file).unwrap(), b"x");
    }

    #[test]
    fn runs_at_once_and_a_folder_deleted_meanwhile_do_no_harm() {
        let place = tempfile::tempdir().unwrap();
        std::thread::scope(|scope| {
            for _ in 0..3 {
                scope.spawn(|| {
                    let cache = cache(place.path());
                    for k in 0..40_u8 {
                        let (key, kept) = (key(&[k]), measures(f64::from(k)));
                        cache.put(&key, &kept);
                        assert!(cache.get(&key).is_none_or(|found| found == kept));
                        cache.prune();
                        if k % 16 == 15 {
                            let _ = fs::remove_dir_all(cache.folder());
                        }
                    }
                });
            }
        });
    }
}
