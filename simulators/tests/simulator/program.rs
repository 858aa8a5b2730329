//! The program: help, list, dump, and an outside recomputation of what a dump says was metered.

use std::process::{Command, Output};

fn run(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_wattassay-simulator")).args(arguments).output().expect("the program runs")
}

fn text(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

#[test]
fn help_and_list_tell_what_there_is() {
    let help = text(&run(&["--help"]));
    for word in ["serve", "dump", "list"] {
        assert!(help.contains(word), "{help}");
    }
    let list = text(&run(&["list"]));
    for word in ["Alder Creek Lift", "127.0.0.1:15021", "generic-blanking", "sunspec-213"] {
        assert!(list.contains(word), "{list}");
    }
}

#[test]
fn a_dump_recomputes_to_what_it_says_was_metered() {
    let dump = text(&run(&["dump", "--station", "mill-race-pumping", "--at", "20", "--cycles", "6"]));
    let dump: serde_json::Value = serde_json::from_str(&dump).expect("JSON");
    let channel = |name: &str| -> Vec<f64> {
        let channels = dump["channels"].as_array().expect("channels");
        let found = channels.iter().find(|channel| channel["name"] == name).expect(name);
        found["samples"].as_array().expect("samples").iter().map(|value| value.as_f64().expect("a number")).collect()
    };
    let mean = |values: &mut dyn Iterator<Item = f64>, count: usize| values.sum::<f64>() / count as f64;
    for phase in 1..=3usize {
        let (volts, amps) = (channel(&format!("v{phase}")), channel(&format!("slot 2 i{phase}")));
        assert_eq!(volts.len(), 6 * 128);
        let rms = mean(&mut amps.iter().map(|value| value * value), amps.len()).sqrt();
        let watts = mean(&mut volts.iter().zip(&amps).map(|(v, i)| v * i), amps.len());
        let metered = &dump["metered"]["circuits"][1];
        let close = |got: f64, said: &serde_json::Value| {
            let said = said.as_f64().expect("a number");
            assert!((got - said).abs() < 1e-6 * said.abs().max(1.0), "{got} and {said}");
        };
        close(rms, &metered["current_a"][phase - 1]);
        close(watts, &metered["active_power_w"][phase - 1]);
        assert_eq!(watts < 0.0, phase == 2, "pump 2's second CT is reversed");
    }
    let rows = text(&run(&["dump", "--station", "mill-race-pumping", "--format", "csv", "--cycles", "1"]));
    assert_eq!(rows.lines().count(), 129);
    assert!(rows.starts_with("t_s,v1 [V],v2 [V],v3 [V],slot 1 i1 [A]"));
}

#[test]
fn faults_of_the_command_line_end_with_a_plain_message() {
    for (arguments, words) in [
        (&["dump", "--station", "no-such-file.toml"][..], "cannot read"),
        (&["dump", "--station", "alder-creek-lift", "--monitor", "PM-9"], "no monitor \"PM-9\""),
        (&["dump", "--station", "alder-creek-lift", "--cycles", "0"], "1 to 600"),
        (&["dump", "--station", "alder-creek-lift", "--at=-1"], "not be negative"),
        (&["serve", "--rate", "0"], "more than 0"),
    ] {
        let output = run(arguments);
        assert!(!output.status.success());
        let message = String::from_utf8_lossy(&output.stderr);
        assert!(message.contains(words), "{message}");
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("bad.toml");
    std::fs::write(&path, "name = \"X\"\n[source]\nline_volts = 3\n").expect("written");
    let message = run(&["dump", "--station", path.to_str().expect("UTF-8")]);
    let message = String::from_utf8_lossy(&message.stderr).into_owned();
    assert!(message.contains("line_volts") && message.contains("bad.toml"), "{message}");
}
