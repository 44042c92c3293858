//! Passwords, keys and certificates from files: read at each connection, refused where others may meddle.

use std::io::Read;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use crate::plain_file;
use crate::plan::Secret;
use crate::words::short;

/// Longest file that is read, in bytes: a chain of a dozen certificates stays far under it.
const LONGEST: u64 = 64 * 1024;
/// Longest password in bytes: MQTT allows 65 535, a slip in a path would send a whole file.
const LONGEST_PASSWORD: usize = 4096;
/// Where the service manager puts credentials. Source: systemd.exec(5), "Credentials".
const CREDENTIALS: &str = "CREDENTIALS_DIRECTORY";

/// Who may meddle with a file.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Kept {
    /// Nobody but its owner and group may use it in any way.
    Secret,
    /// Everyone may read it, and nobody but its owner and group change it.
    Public,
}

/// The password, without its line's end.
///
/// Errors: one line for a person.
pub(super) fn password(secret: &Secret) -> Result<String, String> {
    let (what, path) = place("password", secret)?;
    let bytes = read(&what, &path, Kept::Secret)?;
    if bytes.len() > LONGEST_PASSWORD {
        return Err(format!("{what}: it has {} bytes; at most {LONGEST_PASSWORD} are allowed", bytes.len()));
    }
    let text = String::from_utf8(bytes).map_err(|_| format!("{what}: it is not UTF-8"))?;
    let password = text.strip_suffix('\n').unwrap_or(&text);
    Ok(password.strip_suffix('\r').unwrap_or(password).to_owned())
}

/// A private key's file, with what it is called in messages. Errors: as for [`password`].
pub(super) fn key(secret: &Secret) -> Result<(String, Vec<u8>), String> {
    let (what, path) = place("key", secret)?;
    read(&what, &path, Kept::Secret).map(|bytes| (what, bytes))
}

/// A file of certificates, which everyone may read. Errors: as for [`password`].
pub(super) fn public(noun: &str, path: &Path) -> Result<(String, Vec<u8>), String> {
    let what = format!("{noun} file {}", path.display());
    read(&what, path, Kept::Public).map(|bytes| (what, bytes))
}

fn place(noun: &str, secret: &Secret) -> Result<(String, PathBuf), String> {
    match secret {
        Secret::File(path) => Ok((format!("{noun} file {}", path.display()), path.clone())),
        Secret::Credential(name) => {
            let what = format!("{noun} credential `{}`", short(name));
            let Some(folder) = std::env::var_os(CREDENTIALS) else {
                return Err(format!(
                    "{what}: ${CREDENTIALS} is not set: start lampkeep as a service with \
                     `LoadCredential={name}:/path`, or name a file"
                ));
            };
            Ok((what, Path::new(&folder).join(name)))
        }
    }
}

fn read(what: &str, path: &Path, kept: Kept) -> Result<Vec<u8>, String> {
    let said = |why: String| format!("{what}: {why}");
    let mut file =
        plain_file::open(path).map_err(|e| said(format!("{e}; name an existing file in the plan")))?;
    // Of the open file, not of its name: what is judged is what is read.
    let meta = file.metadata().map_err(|e| said(e.to_string()))?;
    let mode = meta.permissions().mode() & 0o777;
    if kept == Kept::Secret && mode & 0o007 != 0 {
        return Err(said(format!(
            "everyone on this machine may use it (mode {mode:04o}): chmod 0640 it, or 0600"
        )));
    }
    if mode & 0o002 != 0 {
        return Err(said(format!("everyone on this machine may change it (mode {mode:04o}): chmod 0644 it")));
    }
    let mut bytes = Vec::new();
    file.by_ref().take(LONGEST + 1).read_to_end(&mut bytes).map_err(|e| said(e.to_string()))?;
    if bytes.len() as u64 > LONGEST {
        return Err(said(format!("it has more than {LONGEST} bytes, the most allowed")));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mode(path: &Path, mode: u32) {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    }

    #[test]
    fn a_password_is_read_without_its_line_end_and_never_from_an_open_file() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("password");
        std::fs::write(&path, "tide table\r\n").unwrap();
        let secret = Secret::File(path.clone());
        mode(&path, 0o640);
        assert_eq!(password(&secret).unwrap(), "tide table");
        for open in [0o644, 0o604, 0o602, 0o601] {
            mode(&path, open);
            let said = password(&secret).unwrap_err();
            let wanted =
                format!("everyone on this machine may use it (mode {open:04o}): chmod 0640 it, or 0600");
            assert!(said.ends_with(&wanted), "{said}");
            assert!(key(&secret).unwrap_err().contains("key file"), "a key is kept as closely");
        }
        let folder = Secret::File(dir.path().to_owned());
        assert!(password(&folder).unwrap_err().contains("it is a folder, not a file"));
        let none = Secret::File(dir.path().join("none"));
        assert!(password(&none).unwrap_err().contains("name an existing file in the plan"));
    }

    #[test]
    fn a_file_that_is_no_password_is_not_sent_as_one() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("password");
        let secret = Secret::File(path.clone());
        for (text, why) in [
            (vec![b'x'; 5000], "it has 5000 bytes; at most 4096 are allowed"),
            (vec![b'x'; 70_000], "it has more than 65536 bytes, the most allowed"),
            (vec![0xff, 0xfe], "it is not UTF-8"),
        ] {
            std::fs::write(&path, text).unwrap();
            mode(&path, 0o600);
            assert!(password(&secret).unwrap_err().ends_with(why));
        }
        // Nobody writes into the pipe, and nobody is waited for.
        let pipe = dir.path().join("pipe");
        let fifo = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, &pipe, fifo, rustix::fs::Mode::RUSR, 0).unwrap();
        assert!(password(&Secret::File(pipe)).unwrap_err().contains("it is no plain file"));
    }

    #[test]
    fn a_certificate_may_be_read_by_all_and_changed_by_none_but_its_owner_and_group() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ca.pem");
        std::fs::write(&path, "x").unwrap();
        mode(&path, 0o644);
        assert_eq!(public("CA", &path).unwrap().1, b"x");
        mode(&path, 0o646);
        assert!(public("CA", &path).unwrap_err().ends_with("may change it (mode 0646): chmod 0644 it"));
    }
}
