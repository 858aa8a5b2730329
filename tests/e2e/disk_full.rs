//! Journal and history on a disk that fills up: a small file system of its own. Needs the right to mount (CI runs as root);
//! without it the test says so and ends.

use std::path::Path;
use std::process::Command;
use std::sync::mpsc::channel;

use tempfile::TempDir;
use wattassay::history::keeper::Limits;
use wattassay::history::quantity::COUNT;
use wattassay::history::recorder::{Notice, Recorder};
use wattassay::history::sqlite::SqliteStore;
use wattassay::history::store::{Query, Sample, Source, Statistic, Store, Tier};
use wattassay::journal::chain::Walk;
use wattassay::journal::file::{self, FILE_NAME};
use wattassay::journal::{Entry, Journal, Kind};

/// A mounted file system that goes away with the test.
struct SmallDisk(TempDir);

impl SmallDisk {
    fn mount() -> Option<SmallDisk> {
        let folder = TempDir::new().unwrap();
        let mounted =
            Command::new("mount").args(["-t", "tmpfs", "-o", "size=40m", "tmpfs"]).arg(folder.path()).output();
        mounted.is_ok_and(|output| output.status.success()).then_some(SmallDisk(folder))
    }

    fn path(&self) -> &Path {
        self.0.path()
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.0.path()).status();
    }
}

#[test]
fn a_full_disk_costs_the_oldest_detail_and_nothing_of_the_journal() {
    const START_MS: i64 = 20_776 * 86_400_000;
    const SECONDS: i64 = 160_000;
    let Some(disk) = SmallDisk::mount() else {
        eprintln!("skipped: no right to mount a small file system");
        return;
    };
    let (journal, _) = Journal::open(&disk.path().join("journal"), 0).unwrap();
    let history = disk.path().join("history");
    let mut store = SqliteStore::open(&history, 0).unwrap().0;
    let source = Source { station: "Alder Creek Lift".into(), is_monitor: false, name: "Pump 1".into() };
    let source = store.source(&source).unwrap();
    let (told, notices) = channel();
    // The limit is far above the disk, as when somebody else has filled it.
    let recorder = Recorder::start(Box::new(store), Limits::default(), move |n| told.send(n).unwrap()).unwrap();
    let mut acknowledged = Vec::new();
    // 160,000 whole rows are some 75 MB: nearly twice the disk.
    for second in 0..SECONDS {
        let values = Box::new([second as f64 + 0.1; COUNT]);
        recorder.sample(Sample { source, at_ms: START_MS + second * 1000, values });
        if second % 1000 == 999 {
            assert!(recorder.flush_blocking());
            let entry = Entry::new(START_MS + second * 1000, Kind::Diagnosis, format!("second {second}"));
            acknowledged.push(journal.append_blocking(entry).unwrap());
        }
    }
    drop(recorder);
    let notices: Vec<Notice> = notices.iter().collect();
    assert!(matches!(notices[..], [Notice::Full(_)]), "told once, and nothing else: {notices:?}");

    let mut walk = Walk::default();
    let mut heads = Vec::new();
    file::read(&disk.path().join("journal").join(FILE_NAME), 0, |record| {
        walk.step(&record);
        heads.push(record.head());
        true
    })
    .unwrap();
    assert_eq!((walk.broken(), heads), (None, acknowledged));

    let mut store = SqliteStore::open(&history, 0).unwrap().0;
    let query =
        |tier| Query { source, tier, statistic: Statistic::Mean, from_ms: 0, to_ms: i64::MAX, quantities: vec![0] };
    let detail = store.rows(&query(Tier::Detail)).unwrap().at_ms;
    assert_eq!(detail.last(), Some(&(START_MS + (SECONDS - 1) * 1000)), "what is new is kept");
    assert!(detail[0] > START_MS && detail.windows(2).all(|w| w[1] - w[0] == 1000), "only the oldest has gone");
    let minutes = store.rows(&query(Tier::Minute)).unwrap().at_ms;
    assert_eq!(minutes[0], START_MS, "the minutes of what has gone are there");
}
