//! The machine's protect file: one for every set, at the top of the state folder.
//!
//! Read at every start and looked at about once a second, so that what one set turns on binds all others. What
//! cannot be read counts as on. Written whole or not at all; off is written only over what was last seen, so
//! that it never undoes an on that another set has just written. The simulator has a file of its own.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::engine::{NotKept, ProtectFound};
use crate::words::fitted;
use crate::{files, plain_file};

/// The file, for lamps.
const NAME: &str = "protect.json";
/// The file, for simulated sets.
const NAME_SIMULATED: &str = "protect.simulated.json";
/// Longest text that is taken, in bytes; ours have a tenth of it.
const LONGEST: u64 = 4096;
/// Layout of the file.
const VERSION: u32 = 1;

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    version: u32,
    on: bool,
    /// RFC 3339, UTC: for a person; nothing is reckoned from it.
    written: String,
    /// Counts up with every write, so that no two are alike.
    count: u64,
}

/// The file and what was last seen in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProtectFile {
    folder: PathBuf,
    name: &'static str,
    /// What was last read or written here; `None`: there was no file.
    seen: Option<Result<String, String>>,
}

impl ProtectFile {
    /// The file in the top of the state folder.
    #[must_use]
    pub fn new(top: &Path, simulated: bool) -> Self {
        let name = if simulated { NAME_SIMULATED } else { NAME };
        Self { folder: top.to_owned(), name, seen: None }
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> PathBuf {
        self.folder.join(self.name)
    }

    /// What it says, and notes it as seen.
    #[must_use]
    pub fn read(&mut self) -> ProtectFound {
        self.seen = self.load();
        match &self.seen {
            None => ProtectFound::Off,
            Some(Ok(text)) => said(text),
            Some(Err(why)) => ProtectFound::Unreadable(why.clone()),
        }
    }

    /// What it says if that is not what was seen last.
    #[must_use]
    pub fn news(&mut self) -> Option<ProtectFound> {
        let now = self.load();
        if now == self.seen {
            return None;
        }
        self.seen.clone_from(&now);
        Some(if now.is_none() { ProtectFound::Gone } else { self.read() })
    }

    /// Writes it: a new file, synced, then renamed over the old, and the folder synced.
    ///
    /// Errors: `Changed` where off would undo what another set wrote meanwhile; `Failed` with the file system's
    /// words.
    pub fn write(&mut self, on: bool, written: &str) -> Result<(), NotKept> {
        let now = self.load();
        let changed = now != self.seen && now.is_some();
        if !on && changed {
            self.seen = now;
            return Err(NotKept::Changed);
        }
        let count = match &now {
            Some(Ok(text)) => serde_json::from_str::<Kept>(text).map_or(0, |k| k.count),
            _ => 0,
        };
        let kept = Kept { version: VERSION, on, written: written.to_owned(), count: count.wrapping_add(1) };
        let text = serde_json::to_string_pretty(&kept).map_err(|e| NotKept::Failed(e.to_string()))? + "\n";
        // Two sets may write at once: each its own part.
        let part = format!(".{}.{}.part", self.name, std::process::id());
        files::write_through(&self.folder, self.name.as_ref(), part.as_ref(), &text)
            .map_err(|e| NotKept::Failed(format!("{}: {e}", self.path().display())))?;
        self.seen = Some(Ok(text));
        Ok(())
    }

    /// The text, or why it cannot be read; `None` where there is no file.
    fn load(&self) -> Option<Result<String, String>> {
        let path = self.path();
        match plain_file::read_text(&path, LONGEST) {
            Ok(text) => Some(Ok(text)),
            // Where there is no folder nothing can have been written; any other fault hides what was.
            Err(e) if matches!(e.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => None,
            Err(e) => Some(Err(format!("{}: {e}", path.display()))),
        }
    }
}

fn said(text: &str) -> ProtectFound {
    match serde_json::from_str::<Kept>(text) {
        Ok(kept) if kept.version != VERSION => ProtectFound::Unreadable(format!(
            "it is of version {}, this lampkeep reads {VERSION}",
            kept.version
        )),
        Ok(kept) if kept.on => ProtectFound::On,
        Ok(_) => ProtectFound::Off,
        // It may quote the file.
        Err(e) => ProtectFound::Unreadable(format!(
            "it is not what lampkeep writes: {}",
            fitted(e.to_string(), 300)
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const THEN: &str = "2026-05-04T10:00:00Z";

    fn folder() -> (tempfile::TempDir, ProtectFile) {
        let dir = tempfile::tempdir().unwrap();
        let file = ProtectFile::new(dir.path(), false);
        (dir, file)
    }

    #[test]
    fn what_is_written_is_read_again_and_no_file_is_off() {
        let (dir, mut file) = folder();
        assert_eq!(file.read(), ProtectFound::Off);
        file.write(true, THEN).unwrap();
        assert_eq!(ProtectFile::new(dir.path(), false).read(), ProtectFound::On);
        assert_eq!(ProtectFile::new(dir.path(), true).read(), ProtectFound::Off, "the simulator's own");
        file.write(false, THEN).unwrap();
        assert_eq!(ProtectFile::new(dir.path(), false).read(), ProtectFound::Off);
        let left: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map_while(Result::ok).collect();
        assert_eq!(left.len(), 1, "{left:?}");
    }

    /// Source: the rule that what is not known counts as on. Cut at every byte of the write.
    #[test]
    fn whatever_is_damaged_counts_as_on() {
        let (_dir, mut file) = folder();
        file.write(false, THEN).unwrap();
        let whole = std::fs::read_to_string(file.path()).unwrap();
        let body = whole.trim_end().len();
        for cut in 0..body {
            std::fs::write(file.path(), &whole[..cut]).unwrap();
            assert!(matches!(file.read(), ProtectFound::Unreadable(_)), "cut at {cut}");
        }
        for bad in [whole.replace("\"version\": 1", "\"version\": 2"), whole.replace("false", "\"no\"")] {
            std::fs::write(file.path(), bad).unwrap();
            assert!(matches!(file.read(), ProtectFound::Unreadable(_)));
        }
        std::fs::write(file.path(), [0xff, 0xfe]).unwrap();
        assert!(matches!(file.read(), ProtectFound::Unreadable(_)));
        std::fs::remove_file(file.path()).unwrap();
        std::fs::create_dir(file.path()).unwrap();
        assert!(matches!(file.read(), ProtectFound::Unreadable(_)), "a folder");
        std::fs::remove_dir(file.path()).unwrap();
        // Nobody writes into the pipe, and nobody is waited for.
        let fifo = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, file.path(), fifo, rustix::fs::Mode::RUSR, 0).unwrap();
        let ProtectFound::Unreadable(why) = file.read() else { panic!("a pipe is no mark") };
        assert!(why.ends_with("protect.json: it is no plain file"), "{why}");
        assert_eq!(file.news(), None, "it is told once");
        std::fs::remove_file(file.path()).unwrap();
        std::fs::write(file.path(), [b' '; 5000]).unwrap();
        let ProtectFound::Unreadable(why) = file.read() else { panic!("longer than any mark") };
        assert!(why.ends_with("it has more than 4096 bytes, the most allowed"), "{why}");
    }

    #[test]
    fn another_set_s_write_is_news_once_and_our_own_is_none() {
        let (dir, mut ours) = folder();
        assert_eq!((ours.read(), ours.news()), (ProtectFound::Off, None));
        ours.write(true, THEN).unwrap();
        assert_eq!(ours.news(), None);
        let mut other = ProtectFile::new(dir.path(), false);
        assert_eq!(other.read(), ProtectFound::On);
        other.write(false, THEN).unwrap();
        assert_eq!((ours.news(), ours.news()), (Some(ProtectFound::Off), None));
        std::fs::remove_file(ours.path()).unwrap();
        assert_eq!((ours.news(), ours.news()), (Some(ProtectFound::Gone), None));
    }

    #[test]
    fn off_never_undoes_an_on_that_another_set_has_just_written() {
        let (dir, mut ours) = folder();
        ours.write(true, THEN).unwrap();
        let mut other = ProtectFile::new(dir.path(), false);
        assert_eq!(other.read(), ProtectFound::On);
        other.write(true, THEN).unwrap();
        assert_eq!(ours.write(false, THEN), Err(NotKept::Changed));
        assert_eq!(ProtectFile::new(dir.path(), false).read(), ProtectFound::On);
    }

    #[test]
    fn a_place_that_takes_nothing_is_told_with_its_path() {
        let dir = tempfile::tempdir().unwrap();
        let in_the_way = dir.path().join("state");
        std::fs::write(&in_the_way, "").unwrap();
        let mut file = ProtectFile::new(&in_the_way, false);
        let Err(NotKept::Failed(why)) = file.write(true, THEN) else { panic!("it is written") };
        assert!(why.contains("protect.json"), "{why}");
    }
}
