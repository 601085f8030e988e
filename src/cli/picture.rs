//! `--picture`: a drawing into a file whose name tells the form.

use std::fs;
use std::path::Path;

use crate::error::{Error, ErrorKind};
use crate::report::drawing::Drawing;

use super::refuse::Wanted;

const WANTED: Wanted = Wanted {
    flag: "--picture",
    allowed: "a file name that ends in .svg or .png",
    example: "--picture trails.svg",
};

/// A file for a picture, in a form that its name tells.
#[derive(Debug, Clone, Copy)]
pub struct PictureFile<'a> {
    path: &'a Path,
    form: Form,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Svg,
    Png,
}

impl<'a> PictureFile<'a> {
    /// The file, if its name ends in a form that can be drawn.
    ///
    /// # Errors
    /// Any other ending.
    pub fn checked(path: &'a Path) -> Result<Self, Error> {
        let ending = path.extension().and_then(|ending| ending.to_str());
        let form = match ending.map(str::to_ascii_lowercase).as_deref() {
            Some("svg") => Form::Svg,
            Some("png") => Form::Png,
            _ => {
                let found = path.display().to_string();
                return Err(WANTED.refuse(&found, "the ending tells the form"));
            }
        };
        Ok(Self { path, form })
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
        fs::write(self.path, bytes).map_err(|error| {
            Error::new(ErrorKind::Io, format!("{}: {error}", self.path.display()))
                .with_hint("name a file in a folder that exists and that you may write to")
        })
    }
}
