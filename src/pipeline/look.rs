//! One picture file through the first two stages, or through the kept measures of an earlier run.

use std::path::Path;

use crate::cache::{ContentKey, MeasureCache, Measures};
use crate::error::{Error, Warning};
use crate::frame::{Overrides, PictureFile, Plane};
use crate::stars::{measure_stars, stack_stars};

use super::gather::MeasuredFrame;

/// What is made of a frame's pixels beside its measures.
type OfPixels<'a, T> = Option<&'a (dyn Fn(&Plane) -> T + Sync)>;

/// What one file gave.
pub(super) struct Look<T> {
    /// Its stars and header.
    pub(super) frame: MeasuredFrame,
    /// What was made of its pixels, where that was asked for.
    pub(super) of_pixels: Option<T>,
    /// Doubts.
    pub(super) warnings: Vec<Warning>,
}

/// Measures a file, unless its content was measured before and nothing else is wanted of its pixels.
///
/// The outcome is the same, bit for bit, with kept measures and without. Pixels live only here.
pub(super) fn look_at<T>(
    path: &Path,
    name: String,
    overrides: &Overrides,
    cache: Option<&MeasureCache>,
    of_pixels: OfPixels<'_, T>,
) -> Result<Look<T>, Error> {
    let file = PictureFile::read(path)?;
    let kept = cache.map(|cache| (cache, ContentKey::of(&file)));
    let measures = match (kept, of_pixels) {
        (Some((cache, key)), None) => cache.get(&key),
        _ => None,
    };
    if let Some(measures) = measures {
        let header = file.header(overrides, Some(&measures.pixels))?;
        return Ok(Look {
            frame: MeasuredFrame {
                file: name,
                header: header.value.0,
                field: measures.field,
                stacked: measures.stacked,
                response: None,
            },
            of_pixels: None,
            warnings: header.warnings,
        });
    }
    let (frame, pixels) = file.frame(overrides)?;
    let (plane, header) = (frame.value.plane, frame.value.header);
    let field = measure_stars(&plane, header.saturation);
    let field = if pixels.developed {
        field.of_developed()
    } else {
        field
    };
    let measures = Measures {
        stacked: stack_stars(&plane, &field),
        pixels,
        field,
    };
    if let Some((cache, key)) = kept {
        cache.put(&key, &measures);
    }
    Ok(Look {
        of_pixels: of_pixels.map(|make| make(&plane)),
        frame: MeasuredFrame {
            file: name,
            header,
            field: measures.field,
            stacked: measures.stacked,
            response: None,
        },
        warnings: frame.warnings,
    })
}
