//! Many problems are told together, in line order, with their lines shown; and what happens around the files.

use super::*;
use crate::config::{Problems, load};

const MANY: &str = r#"[http]
listen = "0.0.0.0:9184"

[[stations]]
name = "Mill Race Pumping"
service = "high-leg-dlta"
nominal_voltage = 240

[[stations.monitors]]
name = "PM-1"
addres = "127.0.0.1:15021"
unit = 300
map = "generic-full"

[[stations.circuits]]
name = "Pump 1"
monitor = "PM-9"
load = "induction-motor"
full_load_current = "77 V"
"#;

fn problems(text: &str) -> Problems {
    parse("site.toml", text, &MapLibrary::builtin()).err().unwrap_or_default()
}

#[test]
fn all_problems_are_told_together_in_line_order_with_their_lines() {
    let expected = r#"site.toml:2:10: http.listen: 0.0.0.0:9184 can be reached from other machines; listen on 127.0.0.1, or add expose = true when that is meant
  2 | listen = "0.0.0.0:9184"
    |          ^^^^^^^^^^^^^^
site.toml:6:11: stations.service: "high-leg-dlta" is not a choice here; did you mean "high-leg-delta"?
  6 | service = "high-leg-dlta"
    |           ^^^^^^^^^^^^^^^
site.toml:7:19: stations.nominal_voltage: 240 has no unit; write "240 V" (units of voltage: V, kV, mV)
  7 | nominal_voltage = 240
    |                   ^^^
site.toml:11:1: stations.monitors.addres: this key is not known; did you mean address?
  11 | addres = "127.0.0.1:15021"
     | ^^^^^^
site.toml:12:8: stations.monitors.unit: 300 is out of range; unit is a whole number from 0 to 255
  12 | unit = 300
     |        ^^^
site.toml:17:11: stations.circuits.monitor: this station has no monitor named "PM-9"; did you mean "PM-1"?
  17 | monitor = "PM-9"
     |           ^^^^^^
site.toml:19:21: stations.circuits.full_load_current: "77 V" is a voltage, expected a current; a current is written like "77 A"
  19 | full_load_current = "77 V"
     |                     ^^^^^^"#;
    assert_eq!(problems(MANY).to_string(), expected);
}

#[test]
fn places_are_lines_and_columns_of_the_text() {
    for problem in &problems(MANY) {
        let line = MANY.lines().nth(problem.line - 1).unwrap_or_default();
        assert!(problem.column <= line.chars().count(), "{problem}");
    }
}

type Outcome = Result<(), Box<dyn std::error::Error>>;

/// Writes files below a new folder, loads "site.toml", and gives its problems with the folder's path cut out.
fn told_of_folder(files: &[(&str, &str)]) -> Result<Vec<String>, Box<dyn std::error::Error>> {
    let folder = tempfile::tempdir()?;
    for (name, text) in files {
        let path = folder.path().join(name);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        std::fs::write(path, text)?;
    }
    let prefix = format!("{}/", folder.path().display());
    Ok(match load(&folder.path().join("site.toml")) {
        Ok(_) => vec!["no problem".to_owned()],
        Err(problems) => first_lines(&problems).into_iter().map(|line| line.replace(&prefix, "")).collect(),
    })
}

fn site(map: &str) -> String {
    format!("maps.folder = \"maps\"\n{}", with(MINIMAL, "generic-full", map))
}

#[test]
fn a_missing_maps_folder_is_told_at_its_key() -> Outcome {
    let told = told_of_folder(&[("site.toml", &site("generic-full"))])?;
    assert_eq!(
        told,
        ["site.toml:1:15: maps.folder: the maps folder cannot be read: No such file or directory (os error 2); \
          check the path; it is taken from the folder of the configuration file"]
    );
    Ok(())
}

#[test]
fn problems_of_map_files_and_of_the_configuration_come_together() -> Outcome {
    let broken = with(SMALL_MAP, "scale = 0.1", "scale = 0");
    let site = with(&site("small"), "unit = 1", "unit = 256");
    let told = told_of_folder(&[("site.toml", &site), ("maps/other.toml", &broken)])?;
    assert_eq!(
        told,
        [
            "maps/other.toml:13:9: points.scale: a scale of 0 makes every value 0; leave scale out for 1",
            "site.toml:10:8: stations.monitors.unit: 256 is out of range; unit is a whole number from 0 to 255",
        ],
        "naming a map whose file is broken is not a further problem"
    );
    Ok(())
}

#[test]
fn a_map_file_may_not_take_a_name_that_is_taken() -> Outcome {
    let shadow = with(SMALL_MAP, "\"small\"", "\"generic-full\"");
    let sunspec = with(SMALL_MAP, "\"small\"", "\"sunspec\"");
    let told = told_of_folder(&[
        ("site.toml", &site("small")),
        ("maps/a.toml", SMALL_MAP),
        ("maps/b.toml", SMALL_MAP),
        ("maps/c.toml", &shadow),
        ("maps/d.toml", &sunspec),
    ])?;
    assert_eq!(
        told,
        [
            "maps/b.toml:2:8: name: a second map named \"small\"; the first is maps/a.toml",
            "maps/c.toml:2:8: name: \"generic-full\" is the name of a built-in map; choose another, for example \"generic-full-2\"",
            "maps/d.toml:2:8: name: \"sunspec\" is the name of a built-in map; choose another, for example \"sunspec-2\"",
        ]
    );
    Ok(())
}

#[test]
fn a_missing_configuration_is_told() -> Outcome {
    let told = told_of_folder(&[("other.toml", "")])?;
    assert_eq!(
        told,
        [
            "site.toml: this file cannot be read: No such file or directory (os error 2); check the path and its permissions"
        ]
    );
    Ok(())
}

#[test]
fn a_bad_folder_of_maps_is_an_error_of_the_library_too() -> Outcome {
    let folder = tempfile::tempdir()?;
    std::fs::write(folder.path().join("x.toml"), with(SMALL_MAP, "version = 1", "version = 9"))?;
    let problems = MapLibrary::builtin().with_folder(folder.path()).err().unwrap_or_default();
    assert_eq!(problems.len(), 1);
    let missing = MapLibrary::builtin().with_folder(&folder.path().join("none")).err().unwrap_or_default();
    assert_eq!(missing.len(), 1);
    Ok(())
}
