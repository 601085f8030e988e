//! Keeps the page up to date: looks at the folder, answers, and does what the page asks for.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};

use tokio::sync::{oneshot, watch};

use super::Host;
use super::page;
use super::shown::{Place, Shown};
use crate::error::{Error, ErrorKind, Warned};
use crate::live::{LiveNight, Look, Notice, Waker};
use crate::pipeline::Progress;
use crate::report::{NightReport, html};

/// What a page may ask for.
#[derive(Debug)]
pub(super) enum Wish {
    /// The axis was moved: the frames that follow are another alignment.
    NoteMove,
    /// It was not.
    TakeMoveBack,
    /// The answer as it was for this alignment; `None` for the last.
    Choose(Option<String>),
    /// A frame that will come belongs to the stretch after so many moves.
    Put(PathBuf, usize),
}

/// A wish with the way back.
type Command = (Wish, oneshot::Sender<Result<(), Error>>);

/// Where requests find what is shown and leave their wishes.
#[derive(Debug, Clone)]
pub(super) struct Desk {
    pub(super) root: Arc<Path>,
    pub(super) shown: watch::Receiver<Arc<Shown>>,
    commands: Sender<Command>,
    waker: Waker,
}

impl Desk {
    /// Has a wish done.
    ///
    /// # Errors
    /// Those of the wish, and when nobody is there any more to do it.
    pub(super) async fn ask(&self, wish: Wish) -> Result<(), Error> {
        let gone = || Error::new(ErrorKind::Io, "the night's folder is no longer looked at");
        let (reply, answer) = oneshot::channel();
        self.commands.send((wish, reply)).map_err(|_| gone())?;
        self.waker.wake();
        answer.await.unwrap_or_else(|_| Err(gone()))
    }
}

/// Looks at the folder and keeps what is shown.
pub(super) struct Keeper {
    night: LiveNight,
    notice: Notice,
    commands: Receiver<Command>,
    shown: watch::Sender<Arc<Shown>>,
    chosen: Option<String>,
    arriving: Vec<PathBuf>,
    report: Option<Warned<NightReport>>,
}

impl Keeper {
    /// A keeper and the desk in front of it.
    pub(super) fn new(night: LiveNight, notice: Notice) -> (Self, Desk) {
        let (commands, wishes) = channel();
        let (shown, seen) = watch::channel(Arc::new(Shown::default()));
        let desk = Desk {
            root: night.root().into(),
            shown: seen,
            commands,
            waker: notice.waker(),
        };
        let keeper = Self {
            night,
            notice,
            commands: wishes,
            shown,
            chosen: None,
            arriving: Vec::new(),
            report: None,
        };
        (keeper, desk)
    }

    /// Works until the folder is gone or an answer cannot be handed over.
    pub(super) fn keep(mut self, host: &dyn Host, progress: &dyn Progress) -> Result<(), Error> {
        let mut is_first = true;
        loop {
            let asked = self.do_wishes();
            let look = self.night.look(progress)?;
            if look.is_new {
                self.report = self.night.answer();
                if let Some(report) = &self.report {
                    host.answer(report)?;
                }
            }
            let arriving = look.arriving != self.arriving;
            if asked || look.is_new || arriving || is_first {
                self.arriving.clone_from(&look.arriving);
                self.show(&look);
            }
            is_first = false;
            self.notice.wait(look.rest());
        }
    }

    /// Does what the pages asked for; whether they asked for anything.
    fn do_wishes(&mut self) -> bool {
        let mut any = false;
        while let Ok((wish, reply)) = self.commands.try_recv() {
            any = true;
            let done = match wish {
                Wish::NoteMove => self.night.note_move(),
                Wish::TakeMoveBack => self.night.take_move_back(),
                Wish::Put(file, stretch) => self.night.put(file, stretch),
                Wish::Choose(name) => {
                    self.chosen = name;
                    Ok(())
                }
            };
            // Whoever asked may have gone away meanwhile.
            let _ = reply.send(done);
        }
        any
    }

    fn show(&mut self, look: &Look) {
        let places = self.places();
        let is_there = |name: &String| places.iter().rev().skip(1).any(|one| one.name == *name);
        self.chosen = self.chosen.take().filter(is_there);
        let chosen = self.chosen.as_deref();
        let earlier = chosen
            .zip(self.report.as_ref())
            .and_then(|(name, now)| self.night.answer_up_to(name, &now.value));
        let report = earlier.as_ref().or(self.report.as_ref());
        let pieces = report.map_or_else(page::no_frames, html::pieces);
        let corrections = self.night.corrections();
        let moved = corrections
            .last()
            .map(|at| at.strftime("%H:%M UTC").to_string());
        let is_waiting = self.n_since_move() == Some(0);
        let version = self.shown.borrow().version + 1;
        let shown = Shown {
            version,
            status: page::status(self.report.as_ref(), look),
            answer: pieces.answer,
            sections: pieces.sections,
            chosen: places
                .iter()
                .position(|one| Some(one.name.as_str()) == chosen),
            places,
            moved,
            is_waiting,
        };
        self.shown.send_replace(Arc::new(shown));
    }

    /// Frames that came after the last noted move.
    fn n_since_move(&self) -> Option<usize> {
        let corrections = self.night.corrections();
        corrections.last()?;
        let last = corrections.stretch_of(Path::new(""));
        let files = self
            .night
            .files()
            .alignments
            .iter()
            .flat_map(|one| &one.files);
        Some(
            files
                .filter(|file| corrections.stretch_of(file) == last)
                .count(),
        )
    }

    /// The alignments in the order of the report; those without a usable frame last.
    fn places(&self) -> Vec<Place> {
        let named = |name: &str| {
            let alignments = self.report.iter().flat_map(|one| &one.value.alignments);
            alignments
                .enumerate()
                .find(|(_, one)| one.name == name)
                .map(|(at, _)| at)
        };
        let mut places: Vec<Place> = self
            .night
            .files()
            .alignments
            .iter()
            .filter_map(|one| {
                let first = one.files.first()?;
                Some(Place {
                    name: one.name.clone(),
                    folder: first.parent().map(Path::to_path_buf).unwrap_or_default(),
                    stretch: self.night.corrections().stretch_of(first),
                })
            })
            .collect();
        places.sort_by_key(|place| named(&place.name).unwrap_or(usize::MAX));
        places
    }
}
