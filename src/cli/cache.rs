//! `--cache` and `--no-cache`: where the measures of frames are kept from run to run.

use std::path::PathBuf;
use std::time::SystemTime;

use clap::Args;
use jiff::Timestamp;

use crate::cache::{MeasureCache, USUAL_LIMIT_BYTES};

use super::home;
use super::terminal;

/// Flags about kept measures.
#[derive(Debug, Clone, Default, Args)]
pub struct CacheArgs {
    /// Keep the measures of frames in this folder, so that a rerun measures new frames only [default: your cache folder]
    #[arg(long, value_name = "FOLDER", conflicts_with = "no_cache")]
    pub cache: Option<PathBuf>,

    /// Measure every frame anew and keep nothing
    #[arg(long)]
    pub no_cache: bool,
}

impl CacheArgs {
    /// The cache; `None` where none is wanted, and where the system names no place for one.
    pub fn open(&self) -> Option<MeasureCache> {
        if self.no_cache {
            return None;
        }
        let folder = self.cache.clone().or_else(home::cache_of_user)?;
        // A clock that is out of range only makes entries look old.
        let now = SystemTime::try_from(Timestamp::now()).unwrap_or(SystemTime::UNIX_EPOCH);
        Some(MeasureCache::new(&folder, USUAL_LIMIT_BYTES, now))
    }

    /// What a run that is interrupted says about the next.
    pub fn on_rerun(&self, cache: Option<&MeasureCache>) -> &'static str {
        match cache {
            Some(_) => {
                "run the same command again: frames measured so far are kept, and it goes on from there"
            }
            None if self.no_cache => {
                "nothing is kept with --no-cache; without it a rerun goes on where this one stopped"
            }
            None => {
                "nothing was kept, as the system names no cache folder; with --cache FOLDER a rerun goes on where this one stopped"
            }
        }
    }
}

/// After a run: the oldest measures go, and what could not be kept is told.
pub fn finish(cache: Option<&MeasureCache>) {
    let Some(cache) = cache else { return };
    cache.prune();
    if let Some(trouble) = cache.trouble() {
        terminal::print_error(&trouble);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_folder_is_the_one_that_was_named_or_none() {
        let place = tempfile::tempdir().unwrap();
        let args = CacheArgs {
            cache: Some(place.path().to_path_buf()),
            no_cache: false,
        };
        let cache = args.open().unwrap();
        assert!(cache.folder().starts_with(place.path()));
        assert!(args.on_rerun(Some(&cache)).contains("goes on"));
        let none = CacheArgs {
            cache: None,
            no_cache: true,
        };
        assert_eq!(none.open(), None);
        assert!(none.on_rerun(None).contains("--no-cache"));
    }
}
