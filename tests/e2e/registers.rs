//! The real binary with a map that is not quite the device's: the simulator serves one map, the daemon is given it with
//! one mistake in it, and must name the mistake; where the map is right it must say nothing.

use crate::support::{Scene, Stage, station, told, wattassay};

/// A built-in map of the daemon under another name, changed line by line.
fn spoiled(map: &str, name: &str, change: impl Fn(&str) -> String) -> String {
    let path = format!("{}/config/maps/{map}.toml", env!("CARGO_MANIFEST_DIR"));
    let text =
        std::fs::read_to_string(path).unwrap().replace(&format!("name = \"{map}\""), &format!("name = \"{name}\""));
    let changed: Vec<String> = text.lines().map(change).collect();
    assert_ne!(changed.join("\n"), text.trim_end());
    changed.join("\n")
}

fn scene(name: &'static str, built_in: &'static str, change: impl Fn(&str) -> String) -> Scene {
    let map_file = Some(spoiled(built_in, name, change));
    Scene { map: name, simulated_map: built_in, map_file, loads: vec![0.8], ..Scene::sound(name, built_in) }
}

fn one_further(line: &str) -> String {
    match line.strip_prefix("address = ").and_then(|address| address.parse::<u32>().ok()) {
        Some(address) => format!("address = {}", address + 1),
        None => line.to_owned(),
    }
}

fn mistakes() -> Vec<(Scene, &'static str, &'static str, &'static str)> {
    let order = scene("wrong-order", "generic-full", |line| line.replace("\"ABCD\"", "\"CDAB\""));
    let bytes = scene("wrong-bytes", "generic-full", |line| line.replace("\"ABCD\"", "\"DCBA\""));
    let watts_order = scene("wrong-watts-order", "generic-watts", |line| line.replace("\"CDAB\"", "\"ABCD\""));
    let address = scene("wrong-address", "generic-watts", one_further);
    let float_address = scene("wrong-float-address", "generic-full", one_further);
    let volts = scene("wrong-volts", "generic-watts", |line| line.replace("scale = 0.1", "scale = 1.0"));
    let amps = scene("wrong-amps", "generic-watts", |line| line.replace("unit = \"A\"", "unit = \"mA\""));
    let mut sign = scene("wrong-sign", "generic-watts", |line| line.replace("\"i32\"", "\"u32\""));
    sign.current = ["-A", "-B", "-C"].map(str::to_owned);
    vec![
        (order, "word_order", "byte_order = \"ABCD\"", "277"),
        (bytes, "byte_order", "byte_order = \"ABCD\"", "277"),
        (watts_order, "word_order", "byte_order = \"CDAB\"", "kW"),
        (address, "address_offset", "subtract 1 from every address", "27"),
        (float_address, "address_offset", "subtract 1 from every address", "27"),
        (volts, "scale", "multiply scale by 0.1 on the points of voltage", "277"),
        (amps, "scale", "multiply scale by 1000 on the points of current", "A"),
        (sign, "signedness", "type = \"i32\"", "-"),
    ]
}

#[test]
fn each_mistake_in_a_map_is_named_with_the_key_to_change() {
    let cases = mistakes();
    let scenes: Vec<Scene> = cases.iter().map(|case| case.0.clone()).collect();
    let (_, document) = Stage::set(&scenes).audit(6);
    let mut wrong = Vec::new();
    for (scene, kind, change, fits) in &cases {
        let fault = &station(&document, &scene.name)["monitors"][0]["register_fault"];
        let has = |key: &str, part: &str| fault[key].as_str().is_some_and(|text| text.contains(part));
        let sure = fault["probability"].as_f64().is_some_and(|p| p >= 0.95);
        if fault["kind"] != *kind || !has("change", change) || !has("fits_instead", fits) || !sure {
            wrong.push(format!("{}: {fault}", scene.name));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_right_map_is_left_alone_whatever_the_station_does() {
    let mut scenes = Vec::new();
    for map in ["generic-full", "generic-watts", "generic-totals", "generic-blanking"] {
        scenes.push(Scene::sound(format!("Sound {map}"), map));
        let mut stopped = Scene::sound(format!("Stopped {map}"), map);
        stopped.loads = vec![0.0];
        scenes.push(stopped);
        let mut reversed = Scene::sound(format!("Reversed {map}"), map);
        reversed.current = ["-A", "-B", "-C"].map(str::to_owned);
        scenes.push(reversed);
        let mut rolled = Scene::sound(format!("Rolled {map}"), map);
        rolled.current = ["B", "C", "A"].map(str::to_owned);
        scenes.push(rolled);
        let mut blown = Scene::sound(format!("Blown {map}"), map);
        blown.voltage[1] = "blown".to_owned();
        scenes.push(blown);
        let mut open = Scene::sound(format!("Open {map}"), map);
        open.current[0] = "open".to_owned();
        scenes.push(open);
    }
    let (_, document) = Stage::set(&scenes).audit(7);
    let mut wrong = Vec::new();
    for scene in &scenes {
        let monitor = &station(&document, &scene.name)["monitors"][0];
        assert_eq!(monitor["state"], "live", "{}: {monitor}", scene.name);
        if scene.name.starts_with("Stopped") {
            assert_eq!(station(&document, &scene.name)["circuits"][0]["run_state"], "stopped", "{}", scene.name);
        }
        if !monitor["register_fault"].is_null() {
            wrong.push(format!("{}: {}", scene.name, monitor["register_fault"]["text"]));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Somebody who tries a map on a device is told at once what would fit better, and in the report too.
#[test]
fn a_try_and_a_report_tell_what_would_fit_better() {
    let stage = Stage::set(&[mistakes().remove(0).0, Scene::sound("Sound", "generic-full")]);
    let folder = stage.config.parent().unwrap().join("maps");
    let tried = |map: &str, address: &str| {
        let mut command = wattassay();
        command.args(["maps", "try", map, "--nominal-voltage", "480 V", "--address", address, "--folder"]).arg(&folder);
        told(&command.output().unwrap())
    };
    let wrong = tried("wrong-order", &stage.addresses[0]);
    assert!(wrong.contains("Would fit better: The map reads its values as 32-bit floats"), "{wrong}");
    let right = tried("generic-full", &stage.addresses[1]);
    assert!(right.contains("exit Some(0)") && !right.contains("Would fit better"), "{right}");
    let report = wattassay().args(["audit", "--for", "4 s", "--config"]).arg(&stage.config).output().unwrap();
    let report = told(&report);
    assert_eq!(report.matches("REGISTER MAP: The map reads its values").count(), 1, "{report}");
}
