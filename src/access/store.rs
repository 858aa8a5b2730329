//! The users file on the disk: read whole, replaced whole, and noticed when it has changed.
//!
//! Must never leave half a file, nor one that others on the machine can read.

use std::fs;
use std::io;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};

use super::accounts::Accounts;
use super::secret::NoRandomness;
use crate::config::{self, Problems};
use crate::whole_file::Turn;

/// Readable and writable to its owner alone.
const MODE: u32 = 0o600;

/// Why the users file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is none.
    #[error(
        "{}: there is no such file; make the first user, and the file with it: \
         wattassay users add NAME --role engineer --config FILE", .0.display()
    )]
    Missing(PathBuf),
    /// It is at fault, or cannot be read.
    #[error("{0}")]
    Bad(#[from] Problems),
    /// Others may read it.
    #[error("{}: others on this machine can read this file; run: chmod 600 {}", .0.display(), .0.display())]
    Open(PathBuf),
    /// It cannot be written.
    #[error("{}: this file cannot be written: {source}", path.display())]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// No random numbers for its neighbour's name.
    #[error(transparent)]
    NoRandomness(#[from] NoRandomness),
}

/// Tells one state of a file from another, as far as the file system knows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stamp {
    inode: u64,
    size: u64,
    changed_ns: (i64, i64),
}

/// The stamp of a file; none when there is none.
pub fn stamp(path: &Path) -> Option<Stamp> {
    let of = fs::metadata(path).ok()?;
    Some(Stamp { inode: of.ino(), size: of.size(), changed_ns: (of.ctime(), of.ctime_nsec()) })
}

/// Reads and checks the file. One that others can read is refused: its hashes could be tried at leisure.
pub fn read(path: &Path) -> Result<Accounts, StoreError> {
    if matches!(path.try_exists(), Ok(false)) {
        return Err(StoreError::Missing(path.to_owned()));
    }
    let accounts = config::load_users(path)?;
    if fs::metadata(path).is_ok_and(|of| of.permissions().mode() & 0o077 != 0) {
        return Err(StoreError::Open(path.to_owned()));
    }
    Ok(accounts)
}

/// Changes the file, alone: two who change it at once do so one after the other. A file that is not there yet begins empty
/// where `may_begin` says so.
pub fn change<E: From<StoreError>, T>(
    path: &Path,
    may_begin: bool,
    change: impl FnOnce(&mut Accounts) -> Result<T, E>,
) -> Result<T, E> {
    let unwritable = |source| StoreError::Unwritable { path: path.to_owned(), source };
    let turn = Turn::take(path).map_err(unwritable)?;
    let begins = may_begin && !path.try_exists().map_err(unwritable)?;
    let mut accounts = if begins { Accounts::default() } else { read(path)? };
    let outcome = change(&mut accounts)?;
    turn.replace(&accounts.to_text(), MODE).map_err(unwritable)?;
    Ok(outcome)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::access::accounts::ApiToken;
    use crate::access::role::Role;
    use crate::reading::UnixMs;

    fn add(path: &Path, name: &str) -> Result<(), StoreError> {
        change(path, true, |accounts| {
            accounts.tokens.push(ApiToken::make(name.to_owned(), Role::View, Some(UnixMs(1_900_000_000_000)))?.0);
            Ok(())
        })
    }

    #[test]
    fn a_file_is_begun_for_its_owner_alone_and_read_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("users.toml");
        add(&path, "historian").unwrap();
        let before = stamp(&path).unwrap();
        add(&path, "Zähler \"2\"").unwrap();
        assert_ne!(stamp(&path).unwrap(), before);
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, MODE);
        let names: Vec<_> = read(&path).unwrap().tokens.into_iter().map(|token| token.name).collect();
        assert_eq!(names, ["historian", "Zähler \"2\""]);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left beside it");
    }

    /// As root, who alone can give files away; the continuous integration runs as root.
    #[test]
    fn what_root_begins_and_changes_belongs_to_the_daemon() {
        let folder = tempfile::tempdir().unwrap();
        if fs::metadata(folder.path()).unwrap().uid() != 0 {
            return;
        }
        std::os::unix::fs::chown(folder.path(), Some(4321), Some(4322)).unwrap();
        let path = folder.path().join("users.toml");
        for name in ["first", "second"] {
            add(&path, name).unwrap();
            let of = fs::metadata(&path).unwrap();
            assert_eq!((of.uid(), of.gid()), (4321, 4322));
        }
    }

    #[test]
    fn a_change_that_fails_leaves_the_file_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("users.toml");
        add(&path, "historian").unwrap();
        let before = fs::read_to_string(&path).unwrap();
        let refused = change(&path, false, |accounts| {
            accounts.tokens.clear();
            Err::<(), _>(StoreError::Open(path.clone()))
        });
        assert!(refused.is_err());
        assert_eq!(fs::read_to_string(&path).unwrap(), before);
        fs::write(&path, "version = 2\n").unwrap();
        assert!(add(&path, "other").is_err(), "a bad file is not written over");
        assert_eq!(fs::read_to_string(&path).unwrap(), "version = 2\n");
    }

    #[test]
    fn many_at_once_lose_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("users.toml");
        std::thread::scope(|scope| {
            for n in 0..16 {
                let path = &path;
                scope.spawn(move || add(path, &format!("t{n}")).unwrap());
            }
        });
        assert_eq!(read(&path).unwrap().tokens.len(), 16);
    }

    #[test]
    fn a_file_that_others_can_read_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("users.toml");
        add(&path, "historian").unwrap();
        for mode in [0o640, 0o604, 0o660] {
            fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
            let error = read(&path).unwrap_err();
            assert!(error.to_string().ends_with(&format!("run: chmod 600 {}", path.display())), "{error}");
        }
    }

    #[test]
    fn a_missing_file_is_begun_only_where_that_is_meant() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("users.toml");
        let error = change(&path, false, |_| Ok::<_, StoreError>(())).unwrap_err().to_string();
        assert!(error.ends_with("wattassay users add NAME --role engineer --config FILE"), "{error}");
        assert!(!path.exists());
    }
}
