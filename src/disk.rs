//! Room on the disk of a folder that records go to. Must never hold up whoever asks: a disk may hang.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Room left to others on a disk: this share of it, within these bounds in bytes.
const FLOOR_SHARE: u64 = 50;
const FLOOR_BOUNDS: (u64, u64) = (8 << 20, 1 << 30);

/// Room on a disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// Free, bytes.
    pub free_bytes: u64,
    /// Left to others, bytes: with less than this free, the disk counts as full.
    pub least_bytes: u64,
}

impl Room {
    /// Of the file system that a folder is on; `None` when it cannot be told. May block.
    pub fn of(folder: &Path) -> Option<Room> {
        let disk = rustix::fs::statvfs(folder).ok()?;
        let least_bytes = (disk.f_blocks * disk.f_frsize / FLOOR_SHARE).clamp(FLOOR_BOUNDS.0, FLOOR_BOUNDS.1);
        Some(Room { free_bytes: disk.f_bavail * disk.f_frsize, least_bytes })
    }
}

/// Looks at the disk of a folder, each time beside whoever asks.
#[derive(Debug)]
pub struct DiskWatch {
    folder: PathBuf,
    seen: Arc<Mutex<Seen>>,
}

#[derive(Debug, Default)]
struct Seen {
    room: Option<Room>,
    looking: bool,
}

impl DiskWatch {
    /// Nothing seen yet.
    pub fn new(folder: PathBuf) -> DiskWatch {
        DiskWatch { folder, seen: Arc::default() }
    }

    /// What the last look saw; begins the next one, unless the last still hangs. Asked within a runtime.
    pub fn room(&self) -> Option<Room> {
        let mut seen = lock(&self.seen);
        if !seen.looking {
            seen.looking = true;
            let (folder, seen) = (self.folder.clone(), Arc::clone(&self.seen));
            tokio::task::spawn_blocking(move || {
                let room = Room::of(&folder);
                *lock(&seen) = Seen { room, looking: false };
            });
        }
        seen.room
    }
}

fn lock(seen: &Mutex<Seen>) -> std::sync::MutexGuard<'_, Seen> {
    // Nothing under this lock can be left half done.
    seen.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_look_tells_what_the_one_before_it_saw() {
        let folder = tempfile::tempdir().unwrap();
        let watch = DiskWatch::new(folder.path().to_owned());
        assert_eq!(watch.room(), None);
        let room = loop {
            match watch.room() {
                Some(room) => break room,
                None => tokio::task::yield_now().await,
            }
        };
        assert!(room.free_bytes > 0 && (FLOOR_BOUNDS.0..=FLOOR_BOUNDS.1).contains(&room.least_bytes), "{room:?}");
        assert_eq!(Room::of(&folder.path().join("gone")), None);
    }
}
