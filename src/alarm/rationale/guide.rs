//! The rationalization as documents: a guide in Markdown and a table in CSV. Must never hold anything that is not in the
//! table.

use std::fmt::Write;

use super::{Class, Rationale, all, distribution};
use crate::alarm::settings::Priority;

/// Head of the CSV's columns, in the order of `row`.
pub const COLUMNS: [&str; 9] =
    ["kind", "class", "title", "priority", "respond", "cause", "consequence", "operator_action", "why_this_priority"];

fn row(rationale: &Rationale) -> [&'static str; 9] {
    [
        rationale.kind.key(),
        rationale.class.key(),
        rationale.title,
        rationale.priority.key(),
        rationale.respond.key(),
        rationale.cause,
        rationale.consequence,
        rationale.action,
        rationale.why,
    ]
}

/// One line per kind after a head, fields in quotes, lines ended by CR LF (RFC 4180).
pub fn csv() -> String {
    let line = |fields: [&str; 9]| fields.map(|field| format!("\"{}\"", field.replace('"', "\"\""))).join(",") + "\r\n";
    all().iter().fold(line(COLUMNS), |text, rationale| text + &line(row(rationale)))
}

/// The guide for operators and for whoever reviews the alarms.
pub fn markdown() -> String {
    let mut text = String::from(
        "# Alarm guide\n\nMade by `wattassay alarms kinds --format md`; a test holds it equal to the program.\n\n\
         An **alarm** asks an operator to act. A **work order** waits for a planned visit: it is listed and sent apart, and never \
         at night. An **event** asks nobody: it is journaled and listed. Priorities are defaults; the configuration can change \
         them per kind (`[alarms.KIND]`) and raise them per circuit (`alarm_priority`).\n",
    );
    for class in Class::ALL {
        let _ = write!(text, "\n## {}s\n", class.words());
        let mut rows: Vec<&Rationale> = all().iter().filter(|row| row.class == class).collect();
        rows.sort_by_key(|row| std::cmp::Reverse((row.priority, row.respond)));
        for row in rows {
            let _ = write!(
                text,
                "\n### {}\n\n`{}`, {}, respond {}.\n\n- Cause: {}\n- Consequence: {}\n- Action: {}\n- Why this priority: {}\n",
                row.title,
                row.kind.key(),
                row.priority.key(),
                if row.class == Class::Event { "not needed" } else { row.respond.words() },
                row.cause,
                row.consequence,
                row.action,
                row.why
            );
        }
    }
    text.push_str(&priorities());
    text
}

/// The measured distribution beside the guidance.
fn priorities() -> String {
    let mut text = String::from(
        "\n## Distribution of default priorities\n\nThe guidance (ISA-18.2 / IEC 62682, from memory) is about 80 % low, 15 % medium \
         and 5 % high of the alarms of a position, critical ones apart. Counted here are kinds; what comes in a month is in \
         `wattassay alarms report`.\n\n| | low | medium | high | critical (apart) |\n|---|---|---|---|---|\n\
         | guidance | 80 % | 15 % | 5 % | few |\n",
    );
    let counted: [(&str, &[Class]); 2] =
        [("alarms", &[Class::Alarm]), ("alarms and work orders", &[Class::Alarm, Class::WorkOrder])];
    for (name, classes) in counted {
        let distribution = distribution(classes);
        let shares = distribution.shares().unwrap_or_default();
        let cells: Vec<String> = distribution
            .kinds
            .iter()
            .zip(shares)
            .map(|(kinds, share)| format!("{kinds} ({:.0} %)", 100.0 * share))
            .collect();
        let _ = writeln!(text, "| {name} | {} | {} |", cells.join(" | "), distribution.critical);
    }
    let _ = write!(
        text,
        "\nThe alarms alone are more urgent than the guidance: whatever can wait for days is a work order here and not an alarm, so \
         no alarm is {} by default. With the work orders, which other systems would announce as low alarms, the kinds come nearer \
         to it.\n",
        Priority::Low.key()
    );
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::id::AlarmKind;

    #[test]
    fn the_committed_guide_is_what_the_table_says() {
        let committed = include_str!("../../../deploy/alarms.md");
        assert!(
            committed == markdown(),
            "deploy/alarms.md is old: wattassay alarms kinds --format md > deploy/alarms.md"
        );
    }

    #[test]
    fn the_csv_has_a_line_for_every_kind_and_nine_fields_in_each() {
        let csv = csv();
        let lines: Vec<&str> = csv.trim_end().split("\r\n").collect();
        assert_eq!(lines.len(), 1 + AlarmKind::ALL.len());
        for (line, key) in lines.iter().zip(std::iter::once("kind").chain(AlarmKind::ALL.map(AlarmKind::key))) {
            assert!(line.starts_with(&format!("\"{key}\",")), "{line}");
            assert_eq!(line.matches("\",\"").count(), COLUMNS.len() - 1, "{line}");
        }
    }

    #[test]
    fn no_alarm_is_low_as_the_guide_says() {
        assert_eq!(distribution(&[Class::Alarm]).kinds[0], 0);
    }
}
