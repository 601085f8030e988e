//! `--picture`: a drawing into a file whose name tells the form.

use std::path::{Path, PathBuf};

use crate::error::Error;
use crate::report::drawing::Drawing;
use crate::whole::{self, Lasting, Standing};

use super::refuse::Wanted;

const WANTED: Wanted = Wanted {
    flag: "--picture",
    allowed: "a file name that ends in .svg or .png",
    example: "--picture trails.svg",
};

/// A file for a picture, in a form that its name tells.
#[derive(Debug, Clone)]
pub struct PictureFile {
    path: PathBuf,
    form: Form,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Svg,
    Png,
}

impl PictureFile {
    /// The file, if its name ends in a form that can be drawn.
    ///
    /// # Errors
    /// Any other ending.
    pub fn checked(path: &Path) -> Result<Self, Error> {
        let ending = path.extension().and_then(|ending| ending.to_str());
        let form = match ending.map(str::to_ascii_lowercase).as_deref() {
            Some("svg") => Form::Svg,
            Some("png") => Form::Png,
            _ => {
                let found = path.display().to_string();
                return Err(WANTED.refuse(&found, "the ending tells the form"));
            }
        };
        Ok(Self {
            path: path.to_path_buf(),
            form,
        })
    }

    /// The file's name.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The file for the nth of several pictures, from 0: `trails-03.png` of ten or more.
    pub fn numbered(&self, nth: usize, count: usize) -> Self {
        if count < 2 {
            return self.clone();
        }
        let digits = count.to_string().len();
        let part = |part: Option<&std::ffi::OsStr>| {
            part.map(|part| part.to_string_lossy().into_owned())
                .unwrap_or_default()
        };
        let (stem, ending) = (part(self.path.file_stem()), part(self.path.extension()));
        let name = format!("{stem}-{:0digits$}.{ending}", nth + 1);
        Self {
            path: self.path.with_file_name(name),
            form: self.form,
        }
    }

    /// Writes the drawing.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn write(&self, drawing: &Drawing) -> Result<(), Error> {
        let bytes = match self.form {
            Form::Svg => drawing.to_svg().into_bytes(),
            Form::Png => drawing.to_png(),
        };
        whole::clear_leftovers(whole::folder_of(&self.path));
        whole::write(&self.path, &bytes, Standing::Replaced, Lasting::Written)
            .map_err(|error| whole::refused(&self.path, "the picture", &error))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn several_pictures_are_numbered_in_their_order() {
        let file = PictureFile::checked(Path::new("out/trails.PNG")).unwrap();
        let names: Vec<PathBuf> = [(0, 1), (0, 2), (8, 12)]
            .map(|(nth, count)| file.numbered(nth, count).path)
            .into();
        let expected = ["out/trails.PNG", "out/trails-1.PNG", "out/trails-09.PNG"];
        assert_eq!(names, expected.map(PathBuf::from));
    }
}
