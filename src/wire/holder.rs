//! Which program holds a port.

use std::fmt;
use std::path::Path;

/// A program that has a port open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holder {
    /// Its name, at most 15 bytes of it (proc(5), `comm`).
    pub name: String,
    /// Its process id.
    pub process: u32,
    /// True if it is this very process.
    pub own: bool,
}

impl fmt::Display for Holder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}` (process {})", self.name, self.process)
    }
}

/// The program that has a device file open; `None` where there is none, or the system hides it: only root
/// sees what the programs of others have open. Another program goes before this one.
#[must_use]
pub fn holder(port: &Path) -> Option<Holder> {
    holder_in(Path::new("/proc"), port, std::process::id())
}

fn holder_in(proc: &Path, port: &Path, own: u32) -> Option<Holder> {
    let port = std::fs::canonicalize(port).ok()?;
    let mut found = None;
    for entry in std::fs::read_dir(proc).ok()?.flatten() {
        let Some(process) = entry.file_name().to_str().and_then(|name| name.parse::<u32>().ok()) else {
            continue;
        };
        let Ok(open) = std::fs::read_dir(entry.path().join("fd")) else { continue };
        // Links are read, never followed: what they lead to may be a disk that does not answer.
        if !open.flatten().any(|fd| std::fs::read_link(fd.path()).is_ok_and(|file| file == port)) {
            continue;
        }
        let name = std::fs::read_to_string(entry.path().join("comm")).unwrap_or_default();
        found = Some(Holder { name: name.trim().to_owned(), process, own: process == own });
        if process != own {
            break;
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: proc(5): `PID/fd/N` are links to what is open, `PID/comm` is the name.
    #[test]
    fn the_program_that_has_a_port_open_is_named_and_others_go_before_ourselves() {
        let folder = tempfile::tempdir().unwrap();
        let (proc, port) = (folder.path().join("proc"), folder.path().join("ttyUSB0"));
        std::fs::write(&port, "").unwrap();
        let process = |id: u32, name: &str, file: &Path| {
            let fd = proc.join(id.to_string()).join("fd");
            std::fs::create_dir_all(&fd).unwrap();
            std::fs::write(proc.join(id.to_string()).join("comm"), format!("{name}\n")).unwrap();
            std::os::unix::fs::symlink(file, fd.join("3")).unwrap();
        };
        std::fs::create_dir_all(proc.join("self")).unwrap();
        process(10, "other", Path::new("/dev/null"));
        assert_eq!(holder_in(&proc, &port, 1), None);
        process(30, "lampkeep", &std::fs::canonicalize(&port).unwrap());
        assert!(holder_in(&proc, &port, 30).unwrap().own);
        process(71, "terminal", &std::fs::canonicalize(&port).unwrap());
        let found = holder_in(&proc, &port, 30).unwrap();
        assert_eq!(found.to_string(), "`terminal` (process 71)");
        assert!(!found.own);
        // By another name it is the same port.
        let link = folder.path().join("by-id");
        std::os::unix::fs::symlink(&port, &link).unwrap();
        assert_eq!(holder_in(&proc, &link, 30), Some(found));
    }
}
