//! The journal under kill -9: a process appends from four threads and prints the place of each entry once it is durable;
//! it is killed at a random moment, again and again, over one growing journal. Nothing printed may be missing.
//!
//! `WATTASSAY_CRASHES` sets the number of kills (CI: 500).

use std::collections::HashMap;
use std::env;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;
use wattassay::journal::chain::Walk;
use wattassay::journal::file::{self, FILE_NAME};
use wattassay::journal::{Entry, Journal, JournalFile, Kind};

const FOLDER: &str = "WATTASSAY_CRASH_FOLDER";
const CHILD: &str = "journal_crash::child_that_writes_until_it_is_killed";
/// Entries the journal is loaded with beforehand.
const LOADED: usize = 5000;
const THREADS: usize = 4;

fn entry(text: String) -> Entry {
    Entry::new(1_795_000_000_000, Kind::Transition, text).about("Alder Creek Lift", "Pump 1")
}

/// Not a test by itself: the other process of the test below.
#[test]
#[ignore = "started by the test below"]
fn child_that_writes_until_it_is_killed() {
    let Some(folder) = env::var_os(FOLDER) else { return };
    let (journal, opened) = Journal::open(Path::new(&folder), 0).unwrap();
    assert!(opened.walk.broken().is_none() && opened.set_aside.is_none(), "{opened:?}");
    let run = opened.walk.head().sequence;
    std::thread::scope(|scope| {
        for thread in 0..THREADS {
            let journal = journal.clone();
            scope.spawn(move || {
                for n in 0.. {
                    let text = format!("run {run}, thread {thread}, entry {n}");
                    let head = journal.append_blocking(entry(text.clone())).unwrap();
                    // One write a line, so that a kill cannot mix two.
                    let line = format!("durable {} {} {text}\n", head.sequence, head.hash);
                    std::io::stdout().write_all(line.as_bytes()).unwrap();
                }
            });
        }
    });
}

/// Starts the child, kills it at a random moment, and returns what it had acknowledged, by place.
fn run_and_kill(folder: &Path) -> Vec<(i64, String, String)> {
    let mut child = Command::new(env::current_exe().unwrap())
        .args(["--exact", CHILD, "--ignored", "--nocapture"])
        .env(FOLDER, folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).split(b'\n');
    let mut acknowledged = Vec::new();
    let mut take = |line: Option<std::io::Result<Vec<u8>>>| {
        let text = String::from_utf8(line?.unwrap()).unwrap();
        // libtest's own first words stand before the first line; a line cut by the kill has no four parts.
        let words: Vec<&str> =
            text.split_once("durable ").map_or_else(Vec::new, |(_, rest)| rest.splitn(3, ' ').collect());
        if let [place, hash, text] = words[..] {
            acknowledged.push((place.parse().unwrap(), hash.to_owned(), text.to_owned()));
        }
        Some(())
    };
    // One kill in five falls into the opening; the others into the writing.
    let wanted = if fastrand::u8(0..5) == 0 { 0 } else { fastrand::usize(1..60) };
    for _ in 0..wanted {
        take(lines.next()).expect("the child ended by itself");
    }
    let moment = Instant::now() + Duration::from_micros(fastrand::u64(0..if wanted == 0 { 60_000 } else { 5_000 }));
    while Instant::now() < moment {
        std::hint::spin_loop();
    }
    child.kill().unwrap();
    while take(lines.next()).is_some() {}
    child.wait().unwrap();
    acknowledged
}

#[test]
fn nothing_acknowledged_is_lost_by_kill_9() {
    let kills: u32 = env::var("WATTASSAY_CRASHES").map_or(20, |text| text.parse().unwrap());
    let folder = TempDir::new().unwrap();
    let load: Vec<Entry> = (0..LOADED).map(|n| entry(format!("loaded {n}"))).collect();
    JournalFile::open(folder.path(), 0).unwrap().0.append(&load).unwrap();
    let mut acknowledged = HashMap::new();
    for _ in 0..kills {
        for (place, hash, text) in run_and_kill(folder.path()) {
            assert_eq!(acknowledged.insert(place, (hash, text)), None, "place {place} was given twice");
        }
        // What a start-up does after the kill, before anything else has touched the files.
        let (_, opened) = JournalFile::open(folder.path(), 0).unwrap();
        assert!(opened.walk.broken().is_none() && opened.set_aside.is_none(), "{opened:?}");
    }
    let mut walk = Walk::default();
    let mut found = 0;
    file::read(&folder.path().join(FILE_NAME), 0, |record| {
        walk.step(&record);
        if let Some((hash, text)) = acknowledged.get(&record.sequence) {
            assert_eq!((hash, text), (&record.hash.to_string(), &record.text), "place {}", record.sequence);
            found += 1;
        }
        true
    })
    .unwrap();
    assert_eq!(walk.broken(), None);
    assert_eq!(found, acknowledged.len(), "acknowledged entries are missing");
    assert!(found > kills as usize, "the kills came before anything was written: {found}");
    println!("{kills} kills, {found} acknowledged entries all there, {} entries in all", walk.entries());
}
