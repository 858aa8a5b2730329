//! Small files beside the journal that a restart goes on from: written whole or not at all, and never lost for being unreadable.
//!
//! Must never remove a file, nor write over one that could not be read.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use serde::de::DeserializeOwned;

use crate::reading::UnixMs;

/// Writes a file whole or not at all, whenever the power fails.
pub(crate) fn write(file: &Path, contents: &[u8]) -> io::Result<()> {
    let new = file.with_extension("new");
    let mut written = File::create(&new)?;
    written.write_all(contents)?;
    written.sync_all()?;
    fs::rename(&new, file)?;
    match file.parent() {
        Some(folder) => File::open(folder)?.sync_all(),
        None => Ok(()),
    }
}

/// What a JSON file holds; none when there is none. One that cannot be read is kept under another name, and the log says
/// `loss`: what that means.
pub(crate) fn read_json<T: DeserializeOwned>(file: &Path, loss: &str, now: UnixMs) -> Option<T> {
    let text = match fs::read(file) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return None,
        Err(error) => {
            tracing::error!("{}: {loss}: {error}", file.display());
            return None;
        }
    };
    match serde_json::from_slice(&text) {
        Ok(contents) => Some(contents),
        Err(error) => {
            let stem = file.file_stem().unwrap_or_default().to_string_lossy();
            let aside = file.with_file_name(format!("{stem}-unreadable-{}.json", now.0));
            let kept = match fs::rename(file, &aside) {
                Ok(()) => format!("kept as {}", aside.display()),
                Err(error) => format!("which cannot be renamed: {error}"),
            };
            tracing::error!("{}: {loss}, unreadable ({error}), {kept}", file.display());
            None
        }
    }
}
