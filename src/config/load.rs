//! The head of a configuration file, and the way from a path to a checked `Config`.
//!
//! Must never stop at the first problem: a person mends a file once, not once for each fault.

use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::alarms::read_alarms;
use super::builtin::{FOLDER_HINT, MapLibrary, unreadable_folder};
use super::document::{parse_document, read_text};
use super::modbus_server::read_modbus_server;
use super::model::{Config, HistoryConfig, HistoryPlace, StationConfig};
use super::notifications::read_notifications;
use super::problem::{Problem, Problems};
use super::reader::{Fault, Located, TableReader};
use super::records::{read_history, read_journal};
use super::report::{Report, Span};
use super::station::read_stations;
use super::tariff::read_tariff;
use super::warnings::{self, Found};
use super::web::{read_access, read_http, read_metrics};

/// Reads and checks a configuration file and the maps folder it names.
pub fn load(path: &Path) -> Result<Config, Problems> {
    load_with_maps(path, MapLibrary::builtin()).map(|(config, _)| config)
}

/// As [`load`], beginning with the maps of `library`; gives the library with the folder's maps added.
pub fn load_with_maps(path: &Path, library: MapLibrary) -> Result<(Config, MapLibrary), Problems> {
    let text = read_text(path).map_err(|problem| Problems::new(vec![*problem]))?;
    let base = path.parent().unwrap_or(Path::new(""));
    let mut library = library;
    let outcome = parse_with(&path.display().to_string(), &text, |folder| match folder {
        Some(folder) => library.add_folder(&base.join(folder)).map(|problems| (library.clone(), problems)),
        None => Ok((library.clone(), Vec::new())),
    });
    outcome.map(|config| (beside(base, config), library)).map_err(Problems::new)
}

/// Folders are meant from where the file is.
fn beside(base: &Path, mut config: Config) -> Config {
    config.journal = config.journal.map(|folder| base.join(folder));
    if let Some(tls) = config.modbus_server.as_mut().and_then(|server| server.tls.as_mut()) {
        for file in [&mut tls.certificate, &mut tls.key, &mut tls.client_authority] {
            *file = base.join(&*file);
        }
    }
    if let Some(tls) = &mut config.http.tls {
        tls.certificate = base.join(&tls.certificate);
        tls.key = base.join(&tls.key);
    }
    if let Some(access) = &mut config.access {
        access.users = base.join(&access.users);
    }
    if let Some(HistoryConfig { place: HistoryPlace::Folder(folder), .. }) = &mut config.history {
        *folder = base.join(&folder);
    }
    if let Some(notifications) = &mut config.notifications {
        notifications.folder = base.join(&notifications.folder);
        for target in &mut notifications.targets {
            target.place_files(|file| base.join(file));
        }
    }
    config
}

/// Checks the text of a configuration against the maps given. `[maps]` is checked, but no folder is read.
pub fn parse(file_name: &str, text: &str, maps: &MapLibrary) -> Result<Config, Problems> {
    parse_with(file_name, text, |_| Ok((maps.clone(), Vec::new()))).map_err(Problems::new)
}

/// `maps` gives the library once the folder is known, with the problems of the map files.
fn parse_with(
    file_name: &str,
    text: &str,
    maps: impl FnOnce(Option<&str>) -> std::io::Result<(MapLibrary, Vec<Problem>)>,
) -> Result<Config, Vec<Problem>> {
    let report = Report::new(file_name, text);
    let mut problems = Vec::new();
    let document = parse_document(&report, text);
    let mut config = None;
    if let Some(document) = &document {
        let root = TableReader::new(&report, "", 0..0, document.get_ref());
        let http = read_http(&root);
        let access = read_access(&root);
        let metrics = read_metrics(&root, access.as_ref().map(Option::is_some));
        let journal = read_journal(&root);
        let history = read_history(&root);
        let folder = read_maps_folder(&root);
        let library = match maps(folder.as_ref().map(|folder| folder.value)) {
            Ok((library, of_maps)) => {
                problems.extend(of_maps);
                Some(library)
            }
            Err(error) => {
                let span = folder.map_or(0..0, |folder| folder.span);
                report.add(&span, "maps.folder", unreadable_folder(&error), FOLDER_HINT);
                None
            }
        };
        let tariff = read_tariff(&root);
        let stations = read_stations(&root, library.as_ref());
        let modbus_server = read_modbus_server(&root, stations.as_deref());
        let alarms = read_alarms(&root, stations.as_deref());
        let notifications = read_notifications(&root, stations.as_deref());
        root.finish();
        // A bad tariff is among the problems, so that what is made here without it is thrown away.
        let tariff = tariff.value();
        config = match (http, access, metrics, modbus_server, alarms, journal, history, notifications, stations) {
            (
                Some(http),
                Some(access),
                Some(metrics),
                Some(modbus_server),
                Some(alarms),
                Some(journal),
                Some(history),
                Some(notifications),
                Some(mut stations),
            ) => {
                for station in &mut stations {
                    station.tariff = station.tariff.take().or_else(|| tariff.clone());
                }
                warn_of_stations(&report, document.get_ref(), &stations);
                let warnings = report.take_warnings();
                Some(Config {
                    http,
                    access,
                    metrics,
                    modbus_server,
                    alarms,
                    journal,
                    history,
                    notifications,
                    stations,
                    warnings,
                })
            }
            _ => None,
        };
    }
    problems.extend(report.into_problems());
    match config {
        Some(config) if problems.is_empty() => Ok(config),
        _ => Err(problems),
    }
}

/// Warns of what the settings of each station contradict in each other.
fn warn_of_stations(report: &Report<'_>, document: &DeTable<'_>, stations: &[StationConfig]) {
    for (index, station) in stations.iter().enumerate() {
        for Found { circuit, key, what } in warnings::of_station(station) {
            let (span, path) = place(document, index, circuit, key);
            report.warn(&span, path, what.message(), what.hint());
        }
    }
}

/// Where the value of a key of a station or of one of its circuits is in the text, else where its table begins; and the
/// dotted path of the key.
fn place(document: &DeTable<'_>, station: usize, circuit: Option<usize>, key: &str) -> (Span, String) {
    let mut path = "stations".to_owned();
    let mut found = item(document, "stations", station);
    if let Some(circuit) = circuit {
        path.push_str(".circuits");
        found = found.and_then(|(_, table)| item(table, "circuits", circuit));
    }
    let span = found.map_or(0..0, |(span, table)| value(table, key).map_or(span, Spanned::span));
    (span, format!("{path}.{key}"))
}

fn value<'t>(table: &'t DeTable<'_>, key: &str) -> Option<&'t Spanned<DeValue<'t>>> {
    table.iter().find(|(name, _)| name.get_ref().as_ref() == key).map(|(_, value)| value)
}

/// One of the tables under `key`.
fn item<'t>(table: &'t DeTable<'_>, key: &str, index: usize) -> Option<(Span, &'t DeTable<'t>)> {
    let DeValue::Array(items) = value(table, key)?.get_ref() else { return None };
    let item = items.get(index)?;
    let DeValue::Table(table) = item.get_ref() else { return None };
    Some((item.span(), table))
}

fn read_maps_folder<'a>(root: &TableReader<'a>) -> Option<Located<&'a str>> {
    let table = root.table("maps")?;
    let folder = table.text("folder", "maps");
    let folder = table.check("folder", folder, |text| {
        if text.trim().is_empty() || text.contains('\0') {
            Err(Fault::new("this is not a folder", "write for example folder = \"maps\""))
        } else {
            Ok(text)
        }
    });
    table.finish();
    folder.located()
}
