//! The component identifier: made once for a set, kept in its state folder.

use std::io::ErrorKind;
use std::path::Path;

use crate::files::write_file;
use crate::plain_file;
use crate::wire::encode::e131::Cid;

/// Its file in the state folder.
const NAME: &str = "cid";
/// Longest text that is read, in bytes; ours has 37.
const LONGEST: u64 = 100;
/// Random UUIDs (RFC 4122, version 4), a new one each time it is read. Source: Linux, random(4).
const RANDOM: &str = "/proc/sys/kernel/random/uuid";

/// The identifier of the set whose state is in `folder`; made and written there where there is none.
///
/// Errors: the text of why it could not be kept, with the one to use for this run alone.
pub fn cid_in(folder: &Path) -> Result<Cid, (Cid, String)> {
    let file = folder.join(NAME);
    let damaged = || format!("{} holds no UUID; a new one is made", file.display());
    let why = match plain_file::read_text(&file, LONGEST) {
        Ok(text) => match parsed(text.trim()) {
            Some(cid) => return Ok(cid),
            None => Some(damaged()),
        },
        Err(e) if e.kind() == ErrorKind::NotFound => None,
        Err(e) if matches!(e.kind(), ErrorKind::FileTooLarge | ErrorKind::InvalidData) => Some(damaged()),
        // It may be there all the same: it must not be lost for a moment's fault.
        Err(e) => return Err((cid(), format!("{}: {e}", file.display()))),
    };
    if let Some(why) = why {
        tracing::warn!("{why}");
    }
    let new = cid();
    match write_file(folder, NAME, &format!("{}\n", written(&new))) {
        Ok(()) => Ok(new),
        Err(e) => Err((new, format!("{}: {e}", file.display()))),
    }
}

/// A new random identifier.
#[must_use]
pub fn cid() -> Cid {
    let kernel = std::fs::read_to_string(RANDOM).ok().and_then(|text| parsed(text.trim()));
    kernel.unwrap_or_else(|| {
        use std::hash::{BuildHasher, Hasher, RandomState};
        // Each has keys of its own, from the system's random numbers.
        let half = || RandomState::new().build_hasher().finish();
        marked(u128::from(half()) << 64 | u128::from(half()))
    })
}

/// Sets version 4 and the variant. Source: RFC 4122, clause 4.4.
fn marked(random: u128) -> Cid {
    let mut bytes = random.to_be_bytes();
    bytes[6] = bytes[6] & 0x0F | 0x40;
    bytes[8] = bytes[8] & 0x3F | 0x80;
    bytes
}

/// Source: RFC 4122, clause 3: 8-4-4-4-12 hex digits.
fn written(cid: &Cid) -> String {
    let hex = format!("{:032x}", u128::from_be_bytes(*cid));
    format!("{}-{}-{}-{}-{}", &hex[..8], &hex[8..12], &hex[12..16], &hex[16..20], &hex[20..])
}

fn parsed(text: &str) -> Option<Cid> {
    let lengths = text.split('-').map(str::len);
    let digits = || text.bytes().filter(|b| *b != b'-');
    if !lengths.eq([8, 4, 4, 4, 12]) || !digits().all(|b| b.is_ascii_hexdigit()) {
        return None;
    }
    u128::from_str_radix(&text.replace('-', ""), 16).ok().map(u128::to_be_bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_identifier_is_made_once_and_stays() {
        let folder = tempfile::tempdir().unwrap();
        let state = folder.path().join("state");
        let first = cid_in(&state).unwrap();
        assert_eq!(cid_in(&state), Ok(first));
        let other = tempfile::tempdir().unwrap();
        assert_ne!(cid_in(other.path()).unwrap(), first);
    }

    /// Source: RFC 4122, clauses 4.1.1 and 4.1.3: version 4 in the high half of byte 6, variant 10 in byte 8.
    #[test]
    fn identifiers_are_random_uuids() {
        for cid in [cid(), cid(), marked(0), marked(u128::MAX)] {
            assert_eq!((cid[6] >> 4, cid[8] >> 6), (4, 2));
        }
        assert_ne!(cid(), cid());
    }

    /// Source: RFC 4122, clause 3, its own example.
    #[test]
    fn the_text_form_is_the_published_one() {
        let text = "f81d4fae-7dec-11d0-a765-00a0c91e6bf6";
        let cid = parsed(text).unwrap();
        assert_eq!((cid[0], cid[15]), (0xF8, 0xF6));
        assert_eq!(written(&cid), text);
        for wrong in
            ["", "f81d4fae", "f81d4fae7dec11d0a76500a0c91e6bf6", "+81d4fae-7dec-11d0-a765-00a0c91e6bf6"]
        {
            assert_eq!(parsed(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn a_broken_file_is_replaced_and_a_folder_that_cannot_be_written_is_said() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(NAME), "no uuid").unwrap();
        let new = cid_in(folder.path()).unwrap();
        assert_eq!(cid_in(folder.path()), Ok(new));
        let file = folder.path().join("file");
        std::fs::write(&file, "").unwrap();
        assert!(cid_in(&file.join("state")).unwrap_err().1.contains("cid"));
    }
}
