//! What goes over the wire: JSON, mail and syslog lines.

use proptest::prelude::*;

use super::*;
use crate::notify::outbox_file::Waiting;
use crate::notify::send::syslog_line::{LINE_MAX, escaped, line};
use crate::notify::send::webhook_body::body;

/// The first message about an alarm, with an id.
fn waiting(station: &str, priority: Priority) -> Waiting {
    let id = AlarmId::circuit(station, "Pump 1", AlarmKind::SupplyPhaseLost);
    let mut scene = Scene::new(target("t"), &[(id.clone(), priority)], 100);
    scene.comes(1, &id);
    Waiting { sequence: 1, id: "00000000000000ff-1".to_owned(), message: scene.sent.remove(0) }
}

#[test]
fn the_body_of_a_webhook_is_as_recorded() {
    let json = body("control-room", &waiting("Larkmoor North", Priority::Critical));
    let value: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert!(json.find("\"cautions\"") < json.find("\"action\""), "{json}");
    insta::assert_json_snapshot!(value);
}

#[test]
fn a_syslog_line_is_as_recorded() {
    let line = line(3, 32_473, "scada 1", 42, &waiting("Larkmoor [\"North\\]", Priority::Critical));
    let expected = "<26>1 2026-11-25T20:00:01Z scada_1 wattassay 42 raised [wattassay@32473 id=\"00000000000000ff-1\" \
                    event=\"raised\" priority=\"critical\" alarm=\"supply_phase_lost\" \
                    alarm_id=\"918c6e1e2c9c31e57df20900\" class=\"alarm\" station=\"Larkmoor [\\\"North\\\\\\]\" circuit=\"Pump 1\" state=\"unacknowledged\"] \u{feff}CRIT Larkmoor [\"North\\], Pump 1: phase B lost";
    assert!(line.starts_with(expected), "{line}\n{expected}");
    assert!(!line.contains("What to do") && !line.contains('\n'), "{line}");
}

#[test]
fn severities_follow_priorities() {
    let of = |priority| line(16, 1, "h", 1, &waiting("S", priority));
    let heads = [
        (Priority::Critical, "<130>1"),
        (Priority::High, "<131>1"),
        (Priority::Medium, "<132>1"),
        (Priority::Low, "<133>1"),
    ];
    for (priority, head) in heads {
        assert!(of(priority).starts_with(head), "{priority:?}");
    }
}

/// A reader of one quoted value by the RFC's own grammar: up to the first quote that no backslash precedes.
fn unescaped(text: &str) -> Option<String> {
    let (mut value, mut chars) = (String::new(), text.chars());
    while let Some(c) = chars.next() {
        match c {
            '\\' => value.push(chars.next()?),
            '"' | ']' => return None,
            c => value.push(c),
        }
    }
    Some(value)
}

proptest! {
    #[test]
    fn escaped_values_read_back(value in "\\PC*") {
        prop_assert_eq!(unescaped(&escaped(&value)), Some(value));
    }

    #[test]
    fn lines_are_whole_whatever_names_hold(station in "\\PC{1,200}") {
        let line = line(3, 32_473, &station, 1, &waiting(&station, Priority::Low));
        prop_assert!(line.len() <= LINE_MAX && !line.chars().any(char::is_control));
        let header: Vec<&str> = line.splitn(7, ' ').collect();
        prop_assert_eq!(header.len(), 7);
        prop_assert!(header[2].len() <= 255 && header[2].bytes().all(|b| (33..=126).contains(&b)), "{}", line);
        prop_assert!(header[6].starts_with("[wattassay@32473 ") && line.contains("] \u{feff}"), "{}", line);
    }

    #[test]
    fn heads_of_mails_are_one_line(remark in "\\PC{0,400}") {
        let id = pump("Larkmoor North", 1);
        let mut scene = Scene::new(target("t"), &[(id.clone(), Priority::Low)], 100);
        scene.comes(1, &id);
        let by = crate::alarm::operator::Operator::new("R. Ash", &remark).unwrap();
        scene.apply(2, &id, Event::Acknowledge(by));
        let subject = &scene.sent[1].subject;
        prop_assert!(subject.chars().count() <= 200 && !subject.chars().any(char::is_control), "{}", subject);
    }
}
