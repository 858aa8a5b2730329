//! The maps a configuration may name: those compiled in, "sunspec", and the files of a folder.
//!
//! Must never let a file stand in quietly for a built-in map.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use crate::modbus::map::{Blanking, Conventions, MapSource, MeterMap};

use super::document::read_text;
use super::map_file::{BrokenMap, parse_named};
use super::problem::{Problem, Problems};
use super::reader::{Fault, nearest};

/// The maps compiled in: file name for messages, and text.
const BUILT_IN: [(&str, &str); 4] = [
    ("generic-full.toml", include_str!("../../config/maps/generic-full.toml")),
    ("generic-watts.toml", include_str!("../../config/maps/generic-watts.toml")),
    ("generic-totals.toml", include_str!("../../config/maps/generic-totals.toml")),
    ("generic-blanking.toml", include_str!("../../config/maps/generic-blanking.toml")),
];

/// The name that stands for a meter model found on the device itself.
pub const SUNSPEC: &str = "sunspec";

/// Where a map comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MapOrigin {
    /// Compiled in.
    BuiltIn,
    /// A file of the maps folder.
    File(PathBuf),
}

/// One line of the list of maps.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MapInfo {
    /// Name to write in a configuration.
    pub name: String,
    /// One line for people.
    pub title: String,
    /// Where it comes from.
    pub origin: MapOrigin,
}

#[derive(Debug, Clone)]
struct Entry {
    title: String,
    origin: MapOrigin,
    source: MapSource,
}

/// All maps by name.
#[derive(Debug, Clone)]
pub struct MapLibrary {
    entries: BTreeMap<String, Entry>,
    /// Names of map files with problems: naming one is not a second fault.
    broken: BTreeSet<String>,
}

/// What a name leads to.
pub(super) enum Lookup<'l> {
    Found(&'l MapSource),
    /// Its file has problems, which are reported there.
    Broken,
    Unknown {
        nearest: Option<&'l str>,
    },
}

impl MapLibrary {
    /// The maps compiled in, and "sunspec".
    pub fn builtin() -> MapLibrary {
        let mut library = MapLibrary { entries: BTreeMap::new(), broken: BTreeSet::new() };
        library.entries.insert(
            SUNSPEC.to_owned(),
            Entry {
                title: "SunSpec meter models 201-204 and 211-214, found on the device".to_owned(),
                origin: MapOrigin::BuiltIn,
                source: MapSource::SunSpec { conventions: Conventions::default(), blanking: Blanking::default() },
            },
        );
        for (file_name, text) in BUILT_IN {
            // A fault in one of these is a fault of the build; a test holds that there is none.
            let problems = library.add(file_name, text, MapOrigin::BuiltIn);
            debug_assert!(problems.is_empty(), "{}", Problems::new(problems));
        }
        library
    }

    /// Adds the map files (`*.toml`) of a folder; all problems of all files at once.
    pub fn with_folder(mut self, folder: &Path) -> Result<MapLibrary, Problems> {
        let problems = match self.add_folder(folder) {
            Ok(problems) => problems,
            Err(error) => vec![Problem::of_file(folder.display().to_string(), unreadable_folder(&error), FOLDER_HINT)],
        };
        if problems.is_empty() { Ok(self) } else { Err(Problems::new(problems)) }
    }

    /// All maps: built-in ones first, then those of files, each by name.
    pub fn list(&self) -> Vec<MapInfo> {
        let mut list: Vec<MapInfo> = self
            .entries
            .iter()
            .map(|(name, entry)| MapInfo {
                name: name.clone(),
                title: entry.title.clone(),
                origin: entry.origin.clone(),
            })
            .collect();
        list.sort_by_key(|info| info.origin != MapOrigin::BuiltIn);
        list
    }

    /// The map of that name.
    pub fn get(&self, name: &str) -> Option<&MapSource> {
        self.entries.get(name).map(|entry| &entry.source)
    }

    pub(super) fn look_up(&self, name: &str) -> Lookup<'_> {
        match self.get(name) {
            Some(source) => Lookup::Found(source),
            None if self.broken.contains(name) => Lookup::Broken,
            None => Lookup::Unknown { nearest: nearest(name, self.entries.keys().map(String::as_str)) },
        }
    }

    /// Adds what is usable and gives the problems of the rest.
    pub(super) fn add_folder(&mut self, folder: &Path) -> std::io::Result<Vec<Problem>> {
        let mut files = Vec::new();
        for item in std::fs::read_dir(folder)? {
            let path = item?.path();
            if path.extension().is_some_and(|extension| extension == "toml") && path.is_file() {
                files.push(path);
            }
        }
        files.sort();
        let mut problems = Vec::new();
        for path in files {
            match read_text(&path) {
                Ok(text) => {
                    let origin = MapOrigin::File(path.clone());
                    problems.extend(self.add(&path.display().to_string(), &text, origin));
                }
                Err(problem) => {
                    problems.push(*problem);
                    self.mark_broken(None, &path);
                }
            }
        }
        Ok(problems)
    }

    fn add(&mut self, file_name: &str, text: &str, origin: MapOrigin) -> Vec<Problem> {
        match parse_named(file_name, text, |name| self.refuse(name)) {
            Ok(map) => {
                self.insert(map, origin);
                Vec::new()
            }
            Err(BrokenMap { name, problems }) => {
                self.mark_broken(name, Path::new(file_name));
                problems
            }
        }
    }

    fn insert(&mut self, map: MeterMap, origin: MapOrigin) {
        let entry = Entry { title: map.title.clone(), origin, source: MapSource::Fixed(map.clone()) };
        self.entries.insert(map.name, entry);
    }

    /// A broken file is known by its name key, and by its file name in case that key is what is broken.
    fn mark_broken(&mut self, name: Option<String>, path: &Path) {
        self.broken.extend(name);
        self.broken.extend(path.file_stem().map(|stem| stem.to_string_lossy().into_owned()));
    }

    /// Why a map may not have this name.
    fn refuse(&self, name: &str) -> Option<Fault> {
        let entry = self.entries.get(name)?;
        Some(match &entry.origin {
            MapOrigin::BuiltIn => Fault::new(
                format!("\"{name}\" is the name of a built-in map"),
                format!("choose another, for example \"{name}-2\""),
            ),
            MapOrigin::File(path) => {
                Fault::new(format!("a second map named \"{name}\""), format!("the first is {}", path.display()))
            }
        })
    }
}

pub(super) const FOLDER_HINT: &str = "check the path; it is taken from the folder of the configuration file";

pub(super) fn unreadable_folder(error: &std::io::Error) -> String {
    format!("the maps folder cannot be read: {error}")
}
