//! The performance report of the alarms as text, each measured figure beside the guidance, and what is not available at its end.
//!
//! Must never print a figure of the guidance without saying that it is from memory.

use std::fmt::Write;

use super::json::rfc3339;
use super::text::{line, paragraph, plural};
use crate::alarm::settings::Priority;
use crate::alarm_report::guidance as g;
use crate::alarm_report::{Count, Period, Rate, Report};
use crate::reading::UnixMs;

/// The report as text, 100 columns at most.
pub fn text(report: &Report) -> String {
    let time = |ms: i64| rfc3339(UnixMs(ms));
    let days = (report.until_ms - report.since_ms) as f64 / 86_400_000.0;
    let mut out = String::new();
    paragraph(
        &mut out,
        "",
        &format!("ALARM PERFORMANCE from {} to {} ({days:.1} days)", time(report.since_ms), time(report.until_ms)),
    );
    line(
        &mut out,
        "Guidance: ISA-18.2 / IEC 62682 for one operator, from memory; the standards' texts were not readable.\n",
    );
    rates(&mut out, &report.raised, &report.announced);
    let _ = writeln!(
        out,
        "  Raised: came before the operator. Held back from announcement: {} in a flood, {} while chattering.",
        report.held_flood, report.held_chattering
    );
    let _ = writeln!(
        out,
        "  Work orders ({} raised) and events ({}) ask no operator to act: they are no alarms and count nowhere here.",
        report.work_orders, report.events
    );
    floods(&mut out, report);
    standing(&mut out, report);
    counts(
        &mut out,
        "Chattering: raised three times or more within a minute (guidance: none)",
        "raised",
        &report.chattering,
    );
    counts(
        &mut out,
        "Fleeting: gone within a minute, before anybody acknowledged (guidance: none; the minute is this program's)",
        "times",
        &report.fleeting,
    );
    let title = format!(
        "Most frequent: {} of all raised (guidance: {} or less for the ten most frequent)",
        percent(report.share_of_most_frequent),
        percent(g::SHARE_OF_TEN)
    );
    counts(&mut out, &title, "raised", &report.most_frequent);
    priorities(&mut out, report);
    gaps(&mut out, report);
    out
}

fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}

fn row(out: &mut String, title: &str, raised: &str, announced: &str, guidance: &str) {
    let _ = writeln!(out, "  {title:<26}{raised:>14}{announced:>14}   {guidance}");
}

fn rates(out: &mut String, raised: &Rate, announced: &Rate) {
    let both = |of: fn(&Rate) -> String| (of(raised), of(announced));
    row(out, "", "raised", "announced", "guidance");
    let (r, a) = both(|rate| rate.total.to_string());
    row(out, "Alarms", &r, &a, "");
    let (r, a) = both(|rate| format!("{:.1}", rate.per_day));
    let guidance = format!("{:.0} acceptable, {:.0} manageable", g::PER_DAY, g::PER_DAY_MANAGEABLE);
    row(out, "Per day", &r, &a, &guidance);
    let (r, a) = both(|rate| format!("{:.3}", rate.per_10_min));
    let guidance = format!("{:.0} acceptable, {:.0} manageable", g::PER_10_MIN, g::PER_10_MIN_MANAGEABLE);
    row(out, "Per 10 minutes", &r, &a, &guidance);
    let (r, a) = both(|rate| rate.most_in_10_min.to_string());
    row(out, "Most in 10 minutes", &r, &a, &format!("{} or fewer", g::MOST_IN_10_MIN));
    let (r, a) = both(|rate| format!("{} ({})", rate.windows_over_10, percent(rate.share_of_windows_over_10)));
    row(out, "10-minute windows over 10", &r, &a, &format!("{} or less", percent(g::SHARE_OF_WINDOWS)));
}

fn floods(out: &mut String, report: &Report) {
    let floods = &report.floods;
    let _ = writeln!(
        out,
        "\nFloods: {}, {} of the time (guidance: {} or less), {} alarm{} in the largest",
        floods.count,
        percent(floods.share_of_time),
        percent(g::SHARE_OF_WINDOWS),
        floods.largest,
        plural(floods.largest)
    );
    paragraph(
        out,
        "  ",
        &format!(
            "From a window with more than {} raised alarms to one with fewer than {}. By its own configured limits the program \
             told of {}.",
            g::MOST_IN_10_MIN,
            g::FLOOD_ENDS_BELOW,
            floods.told
        ),
    );
}

fn standing(out: &mut String, report: &Report) {
    let still = report.standing.iter().filter(|standing| standing.until_ms.is_none()).count();
    let _ = writeln!(
        out,
        "\nStanding, active for more than 24 h: {}, of these {still} at the end (guidance: fewer than {} on any day)",
        report.standing.len(),
        g::STANDING_BELOW
    );
    for standing in &report.standing {
        let until =
            standing.until_ms.map_or_else(|| "still active".to_owned(), |ms| format!("until {}", rfc3339(UnixMs(ms))));
        let since = rfc3339(UnixMs(standing.since_ms));
        paragraph(out, "  - ", &format!("{}: {:.0} h, since {since}, {until}", standing.alarm, standing.hours));
    }
}

fn counts(out: &mut String, title: &str, unit: &str, all: &[Count]) {
    let _ = writeln!(out, "\n{title}");
    if all.is_empty() {
        line(out, "  none");
    }
    for of in all {
        paragraph(out, &format!("  {:>6} {unit}  {:>7}  ", of.count, percent(of.share)), &of.alarm);
    }
}

fn priorities(out: &mut String, report: &Report) {
    line(out, "\nPriorities of the raised alarms");
    for (of, (_, target)) in report.priorities.iter().zip(Priority::TARGET_SHARE) {
        let (priority, share) = (of.priority.unwrap_or_default(), of.share.unwrap_or_default());
        let _ = writeln!(
            out,
            "  {priority:<9}{:>8}{:>9}   guidance: about {:.0} %",
            of.count,
            percent(share),
            100.0 * target
        );
    }
}

fn gaps(out: &mut String, report: &Report) {
    line(out, "\nNot available, and not guessed");
    let mut say = |text: &str| paragraph(out, "  - ", text);
    match report.journal_begins_ms {
        None => say("The journal is empty."),
        Some(begins_ms) if begins_ms > report.since_ms => say(&format!(
            "The journal begins at {}, inside the period: nothing is known of the time before, and all rates are over the whole \
             period. Give --since from there on.",
            rfc3339(UnixMs(begins_ms))
        )),
        Some(_) => {}
    }
    if report.not_running_ms > 0 {
        let share = report.not_running_ms as f64 / (report.until_ms - report.since_ms) as f64;
        say(&format!(
            "The daemon did not run for {} of the period, by its recorded stops; the rates do not take this out.",
            percent(share)
        ));
    }
    if report.starts_without_stop > 0 {
        say(&format!(
            "The daemon started {} time{} without a recorded stop: how long it had not run before is not known.",
            report.starts_without_stop,
            plural(report.starts_without_stop)
        ));
    }
    if report.unreadable > 0 {
        say(&format!(
            "{} entries about alarms cannot be read (made by another version, or damaged) and count nowhere.",
            report.unreadable
        ));
    }
    let unknown = report.priorities.iter().filter(|of| of.priority.is_none()).map(|of| of.count).sum::<u64>();
    if unknown > 0 {
        say(&format!("The priority of {unknown} raised alarms was not recorded."));
    }
    say(
        "What on-delays and off-delays keep away from the operator is not in the journal: alarms that would chatter without them do \
         not show here.",
    );
    say("While an alarm is shelved, suppressed or out of service it does not count as standing.");
    say("How many operators share these alarms is not known: the guidance is for one.");
}

/// The period in force where none is given: 30 days, for the shares of priorities need that many.
pub const DEFAULT_DAYS: i64 = 30;

/// The period of two ends that may be left out.
pub fn period(
    since_ms: Option<i64>,
    until_ms: Option<i64>,
    now_ms: i64,
) -> Result<Period, crate::alarm_report::EmptyPeriod> {
    let until_ms = until_ms.unwrap_or(now_ms);
    Period::new(since_ms.unwrap_or(until_ms - DEFAULT_DAYS * 86_400_000), until_ms)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::alarm::id::{AlarmId, AlarmKind};
    use crate::alarm_report::report;
    use crate::journal::{Entry, Kind};

    const START: i64 = 1_795_600_800_000;

    fn entries() -> Vec<Entry> {
        let mut entries = vec![Entry::new(START, Kind::Started, "")];
        let mut put =
            |at_s: i64, pump: usize, kind: AlarmKind, from: &str, to: &str, announcement: &str, priority: &str| {
                let alarm = AlarmId::circuit("Alder Creek Lift", &format!("Pump {pump}"), kind);
                entries.push(Entry::new(START + 1000 * at_s, Kind::Transition, "").with(&json!({
                    "alarm": alarm, "from": from, "to": to, "cause": "condition_true", "announcement": announcement,
                    "priority": priority,
                })));
            };
        put(60, 1, AlarmKind::MeteringMiswired, "normal", "unacknowledged", "now", "low");
        put(61, 1, AlarmKind::ClockJumped, "normal", "unacknowledged", "now", "low");
        put(62, 1, AlarmKind::MonitorSilent, "normal", "unacknowledged", "now", "medium");
        for n in 0..12 {
            let announcement = if n < 9 { "now" } else { "held_flood" };
            put(
                7200 + n,
                n as usize + 2,
                AlarmKind::SupplyPhaseLost,
                "normal",
                "unacknowledged",
                announcement,
                "critical",
            );
        }
        for n in 0..3 {
            put(90_000 + 20 * n, 2, AlarmKind::ValuesFrozen, "normal", "unacknowledged", "now", "medium");
            put(
                90_005 + 20 * n,
                2,
                AlarmKind::ValuesFrozen,
                "unacknowledged",
                "returned_unacknowledged",
                "none",
                "medium",
            );
        }
        entries
    }

    #[test]
    fn the_report_of_two_days() {
        let entries = entries();
        let period = Period::new(START, START + 2 * 86_400_000).unwrap();
        let text = text(&report(period, &entries));
        assert!(text.lines().all(|line| line.chars().count() <= 110), "{text}");
        insta::assert_snapshot!(text);
    }

    #[test]
    fn an_empty_journal_is_told() {
        let text = text(&report(period(None, None, START).unwrap(), &[]));
        assert!(text.contains("The journal is empty") && text.contains("(30.0 days)"), "{text}");
    }
}
