//! Rules that a compiler does not check: headers, and the truth of DEVELOPERS.md.

use std::fs;
use std::path::{Path, PathBuf};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn rust_files(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push(path);
        }
    }
}

#[test]
fn every_module_opens_with_what_it_is_for() {
    let mut files = Vec::new();
    for folder in ["src", "simulators/src", "tests", "benches"] {
        rust_files(&root().join(folder), &mut files);
    }
    let without: Vec<_> = files.iter().filter(|f| !fs::read_to_string(f).unwrap().starts_with("//!")).collect();
    assert!(without.is_empty(), "no //! header: {without:?}");
}

/// The core must stay free of I/O, clocks, logging and everything above it.
#[test]
fn the_core_knows_nothing_of_the_edge() {
    let mut files = vec![root().join("src/reading.rs")];
    for folder in ["src/electrical", "src/audit", "src/alarm"] {
        rust_files(&root().join(folder), &mut files);
    }
    let banned = [
        "tokio",
        "std::net",
        "std::fs",
        "std::io",
        "std::time",
        "SystemTime",
        "tracing",
        "println!",
        "crate::config",
        "crate::modbus",
        "crate::station",
        "crate::faces",
        "serde",
    ];
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        // Alarms are put into a record, and their tests read it back.
        let is_alarm = file.starts_with(root().join("src/alarm"));
        // What is learnt outlives a restart, so a state may say by derives and their attributes how it becomes data; no more.
        let says_how_it_is_kept =
            |line: &str| line == "use serde::{Deserialize, Serialize};" || line.trim_start().starts_with("#[serde(");
        let text: Vec<&str> = text.lines().filter(|line| !says_how_it_is_kept(line)).collect();
        let text = text.join("\n");
        for word in banned.into_iter().filter(|word| *word != "serde" || !is_alarm) {
            assert!(!text.contains(word), "{} mentions {word}", file.display());
        }
    }
}

/// The oracle shares no code with what it judges.
#[test]
fn the_simulator_does_not_depend_on_the_auditor() {
    let manifest = fs::read_to_string(root().join("simulators/Cargo.toml")).unwrap();
    let dependencies = manifest.split("[dependencies]").nth(1).unwrap();
    assert!(!dependencies.contains("wattassay"), "{dependencies}");
}

/// Every path that DEVELOPERS.md and README.md name in backquotes exists.
#[test]
fn documents_name_only_paths_that_exist() {
    for document in ["DEVELOPERS.md", "README.md"] {
        let text = fs::read_to_string(root().join(document)).unwrap();
        for quoted in text.split('`').skip(1).step_by(2) {
            let first = quoted.split('/').next().unwrap_or_default();
            let is_path = !quoted.contains(' ')
                && ["src", "tests", "simulators", "config", "deploy", "benches", ".ci"].contains(&first)
                && quoted.contains('/');
            if is_path && !quoted.contains('*') {
                assert!(root().join(quoted).exists(), "{document} names {quoted}, which does not exist");
            }
        }
    }
}

/// What decides in production code: everything above a file's tests, without comments.
fn code(text: &str) -> impl Iterator<Item = &str> {
    let production = text.split("#[cfg(test)]").next().unwrap_or("");
    production.lines().filter(|line| !line.trim_start().starts_with("//"))
}

/// True of a comparison of a probability with a literal, and of a literal bar given a name of its own.
fn has_a_bar_of_its_own(line: &str, of_a_face: bool) -> bool {
    let digit = |text: &str| text.trim_start().starts_with(|c: char| c.is_ascii_digit());
    let compared = ["<= ", ">= ", "< ", "> "].iter().any(|operator| {
        line.match_indices(operator).any(|(at, _)| {
            let (before, after) = (&line[..at], &line[at + operator.len()..]);
            let of_probability =
                before.trim_end().ends_with("probability") || before.trim_end().ends_with("probability()");
            of_probability
                && digit(after)
                && !after.starts_with("1.0 - bars::")
                && !after.starts_with("1.0 - TOLD_FROM")
                && !after.starts_with("0.0 ")
                && !after.starts_with("0.0)")
        })
    });
    let named = of_a_face && line.contains(": f64 = 0.") && !line.contains("_A: f64") && !line.contains("_SHARE: f64");
    compared || named
}

/// Every probability at which something is said or done stands in `src/audit/bars.rs`.
#[test]
fn no_file_but_the_table_has_a_bar_of_its_own() {
    assert!(
        has_a_bar_of_its_own("if leader.probability >= 0.9 {", false)
            && has_a_bar_of_its_own("const B: f64 = 0.9;", true)
    );
    let src = root().join("src");
    let (mut folders, mut found, mut files) = (vec![src.clone()], Vec::new(), 0);
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            let name = entry.strip_prefix(&src).unwrap().to_string_lossy().into_owned();
            if entry.is_dir() {
                folders.push(entry);
            } else if entry.extension().is_some_and(|e| e == "rs") && !name.contains("test") && name != "audit/bars.rs"
            {
                files += 1;
                let of_a_face =
                    ["alarm/", "desk/", "faces/", "notify/", "station/"].iter().any(|at| name.starts_with(at));
                let text = fs::read_to_string(&entry).unwrap();
                found
                    .extend(code(&text).filter(|l| has_a_bar_of_its_own(l, of_a_face)).map(|l| format!("{name}: {l}")));
            }
        }
    }
    assert!(files > 200 && found.is_empty(), "{files} files: {found:#?}");
}
