//! The files that `reckon` is told to read.

use std::path::Path;

use crate::light::ies::LONGEST;
use crate::{plain_file, words};

/// The text of a file, bytes that are no UTF-8 replaced (labels of old files are in old character sets).
///
/// Errors: in words, with the file's name: none there, a folder or a device, or over 4 MiB.
pub(super) fn text(path: &str) -> Result<String, String> {
    let bytes = plain_file::read(Path::new(path), LONGEST as u64)
        .map_err(|e| format!("{} cannot be read: {e}", words::short(path)))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
