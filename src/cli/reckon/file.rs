//! The files that `reckon` is told to read.

use std::fs::{self, File};
use std::io::Read;

use crate::light::ies::LONGEST;
use crate::words;

/// The text of a file, bytes that are no UTF-8 replaced (labels of old files are in old character sets).
///
/// Errors: in words, with the file's name: none there, a folder or a device, or over 4 MiB.
pub(super) fn text(path: &str) -> Result<String, String> {
    let name = words::short(path);
    let failed = |error: std::io::Error| format!("{name} cannot be read: {error}");
    // A pipe or a device could keep us waiting for ever.
    if !fs::metadata(path).map_err(failed)?.is_file() {
        return Err(format!("{name} is no plain file"));
    }
    let mut bytes = Vec::new();
    File::open(path).map_err(failed)?.take(LONGEST as u64 + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() > LONGEST {
        return Err(format!("{name} has more than {LONGEST} bytes; at most that many are read"));
    }
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
