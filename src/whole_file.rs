//! Small files written whole or not at all: those that a restart goes on from, and those that several commands change.
//!
//! Must never remove a file, nor write over one that could not be read.

use std::fs::{self, File, Permissions};
use std::io::{self, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, Gid, Uid};
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

/// The right to change one file: two commands that change it at once do so one after the other. It ends when dropped.
#[derive(Debug)]
pub(crate) struct Turn {
    path: PathBuf,
    folder: PathBuf,
    /// Of the folder, because the file is replaced.
    _lock: File,
}

impl Turn {
    /// Waits for it; the file need not be there yet. Blocks.
    pub(crate) fn take(path: &Path) -> io::Result<Turn> {
        let folder = match path.parent() {
            Some(parent) if parent != Path::new("") => parent.to_owned(),
            _ => PathBuf::from("."),
        };
        let lock = File::open(&folder)?;
        rustix::fs::flock(&lock, FlockOperation::LockExclusive)?;
        Ok(Turn { path: path.to_owned(), folder, _lock: lock })
    }

    /// Writes a neighbour with these permissions, syncs it, and puts it in the file's place.
    pub(crate) fn replace(&self, text: &str, mode: u32) -> io::Result<()> {
        let mut name = self.path.file_name().unwrap_or_default().to_owned();
        name.push(".new");
        let neighbour = self.folder.join(name);
        // Left by someone who was cut off; the lock is ours.
        match fs::remove_file(&neighbour) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let written = write_new(&neighbour, &self.path, text, mode).and_then(|()| fs::rename(&neighbour, &self.path));
        if written.is_err() {
            // The first error is the one to tell.
            let _ = fs::remove_file(&neighbour);
        }
        written?;
        File::open(&self.folder)?.sync_all()
    }
}

fn write_new(neighbour: &Path, old: &Path, text: &str, mode: u32) -> io::Result<()> {
    let mut file = File::options().write(true).create_new(true).mode(mode).open(neighbour)?;
    let new = file.metadata()?;
    let owner = match fs::metadata(old) {
        // Its owner stays its owner when root changes it.
        Ok(old) => Some(old),
        // What root begins is the folder's owner's too.
        Err(_) if new.uid() == 0 => neighbour.parent().map(fs::metadata).transpose()?,
        Err(_) => None,
    };
    if let Some(owner) = owner.filter(|owner| (owner.uid(), owner.gid()) != (new.uid(), new.gid())) {
        rustix::fs::fchown(&file, Some(Uid::from_raw(owner.uid())), Some(Gid::from_raw(owner.gid())))?;
    }
    // The process's mask counts for a file that begins, not for one that is there.
    if old.exists() {
        file.set_permissions(Permissions::from_mode(mode))?;
    }
    file.write_all(text.as_bytes())?;
    file.sync_all()
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
