//! The file of findings that people keep by hand or by command: one entry added, all or nothing.
//!
//! Must never change what the file held, write over a file that cannot be read, or take an entry that such a file may not hold.

use std::fs;
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use crate::check_book::{CheckBookError, Entry, parsed};
use crate::config::model::Config;
use crate::config::{Problems, RecordedCheck, parse_checks, read_checks_text};
use crate::whole_file::Turn;

/// Permissions of a file that begins; the process's mask still counts.
const MODE: u32 = 0o644;

/// Why an entry is not in the file.
#[derive(Debug, thiserror::Error)]
pub enum AddError {
    /// The entry does not say what a check can show.
    #[error(transparent)]
    Entry(#[from] CheckBookError),
    /// What the file holds already is at fault; it is left as it is.
    #[error("nothing was added, because the file is at fault:\n{0}")]
    File(#[from] Problems),
    /// The same person entered this check before.
    #[error(
        "{}: {by} entered this check already; a second look by the same person is no second witness. Take the earlier entry out \
         of the file if it was wrong",
        path.display()
    )]
    Twice {
        /// The file.
        path: PathBuf,
        /// Who.
        by: String,
    },
    /// The file is not written as one that entries are added to.
    #[error("{}: nothing was added: with the entry at its end the file would be at fault; write each check under a header [[checks]]:\n{problems}", path.display())]
    NoPlace {
        /// The file.
        path: PathBuf,
        /// What would be wrong.
        problems: Problems,
    },
    /// It cannot be written.
    #[error("{}: nothing was added: this file cannot be written: {source}", path.display())]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
}

/// The checks of a file before and after an entry was added.
#[derive(Debug, Clone, PartialEq)]
pub struct Added {
    /// Before.
    pub before: Vec<RecordedCheck>,
    /// After.
    pub after: Vec<RecordedCheck>,
}

/// What a file holds; nothing when there is none yet.
pub fn read(path: &Path, config: &Config) -> Result<Vec<RecordedCheck>, AddError> {
    Ok(contents(path, config)?.1)
}

fn contents(path: &Path, config: &Config) -> Result<(String, Vec<RecordedCheck>), AddError> {
    if matches!(fs::metadata(path), Err(error) if error.kind() == io::ErrorKind::NotFound) {
        return Ok((String::new(), Vec::new()));
    }
    let text = read_checks_text(path)?;
    // A file with nothing but comments is one that begins.
    let blank = text.lines().all(|line| line.trim().is_empty() || line.trim_start().starts_with('#'));
    let checks = if blank { Vec::new() } else { parse_checks(&path.display().to_string(), &text, config)? };
    Ok((text, checks))
}

/// Adds an entry at the end of the file, which begins with it when there is none. Two who add at once do so one after the other.
pub fn add(path: &Path, config: &Config, entry: &Entry) -> Result<Added, AddError> {
    parsed(entry, config)?;
    // What a link points to is replaced, not the link.
    let target = match path.canonicalize() {
        Err(error) if error.kind() == io::ErrorKind::NotFound => path.to_owned(),
        found => found.map_err(|source| AddError::Unwritable { path: path.to_owned(), source })?,
    };
    let unwritable = |source| AddError::Unwritable { path: path.to_owned(), source };
    let turn = Turn::take(&target).map_err(unwritable)?;
    let mode = match fs::metadata(&target) {
        // A file can be replaced by whoever may write its folder; one that was made read-only stays as it is all the same.
        Ok(of) if of.permissions().readonly() => {
            return Err(unwritable(io::Error::new(io::ErrorKind::PermissionDenied, "it is read-only")));
        }
        Ok(of) => of.permissions().mode() & 0o777,
        Err(_) => MODE,
    };
    let (text, before) = contents(&target, config)?;
    let block = entry.to_toml().map_err(|error| unwritable(io::Error::other(error)))?;
    let gap = if text.is_empty() {
        ""
    } else if text.ends_with('\n') {
        "\n"
    } else {
        "\n\n"
    };
    let longer = format!("{text}{gap}{block}");
    let after = parse_checks(&path.display().to_string(), &longer, config).map_err(|problems| {
        let own = |check: &RecordedCheck| {
            (check.station == entry.station, check.circuit == entry.circuit, check.by == entry.by)
        };
        let new = parsed(entry, config).unwrap_or_default();
        let twice = before
            .iter()
            .filter(|old| own(old) == (true, true, true))
            .any(|old| new.iter().any(|new| new.outcome.check == old.outcome.check));
        if twice {
            AddError::Twice { path: path.to_owned(), by: entry.by.clone() }
        } else {
            AddError::NoPlace { path: path.to_owned(), problems }
        }
    })?;
    turn.replace(&longer, mode).map_err(unwritable)?;
    Ok(Added { before, after })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::audit::field_check::FieldCheck;
    use crate::check_book::Found;
    use crate::station::fixtures::station_config;

    fn config() -> Config {
        Config::of(vec![station_config("Alder Creek Lift")])
    }

    fn entry(check: &str, channel: Option<i64>, shows: &str, by: &str) -> Entry {
        let found = Found { check: check.into(), channel, shows: Some(shows.into()), ..Found::default() };
        Entry {
            id: 0,
            station: "Alder Creek Lift".into(),
            circuit: "Pump 1".into(),
            by: by.into(),
            at: "2026-11-25T10:00:00Z".into(),
            found,
        }
    }

    #[test]
    fn what_the_file_held_stays_and_the_entry_stands_behind_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("findings.toml");
        let added = add(&path, &config(), &entry("ct-lead-trace", Some(2), "a", "J. Alvarez")).unwrap();
        assert_eq!((added.before.len(), added.after.len()), (0, 1));
        let kept = format!("# Kept by hand, no line end after it\n{}# end", fs::read_to_string(&path).unwrap());
        fs::write(&path, &kept).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o660)).unwrap();
        let added = add(&path, &config(), &entry("display", None, "agrees", "M. \"Mo\" Okafor")).unwrap();
        assert_eq!((added.before.len(), added.after.len()), (1, 2));
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.starts_with(&kept), "{text}");
        assert_eq!(read(&path, &config()).unwrap(), added.after);
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o660, "permissions stay");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "nothing else is left in the folder");
    }

    #[test]
    fn what_may_not_be_added_leaves_the_file_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("findings.toml");
        let good = entry("ct-lead-trace", Some(2), "phase-C", "J. Alvarez");
        add(&path, &config(), &good).unwrap();
        let inline = "checks = [{ station = \"Alder Creek Lift\", circuit = \"Pump 1\", check = \"display\", \
                      shows = \"agrees\", by = \"R. Osei\", at = \"2026-11-25T10:00:00Z\" }]\n";
        let first = fs::read_to_string(&path).unwrap();
        for (held, new, told) in [
            (
                first.as_str(),
                entry("ct-lead-trace", Some(2), "phase-D", "R. Osei"),
                "is not a choice here; did you mean \"phase-A\"? (choices: phase-A, A, phase-B",
            ),
            (&first, entry("ct-lead-trace", Some(2), "phase-A", "J. Alvarez"), "entered this check already"),
            ("[[checks]]\nstation = \"Nowhere\"\n", good.clone(), "the file is at fault"),
            ("\u{feff}[[checks", good.clone(), "the file is at fault"),
            (inline, good.clone(), "[[checks]]"),
        ] {
            fs::write(&path, held).unwrap();
            let error = add(&path, &config(), &new).unwrap_err().to_string();
            assert!(error.contains(told), "{held}\n{error}");
            assert_eq!(fs::read_to_string(&path).unwrap(), held);
        }
        fs::write(&path, &first).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o444)).unwrap();
        let error = add(&path, &config(), &entry("display", None, "agrees", "R. Osei")).unwrap_err();
        assert!(matches!(error, AddError::Unwritable { .. }), "{error}");
        assert_eq!(fs::read_to_string(&path).unwrap(), first);
        let nowhere = folder.path().join("nowhere/findings.toml");
        assert!(matches!(add(&nowhere, &config(), &good), Err(AddError::Unwritable { .. })));
    }

    #[test]
    fn a_link_stays_a_link() {
        let folder = tempfile::tempdir().unwrap();
        let (path, link) = (folder.path().join("findings.toml"), folder.path().join("link.toml"));
        fs::write(&path, "# findings\n").unwrap();
        std::os::unix::fs::symlink(&path, &link).unwrap();
        add(&link, &config(), &entry("display", None, "agrees", "R. Osei")).unwrap();
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(read(&path, &config()).unwrap().len(), 1);
    }

    /// Many at once: each entry is there afterwards, none half.
    #[test]
    fn those_who_add_at_once_lose_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("findings.toml");
        std::thread::scope(|scope| {
            for n in 0..16 {
                let path = &path;
                scope.spawn(move || {
                    add(path, &config(), &entry("display", None, "agrees", &format!("Nr. {n}"))).unwrap()
                });
            }
        });
        assert_eq!(read(&path, &config()).unwrap().len(), 16);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Any name and any finding of any check that a person could enter is read back as it was entered.
        #[test]
        fn what_was_added_is_read_back(which in 0usize..1000, result in 0usize..1000, by in "[^\\p{C}\\p{Z}]{1,20}") {
            let all = FieldCheck::all();
            let check = all[which % all.len()];
            let finding = check.possible()[result % check.possible().len()];
            let new = entry(check.key(), check.channel().map(|k| k as i64 + 1), finding.key(), &by);
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("findings.toml");
            let added = add(&path, &config(), &new).unwrap();
            prop_assert_eq!(added.after.len(), 1);
            prop_assert_eq!((added.after[0].outcome.check, added.after[0].outcome.finding), (check, finding));
            prop_assert_eq!(&added.after[0].by, &by);
            prop_assert_eq!(read(&path, &config()).unwrap(), added.after);
        }
    }
}
