//! Files whose place somebody else may have filled: whatever stands there, nobody waits for it, and no more of it is
//! read than is asked for.

use std::fs::File;
use std::io::{Error, ErrorKind, Read, Result, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use rustix::fs::OFlags;

/// Opens a plain file for reading. A pipe or a device could keep us waiting for ever, and one that is only opened may
/// already do something.
///
/// Errors: those of the file system; `IsADirectory` for a folder; `InvalidInput` for what else is no plain file.
pub fn open(path: &Path) -> Result<File> {
    // By its name first, so that no device is opened at all; then what was opened, which is what is read.
    plain(&std::fs::metadata(path)?)?;
    let file = File::options().read(true).custom_flags(flags(OFlags::NONBLOCK)).open(path)?;
    plain(&file.metadata()?)?;
    Ok(file)
}

fn plain(about: &std::fs::Metadata) -> Result<()> {
    match about {
        _ if about.is_file() => Ok(()),
        _ if about.is_dir() => Err(Error::new(ErrorKind::IsADirectory, "it is a folder, not a file")),
        _ => Err(Error::new(ErrorKind::InvalidInput, "it is no plain file")),
    }
}

/// A plain file whole, of `most` bytes at most.
///
/// Errors: as for [`open`]; `FileTooLarge` for a longer one.
pub fn read(path: &Path, most: u64) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open(path)?.take(most.saturating_add(1)).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most {
        return Err(Error::new(
            ErrorKind::FileTooLarge,
            format!("it has more than {most} bytes, the most allowed"),
        ));
    }
    Ok(bytes)
}

/// A plain file whole as text, of `most` bytes at most.
///
/// Errors: as for [`read`]; `InvalidData` for what is not UTF-8.
pub fn read_text(path: &Path, most: u64) -> Result<String> {
    String::from_utf8(read(path, most)?)
        .map_err(|_| Error::new(ErrorKind::InvalidData, "it is not UTF-8 text"))
}

/// Writes a plain file anew, at once and unsynced: for what is worth nothing after a crash of the machine. A link is not
/// followed.
///
/// Errors: those of the file system; `InvalidInput` for what is no plain file.
pub fn overwrite(path: &Path, text: &str) -> Result<()> {
    let flags = flags(OFlags::NONBLOCK | OFlags::NOFOLLOW);
    let mut file = File::options()
        .write(true)
        .create(true)
        .truncate(false)
        .mode(0o640)
        .custom_flags(flags)
        .open(path)?;
    plain(&file.metadata()?)?;
    file.set_len(0)?;
    file.write_all(text.as_bytes())
}

fn flags(flags: OFlags) -> i32 {
    i32::try_from(flags.bits()).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whoever opens a pipe that nobody writes into waits for ever (fifo(7)); /dev/zero never ends (zero(4)).
    #[test]
    fn a_pipe_a_device_or_a_folder_is_refused_at_once_and_a_long_file_is_not_read_whole() {
        let dir = tempfile::tempdir().unwrap();
        let pipe = dir.path().join("pipe");
        let mode = rustix::fs::Mode::RUSR;
        rustix::fs::mknodat(rustix::fs::CWD, &pipe, rustix::fs::FileType::Fifo, mode, 0).unwrap();
        for (path, kind) in [
            (pipe.as_path(), ErrorKind::InvalidInput),
            (Path::new("/dev/zero"), ErrorKind::InvalidInput),
            (dir.path(), ErrorKind::IsADirectory),
            (&dir.path().join("none"), ErrorKind::NotFound),
        ] {
            assert_eq!(read(path, 100).unwrap_err().kind(), kind, "{}", path.display());
        }
        let file = dir.path().join("file");
        std::fs::write(&file, "tide table").unwrap();
        assert_eq!(read_text(&file, 10).unwrap(), "tide table");
        assert_eq!(read(&file, 9).unwrap_err().kind(), ErrorKind::FileTooLarge);
        std::fs::write(&file, [0xff]).unwrap();
        assert_eq!(read_text(&file, 9).unwrap_err().kind(), ErrorKind::InvalidData);
        overwrite(&file, "ebb").unwrap();
        assert_eq!(read_text(&file, 9).unwrap(), "ebb");
        std::fs::write(&file, [0xff]).unwrap();
        assert!(overwrite(&pipe, "x").is_err());
        // By another name it is the same file.
        let link = dir.path().join("link");
        std::os::unix::fs::symlink(&file, &link).unwrap();
        assert_eq!(read(&link, 9).unwrap(), [0xff]);
        assert!(overwrite(&link, "x").is_err());
    }
}
