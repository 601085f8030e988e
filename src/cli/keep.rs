//! `settings`: prints a commented settings file, says which ones hold here, or writes one.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::error::{Error, ErrorKind};
use crate::whole::{self, Lasting, Standing};

use super::Outcome;
use super::refuse::printable;
use super::settings_file::{EXAMPLE, FILE_NAME, in_folder, of_user};
use super::terminal;

/// Flags of `settings`.
#[derive(Debug, Clone, Default, Args)]
#[command(after_help = "\
Options win over the file in the night's folder, and that over the one in your configuration folder.
Commands without a folder take the one you are in for the night's.

  stillpoint settings                    print an example with all settings
  stillpoint settings --write            write it into your configuration folder
  stillpoint settings --write tonight    write it into the folder tonight
  stillpoint settings --where            say where the files are looked for

Nothing is ever written over.")]
pub struct SettingsArgs {
    /// Write the example into a folder [default: your configuration folder]
    #[arg(long, value_name = "FOLDER", num_args = 0..=1)]
    pub write: Option<Option<PathBuf>>,

    /// Say where settings files are looked for, and which are there
    #[arg(long = "where", conflicts_with = "write")]
    pub locate: bool,
}

/// Prints, locates or writes.
///
/// # Errors
/// When a file is there already or cannot be written.
pub fn run(args: &SettingsArgs) -> Result<Outcome, Error> {
    let text = match &args.write {
        None if args.locate => places(),
        None => EXAMPLE.to_owned(),
        Some(folder) => {
            let path = write(folder.as_deref())?;
            format!("written: {}\n", printable(&path.display().to_string()))
        }
    };
    terminal::print(&text)?;
    Ok(Outcome::Answered)
}

fn places() -> String {
    let mut text = String::new();
    let line = |what: &str, path: &Path| {
        let state = if path.is_file() { "there" } else { "not there" };
        format!(
            "{what}: {} ({state})\n",
            printable(&path.display().to_string())
        )
    };
    text.push_str(&line("this folder", &in_folder(Path::new("."))));
    match of_user() {
        Some(path) => text.push_str(&line("yours", &path)),
        None => text.push_str("yours: nowhere, the system names no home folder\n"),
    }
    text
}

/// Writes the example where no file stands yet.
fn write(folder: Option<&Path>) -> Result<PathBuf, Error> {
    let path = match folder {
        Some(folder) if !folder.is_dir() => {
            let name = printable(&folder.display().to_string());
            return Err(
                Error::new(ErrorKind::BadSetting, format!("{name} is no folder"))
                    .with_hint("give the night's folder, or none for your configuration folder"),
            );
        }
        Some(folder) => in_folder(folder),
        None => of_user().ok_or_else(|| {
            Error::new(ErrorKind::Io, "the system names no home folder").with_hint(format!(
                "stillpoint settings > {FILE_NAME} writes it where you are"
            ))
        })?,
    };
    let name = printable(&path.display().to_string());
    let refused = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => Error::new(
            ErrorKind::BadSetting,
            format!("{name} is there already and stays as it is"),
        )
        .with_hint("stillpoint settings prints the example; copy from it what you need"),
        _ => whole::refused(&path, "the settings", &error),
    };
    if let Some(parent) = path.parent() {
        whole::clear_leftovers(parent);
        std::fs::create_dir_all(parent).map_err(refused)?;
    }
    whole::write(&path, EXAMPLE.as_bytes(), Standing::Kept, Lasting::Written).map_err(refused)?;
    Ok(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_example_is_written_once_and_never_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = write(Some(folder.path())).unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), EXAMPLE);
        std::fs::write(&path, "mine").unwrap();
        let error = write(Some(folder.path())).unwrap_err();
        assert!(error.context.contains("is there already"), "{error}");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "mine");
        let none = write(Some(&folder.path().join("nowhere"))).unwrap_err();
        assert!(none.context.contains("is no folder"), "{none}");
    }

    #[test]
    fn the_declared_flags_are_sound() {
        SettingsArgs::augment_args(clap::Command::new("settings")).debug_assert();
    }
}
