//! `[alarms]`: defaults, every key, and the words for what is wrong.

use super::{MINIMAL, told};
use crate::alarm::availability::AvailabilitySettings;
use crate::alarm::id::AlarmKind;
use crate::alarm::settings::{AlarmSettings, AlarmsConfig, Priority};
use crate::config::{MapLibrary, parse};
use crate::reading::UnixMs;

fn alarms(text: &str) -> AlarmsConfig {
    parse("f.toml", &format!("{MINIMAL}\n{text}"), &MapLibrary::builtin()).unwrap().alarms
}

#[test]
fn without_a_table_all_is_as_documented() {
    assert_eq!(alarms(""), AlarmsConfig::default());
    assert_eq!(alarms("[alarms]"), AlarmsConfig::default());
}

#[test]
fn every_key_is_read() {
    let read = alarms(
        r#"
[alarms.flood]
begins_above = 20
ends_below = 8
within = "5 min"

[alarms.metering_miswired]
priority = "high"
on_delay = "2 min"
off_delay = "10 s"
latching = true
longest_shelving = "3 d"
shelving_total = "5 d"
shelving_period = "30 d"
chatter_raises = 4
chatter_within = "10 min"
chatter_quiet = "20 min"

[alarms.shelving]
at_once = 5

[alarms.availability]
window = "20 min"
below = 0.7
until = 0.9
interruptions = 4

[[alarms.suppress]]
name = "Rebuild"
station = "Alder Creek Lift"
part = "Pump 1"
kinds = ["values_frozen", "fits_no_wiring"]
while_active = "monitor_silent"
from = "2026-11-01T00:00:00Z"
until = 2026-12-01T00:00:00+00:00
"#,
    );
    assert_eq!((read.flood.begins_above, read.flood.ends_below, read.flood.within_ms), (20, 8, 300_000));
    let miswired = read.of_kind(AlarmKind::MeteringMiswired);
    assert_eq!((miswired.priority, miswired.on_delay_ms, miswired.off_delay_ms), (Priority::High, 120_000, 10_000));
    assert!(miswired.latching);
    assert_eq!(miswired.max_shelving_ms, 3 * 86_400_000);
    assert_eq!((miswired.shelving_total_ms, miswired.shelving_period_ms), (5 * 86_400_000, 30 * 86_400_000));
    assert_eq!(read.shelf.at_once, 5);
    let expected = AvailabilitySettings { window_ms: 1_200_000, below: 0.7, until: 0.9, interruptions: 4 };
    assert_eq!(read.availability, expected);
    assert_eq!(
        (miswired.chatter.raises, miswired.chatter.within_ms, miswired.chatter.quiet_ms),
        (4, 600_000, 1_200_000)
    );
    assert_eq!(read.of_kind(AlarmKind::StorageFull), AlarmSettings::of_kind(AlarmKind::StorageFull));
    let rule = &read.rules[0];
    assert_eq!((rule.name.as_str(), rule.station.as_str()), ("Rebuild", "Alder Creek Lift"));
    assert_eq!(rule.part.as_deref(), Some("Pump 1"));
    assert_eq!(rule.kinds, [AlarmKind::ValuesFrozen, AlarmKind::FitsNoWiring]);
    assert_eq!(rule.while_active, Some(AlarmKind::MonitorSilent));
    assert_eq!((rule.from, rule.until), (Some(UnixMs(1_793_491_200_000)), Some(UnixMs(1_796_083_200_000))));
}

#[test]
fn what_is_wrong_is_told_with_its_place() {
    let mut wrong = Vec::new();
    let rule = |lines: &str| format!("[[alarms.suppress]]\nname = \"R\"\nstation = \"Alder Creek Lift\"\n{lines}");
    for (text, words) in [
        ("[alarms]\nvalues_frosen = {}", "alarms.values_frosen: this key is not known; did you mean values_frozen?"),
        ("[alarms.values_frozen]\npriority = \"urgent\"", "\"urgent\" is not a choice here"),
        ("[alarms.values_frozen]\non_delay = 5", "5 has no unit"),
        ("[alarms.values_frozen]\nchatter_raises = 1", "1 is out of range"),
        (
            "[alarms.values_frozen]\nlongest_shelving = \"2 d\"\nshelving_total = \"1 d\"",
            "this is shorter than longest_shelving",
        ),
        ("[alarms.values_frozen]\nshelving_period = \"1 h\"", "this is shorter than shelving_total"),
        ("[alarms.shelving]\nat_once = 0", "0 is out of range"),
        ("[alarms.availability]\nbelow = 80", "80 is no share of the time"),
        ("[alarms.availability]\nbelow = 0.9\nuntil = 0.8", "cannot return at 0.8"),
        ("[alarms.availability]\nwindow = \"30 s\"", "alarms.availability.window"),
        ("[alarms.flood]\nbegins_above = 3\nends_below = 4", "a flood that begins above 3 alarms cannot end below 4"),
        (&rule("part = \"Pump 7\""), "there is no circuit or monitor named \"Pump 7\""),
        (&rule("kinds = [\"values_frosen\"]"), "there is no kind of alarm named \"values_frosen\""),
        (&rule("from = \"2026-12-01T00:00:00Z\"\nuntil = \"2026-11-01T00:00:00Z\""), "this rule ends before it begins"),
        (&rule("from = \"yesterday\""), "\"yesterday\" is not a time with its zone"),
        ("[[alarms.suppress]]\nname = \"R\"\nstation = \"Alder Creek Lifd\"", "there is no station named"),
        ("[[alarms.suppress]]\nstation = \"Alder Creek Lift\"", "alarms.suppress"),
        ("alarms = 3", "alarms"),
    ] {
        let text = if text.starts_with("alarms") { format!("{text}\n{MINIMAL}") } else { format!("{MINIMAL}\n{text}") };
        let told = told(&text);
        if told.len() != 1 || !told[0].contains(words) || !told[0].starts_with("f.toml:") {
            wrong.push(format!("{words}: {told:?}"));
        }
    }
    assert_eq!(wrong, Vec::<String>::new());
}

#[test]
fn a_rule_without_kinds_is_warned_of_and_used_as_written() {
    let rule = |kinds: &str| {
        let text = format!("{MINIMAL}\n[[alarms.suppress]]\nname = \"R\"\nstation = \"Alder Creek Lift\"\n{kinds}");
        let config = parse("f.toml", &text, &MapLibrary::builtin()).unwrap();
        let of_rules = config.warnings.iter().map(ToString::to_string).filter(|text| text.contains("alarms.suppress"));
        (config.alarms.rules.len(), of_rules.collect::<Vec<_>>())
    };
    let (rules, warnings) = rule("");
    assert!(rules == 1 && warnings.len() == 1, "{warnings:?}");
    assert!(warnings[0].contains("a rule without kinds sets aside every alarm"), "{warnings:?}");
    assert_eq!(rule("kinds = [\"values_frozen\"]"), (1, Vec::new()));
}

#[test]
fn a_long_shelving_takes_its_total_and_period_along() {
    let read = alarms("[alarms.values_frozen]\nlongest_shelving = \"10 d\"").of_kind(AlarmKind::ValuesFrozen);
    let ten_days = 10 * 86_400_000;
    assert_eq!((read.max_shelving_ms, read.shelving_total_ms, read.shelving_period_ms), (ten_days, ten_days, ten_days));
    assert_eq!(read.problems(), Vec::<String>::new());
}

#[test]
fn a_station_has_no_more_rules_than_an_alarm_can_hold() {
    let rule = |n| format!("[[alarms.suppress]]\nname = \"R{n}\"\nstation = \"Alder Creek Lift\"\n");
    let rules: Vec<String> = (0..9).map(rule).collect();
    let told = told(&format!("{MINIMAL}\n{}", rules.concat()));
    assert!(told.len() == 1 && told[0].contains("has more than 8 rules"), "{told:?}");
}

#[test]
fn a_circuit_raises_its_alarms_and_never_lowers_them() {
    let read = |word: &str| {
        let text = format!("{MINIMAL}alarm_priority = \"{word}\"\n");
        parse("f.toml", &text, &MapLibrary::builtin()).map(|config| config.stations[0].circuits[0].alarm_priority)
    };
    assert_eq!(read("high").unwrap(), Some(Priority::High));
    assert_eq!(read("critical").unwrap(), Some(Priority::Critical));
    let told = told(&format!("{MINIMAL}alarm_priority = \"low\"\n"));
    assert!(told.len() == 1 && told[0].contains("\"low\" is not a choice here"), "{told:?}");
}
