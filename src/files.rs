//! Reads plans and writes kept looks on a thread of its own, so that a slow disk holds up nothing.

use std::ffi::OsString;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError};
use std::time::Duration;

use crate::clock::{Clock, SystemClock};
use crate::control::{Failure, FailureKind, Inbound};
use crate::engine::{Kept, NotKept, Ticket};
use crate::plan::diagnose::{Form, render};
use crate::plan::load;
use crate::protect_file::ProtectFile;
use crate::state_file::{self, When};

/// How often the machine's protect file is looked at.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Work for the files thread.
#[derive(Debug)]
pub enum Job {
    /// Read a plan again.
    ReadPlan {
        /// The request it is for.
        ticket: Ticket,
        /// The plan's file.
        path: PathBuf,
    },
    /// Write a kept look beside its plan.
    WriteLook {
        /// The request it is for.
        ticket: Ticket,
        /// The plan's file.
        plan: PathBuf,
        /// The look's name: letters, digits and `-`.
        name: String,
        /// The file's text.
        text: String,
    },
    /// Write the machine's protect file.
    WriteProtect {
        /// The engine's action that asks for it.
        serial: u64,
        /// What it is to say.
        on: bool,
        /// When, for a person: RFC 3339.
        written: String,
    },
    /// Keep the set's state. Nobody waits for it.
    WriteState(Box<StateToWrite>),
}

/// A set's state on its way to the disk.
#[derive(Debug)]
pub struct StateToWrite {
    /// The set's state folder.
    pub folder: PathBuf,
    /// What is kept.
    pub kept: Box<Kept>,
    /// When it was so.
    pub when: When,
    /// Set while it is on its way: the next one waits till then.
    pub busy: Arc<AtomicBool>,
}

/// Hands the state to the files thread, one at a time: while the disk is busy the newest waits and older
/// ones are dropped, so a slow disk gets neither a queue nor the engine's time.
#[derive(Debug)]
pub struct StateWriter {
    folder: Option<PathBuf>,
    jobs: SyncSender<Job>,
    busy: Arc<AtomicBool>,
    waiting: Option<(Box<Kept>, When)>,
}

impl StateWriter {
    /// For the state folder of one set; `None`: nothing is kept.
    #[must_use]
    pub fn new(folder: Option<PathBuf>, jobs: SyncSender<Job>) -> Self {
        Self { folder, jobs, busy: Arc::default(), waiting: None }
    }

    /// Takes the newest state. Never blocks.
    pub fn keep(&mut self, kept: Box<Kept>, when: When) {
        self.waiting = Some((kept, when));
        self.go_on();
    }

    /// Hands on what waits, if the disk is free. Never blocks; cheap enough for every frame.
    pub fn go_on(&mut self) {
        if self.waiting.is_none() || self.busy.load(Ordering::Acquire) {
            return;
        }
        let Some(job) = self.job() else { return };
        match self.jobs.try_send(job) {
            Ok(()) => {}
            Err(TrySendError::Full(job) | TrySendError::Disconnected(job)) => {
                self.busy.store(false, Ordering::Release);
                if let Job::WriteState(state) = job {
                    self.waiting = Some((state.kept, state.when));
                }
            }
        }
    }

    /// Hands on what waits, however long the disk takes: for the end, when no frame waits any more.
    pub fn finish(&mut self) {
        if let Some(job) = self.job() {
            // Where the files thread is gone there is no disk to write to.
            let _ = self.jobs.send(job);
        }
    }

    fn job(&mut self) -> Option<Job> {
        let folder = self.folder.clone()?;
        let (kept, when) = self.waiting.take()?;
        self.busy.store(true, Ordering::Release);
        Some(Job::WriteState(Box::new(StateToWrite { folder, kept, when, busy: Arc::clone(&self.busy) })))
    }
}

/// Does jobs one by one until nobody can hand any in.
///
/// In between it looks at the machine's protect file, and tells what another set has written there.
pub fn work(jobs: &Receiver<Job>, engine: &SyncSender<Inbound>, mut protect: Option<ProtectFile>) {
    let mut fault = None;
    let clock = SystemClock::start();
    let mut looked = clock.now();
    loop {
        if clock.now().after(looked) >= LOOK_EVERY {
            looked = clock.now();
            if let Some(found) = protect.as_mut().and_then(ProtectFile::news) {
                let _ = engine.send(Inbound::Protect(found));
            }
        }
        let job = match jobs.recv_timeout(LOOK_EVERY.saturating_sub(clock.now().after(looked))) {
            Ok(job) => job,
            Err(RecvTimeoutError::Timeout) => continue,
            Err(RecvTimeoutError::Disconnected) => return,
        };
        let done = match job {
            Job::WriteProtect { serial, on, written } => {
                let none = || NotKept::Failed("no state folder: set LAMPKEEP_STATE".to_owned());
                let result = protect.as_mut().map_or_else(|| Err(none()), |file| file.write(on, &written));
                Inbound::ProtectKept(serial, result)
            }
            Job::WriteState(state) => match write_state(&state, &mut fault) {
                Some(news) => Inbound::StateWritten(news),
                None => continue,
            },
            Job::ReadPlan { ticket, path } => Inbound::PlanRead(ticket, read(&path)),
            Job::WriteLook { ticket, plan, name, text } => {
                Inbound::LookWritten(ticket, write_look(&plan, &name, &text))
            }
        };
        // Where the engine is gone nobody waits for this, and its last state is still to be kept.
        let _ = engine.send(done);
    }
}

/// Writes the state. Gives what is new of it: that it begins to fail, or works again.
fn write_state(state: &StateToWrite, fault: &mut Option<String>) -> Option<Result<(), String>> {
    let text = state_file::text(&state.kept, &state.when);
    let place = state.folder.join(state_file::NAME);
    let done = match write_file(&state.folder, state_file::NAME, &text) {
        Ok(()) => None,
        Err(e) => Some(format!("{}: {e}", place.display())),
    };
    state.busy.store(false, Ordering::Release);
    let news = match (&*fault, &done) {
        (None, Some(why)) => Some(Err(why.clone())),
        (Some(_), None) => Some(Ok(())),
        _ => None,
    };
    *fault = done;
    news
}

fn read(path: &Path) -> Result<Arc<crate::plan::Plan>, Failure> {
    load::load(path).map(Arc::new).map_err(|report| Failure {
        kind: FailureKind::PlanErrors,
        said: format!("the plan was not taken, the light stays as it is\n{}", render(&report, Form::Plain)),
        hint: Some(format!("mend it, see `lampkeep check {}`, then `lampkeep reload`", path.display())),
    })
}

/// Writes `STEM.looks/NAME.toml` whole or not at all: a new file, synced, then renamed over the old.
fn write_look(plan: &Path, name: &str, text: &str) -> Result<(), Failure> {
    let folder = load::kept_folder(plan);
    write_whole(&folder, name, text).map_err(|e| Failure {
        kind: FailureKind::Files,
        said: format!("{} was not written: {e}", folder.join(format!("{name}.toml")).display()),
        hint: Some(
            "the light is as it was; make room or set the folder's owner, then keep it again".to_owned(),
        ),
    })
}

/// Writes `FOLDER/NAME.toml` whole or not at all: a new file, synced, then renamed over the old.
///
/// Makes the folder where it is not there. Errors: those of the file system; no half file is left.
pub fn write_whole(folder: &Path, name: &str, text: &str) -> std::io::Result<()> {
    write_file(folder, &format!("{name}.toml"), text)
}

/// Writes `FOLDER/NAME` whole or not at all, as [`write_whole`] does.
///
/// Errors: those of the file system; no half file is left.
pub fn write_file(folder: &Path, name: &str, text: &str) -> std::io::Result<()> {
    write_through(folder, name.as_ref(), format!(".{name}.part").as_ref(), text)
}

/// Writes the file that a person names whole or not at all, as [`write_whole`] does.
///
/// Errors: as for [`replaceable`], and those of the file system; no half file is left.
pub fn write_path(path: &Path, text: &str) -> std::io::Result<()> {
    replaceable(path)?;
    let name = path.file_name().ok_or_else(|| wrong("it is no file's name"))?;
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut part = OsString::from(".");
    part.push(name);
    part.push(".part");
    write_through(folder, Path::new(name), Path::new(&part), text)
}

/// Whether a file may come to stand under this name: a file takes the place of a file, never of a pipe or a device.
///
/// Errors: `InvalidInput` where one of those stands there.
pub fn replaceable(path: &Path) -> std::io::Result<()> {
    match std::fs::metadata(path) {
        Ok(about) if !about.is_file() && !about.is_dir() => {
            Err(wrong("a pipe or a device stands there, name a file"))
        }
        _ => Ok(()),
    }
}

fn wrong(said: &str) -> std::io::Error {
    std::io::Error::new(std::io::ErrorKind::InvalidInput, said)
}

/// The same by way of a part file of this name, for files that more than one process writes.
///
/// Errors: those of the file system; no half file is left.
pub fn write_through(folder: &Path, name: &Path, part: &Path, text: &str) -> std::io::Result<()> {
    let target = folder.join(name);
    let part = folder.join(part);
    let write = || -> std::io::Result<()> {
        std::fs::create_dir_all(folder)?;
        // Left by a crash, or put there by somebody: what is written into is this process's own.
        let _ = std::fs::remove_file(&part);
        let mut file = std::fs::File::options().write(true).create_new(true).open(&part)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        std::fs::rename(&part, &target)?;
        // The rename itself must be on the disk before anyone is told that the file is there.
        std::fs::File::open(folder)?.sync_all()
    };
    write().inspect_err(|_| {
        // Half a file on a full disk would take the room that the next try needs. Where none was made
        // there is none to remove.
        let _ = std::fs::remove_file(&part);
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_look_that_cannot_be_put_in_place_leaves_no_half_file_behind() {
        let dir = tempfile::tempdir().expect("a folder");
        let plan = dir.path().join("set.toml");
        let folder = load::kept_folder(&plan);
        // A folder stands where the file should go, so the rename fails after the writing.
        std::fs::create_dir_all(folder.join("found.toml")).expect("made");
        let failure = write_look(&plan, "found", "[look.found]\n").expect_err("it is in the way");
        assert_eq!(failure.kind, FailureKind::Files);
        assert!(failure.said.contains("found.toml was not written"), "{}", failure.said);
        let left: Vec<_> = std::fs::read_dir(&folder).expect("there").map_while(Result::ok).collect();
        assert_eq!(left.len(), 1, "{left:?}");
    }

    /// As root a rename would put a file in the place of /dev/null.
    #[test]
    fn a_file_takes_the_place_of_no_device() {
        let dir = tempfile::tempdir().expect("a folder");
        let device = dir.path().join("nothing");
        std::os::unix::fs::symlink("/dev/null", &device).expect("made");
        let said = write_path(&device, "x").expect_err("a device").to_string();
        assert_eq!(said, "a pipe or a device stands there, name a file");
        assert!(write_path(Path::new("/"), "x").is_err());
        write_path(&dir.path().join("sheet.csv"), "x").expect("written");
        let mut left: Vec<_> =
            std::fs::read_dir(&dir).expect("there").flatten().map(|e| e.file_name()).collect();
        left.sort();
        assert_eq!(left, ["nothing", "sheet.csv"]);
    }

    #[test]
    fn a_written_look_replaces_the_old_one_whole() {
        let dir = tempfile::tempdir().expect("a folder");
        let plan = dir.path().join("set.toml");
        for text in ["[look.found]\nabout = \"a longer first one\"\n", "[look.found]\n"] {
            write_look(&plan, "found", text).expect("written");
            let file = load::kept_folder(&plan).join("found.toml");
            assert_eq!(std::fs::read_to_string(file).expect("there"), text);
        }
    }
}
