//! `[alarms]`: how alarms behave where that differs from the defaults, and what sets them aside by design.
//!
//! Must never invent an alarm: the kinds are those of `crate::alarm::id`.

use std::ops::RangeInclusive;

use super::model::StationConfig;
use super::problem::quoted;
use super::quantity::Dimension;
use super::reader::{Fault, Field, Located, TableReader, not_there, text_of};
use super::station::{MAX_NAME_CHARS, Names};
use crate::alarm::availability::AvailabilitySettings;
use crate::alarm::id::AlarmKind;
use crate::alarm::machine::{RULE_NAME_MAX, RULES_MAX};
use crate::alarm::rule::SuppressionRule;
use crate::alarm::settings::{
    AlarmSettings, AlarmsConfig, CHATTER_RAISES_MAX, FLOOD_ALARMS_MAX, FloodSettings, Priority,
};
use crate::alarm::shelf::{AT_ONCE_MAX, ShelfSettings};
use crate::reading::UnixMs;

const DAY_S: f64 = 86_400.0;
const DELAYS: RangeInclusive<f64> = 0.0..=DAY_S;
const WINDOWS: RangeInclusive<f64> = 120.0..=DAY_S;
const SPANS: RangeInclusive<f64> = 1.0..=366.0 * DAY_S;

/// Reads the table; absent is all defaults.
pub(super) fn read_alarms(root: &TableReader<'_>, stations: Option<&[StationConfig]>) -> Option<AlarmsConfig> {
    let Some(table) = root.table("alarms") else {
        return root.raw("alarms").is_none().then(AlarmsConfig::default);
    };
    let flood = read_flood(&table);
    let mut kinds = Some(std::collections::BTreeMap::new());
    for kind in AlarmKind::ALL {
        let Some(of_kind) = table.table(kind.key()) else { continue };
        match (read_kind(&of_kind, kind), &mut kinds) {
            (Some(settings), Some(kinds)) => drop(kinds.insert(kind, settings)),
            _ => kinds = None,
        }
        of_kind.finish();
    }
    let shelf = read_shelf(&table);
    let availability = read_availability(&table);
    let rules = read_rules(&table, stations);
    table.finish();
    Some(AlarmsConfig { kinds: kinds?, flood: flood?, shelf: shelf?, availability: availability?, rules: rules? })
}

fn read_flood(table: &TableReader<'_>) -> Option<FloodSettings> {
    let Some(flood) = table.table("flood") else {
        return table.raw("flood").is_none().then(FloodSettings::default);
    };
    let defaults = FloodSettings::default();
    let begins = flood.integer("begins_above", 1..=i64::from(FLOOD_ALARMS_MAX)).or(i64::from(defaults.begins_above));
    let ends = flood.integer("ends_below", 1..=i64::from(FLOOD_ALARMS_MAX));
    let ends = flood.check("ends_below", ends, |ends| match begins {
        Some(begins) if ends > begins => Err(Fault::new(
            format!("a flood that begins above {begins} alarms cannot end below {ends}"),
            "write ends_below not greater than begins_above",
        )),
        _ => Ok(ends),
    });
    let within_ms = time_ms(&flood, "within", &SPANS, "from 1 s to 366 d").or(defaults.within_ms);
    flood.finish();
    // A small begins_above alone takes the end with it.
    let ends = ends.or(i64::from(defaults.ends_below).min(begins.unwrap_or(1)));
    Some(FloodSettings {
        begins_above: u32::try_from(begins?).ok()?,
        ends_below: u32::try_from(ends?).ok()?,
        within_ms: within_ms?,
    })
}

fn read_shelf(table: &TableReader<'_>) -> Option<ShelfSettings> {
    let Some(shelf) = table.table("shelving") else {
        return table.raw("shelving").is_none().then(ShelfSettings::default);
    };
    let at_once = shelf.integer("at_once", 1..=i64::from(AT_ONCE_MAX));
    let at_once = at_once.or(i64::from(ShelfSettings::default().at_once));
    shelf.finish();
    Some(ShelfSettings { at_once: u32::try_from(at_once?).ok()? })
}

fn read_availability(table: &TableReader<'_>) -> Option<AvailabilitySettings> {
    let Some(entry) = table.table("availability") else {
        return table.raw("availability").is_none().then(AvailabilitySettings::default);
    };
    let defaults = AvailabilitySettings::default();
    let window_ms = time_ms(&entry, "window", &WINDOWS, "from 2 min to 1 d").or(defaults.window_ms);
    let share = |key: &'static str| {
        entry.check(key, entry.number(key, "0.8"), |share| {
            if share > 0.0 && share <= 1.0 {
                return Ok(share);
            }
            let message = format!("{share} is no share of the time");
            Err(Fault::new(message, format!("write a number above 0 and at most 1, for example {key} = 0.8")))
        })
    };
    let below = share("below").or(defaults.below);
    let until = entry.check("until", share("until"), |until| match below {
        Some(below) if until < below => Err(Fault::new(
            format!("an alarm that is raised below {below} cannot return at {until}"),
            "write `until` not smaller than `below`",
        )),
        _ => Ok(until),
    });
    let interruptions = entry.integer("interruptions", 2..=1000).or(i64::from(defaults.interruptions));
    entry.finish();
    // A large `below` alone takes the end with it.
    let until = until.or(defaults.until.max(below.unwrap_or(0.0)));
    Some(AvailabilitySettings {
        window_ms: window_ms?,
        below: below?,
        until: until?,
        interruptions: u32::try_from(interruptions?).ok()?,
    })
}

fn read_kind(table: &TableReader<'_>, kind: AlarmKind) -> Option<AlarmSettings> {
    let mut settings = AlarmSettings::of_kind(kind);
    let priorities = Priority::TARGET_SHARE.map(|(priority, _)| (priority.key(), priority));
    let delay = |key, default| time_ms(table, key, &DELAYS, "from 0 s to 1 d").or(default);
    let span = |key, default| time_ms(table, key, &SPANS, "from 1 s to 366 d").or(default);
    let priority = table.choice("priority", &priorities).or(settings.priority);
    let on_delay_ms = delay("on_delay", settings.on_delay_ms);
    let off_delay_ms = delay("off_delay", settings.off_delay_ms);
    let latching = table.boolean("latching").or(settings.latching);
    let max_shelving_ms = span("longest_shelving", settings.max_shelving_ms);
    // What is not said takes what is with it.
    let shelving_total_ms =
        not_below(table, "shelving_total", ("longest_shelving", max_shelving_ms), settings.shelving_total_ms);
    let shelving_period_ms =
        not_below(table, "shelving_period", ("shelving_total", shelving_total_ms), settings.shelving_period_ms);
    let raises = table.integer("chatter_raises", 2..=i64::from(CHATTER_RAISES_MAX));
    let raises = raises.or(i64::from(settings.chatter.raises));
    let within_ms = span("chatter_within", settings.chatter.within_ms);
    let quiet_ms = span("chatter_quiet", settings.chatter.quiet_ms);
    settings.priority = priority?;
    settings.on_delay_ms = on_delay_ms?;
    settings.off_delay_ms = off_delay_ms?;
    settings.latching = latching?;
    settings.max_shelving_ms = max_shelving_ms?;
    settings.shelving_total_ms = shelving_total_ms?;
    settings.shelving_period_ms = shelving_period_ms?;
    settings.chatter.raises = u32::try_from(raises?).ok()?;
    settings.chatter.within_ms = within_ms?;
    settings.chatter.quiet_ms = quiet_ms?;
    Some(settings)
}

/// A span that must not be shorter than another; not said, it is the default or as long as the other.
fn not_below(table: &TableReader<'_>, key: &'static str, other: (&str, Option<u64>), default_ms: u64) -> Option<u64> {
    let (other, least_ms) = (other.0, other.1.unwrap_or(0));
    let field = time_ms(table, key, &SPANS, "from 1 s to 366 d");
    let field = table.check(key, field, |span_ms| {
        if span_ms < least_ms {
            return Err(Fault::new(
                format!("this is shorter than {other}"),
                format!("write a time that is not shorter than {other}"),
            ));
        }
        Ok(span_ms)
    });
    field.or(default_ms.max(least_ms))
}

fn time_ms(table: &TableReader<'_>, key: &'static str, range: &RangeInclusive<f64>, bounds: &str) -> Field<u64> {
    table.quantity(key, Dimension::Time, range, bounds).map(|s| (s * 1000.0).round() as u64)
}

fn read_rules(table: &TableReader<'_>, stations: Option<&[StationConfig]>) -> Option<Vec<SuppressionRule>> {
    let entries = match table.tables("suppress") {
        Field::Absent => return Some(Vec::new()),
        other => other.value()?,
    };
    let mut names = Names::new("rule");
    let mut rules: Option<Vec<SuppressionRule>> = Some(Vec::new());
    for entry in entries {
        let place = entry.place().clone();
        let name = entry.name("name", RULE_NAME_MAX, "Rebuild of the station");
        let name = entry.need("name", name, "name the rule, for example name = \"Rebuild of the station\"");
        let name = names.take(&entry, name);
        let rule = read_rule(&entry, name, stations);
        let (Some(rule), Some(list)) = (rule, &mut rules) else {
            entry.finish();
            rules = None;
            continue;
        };
        if list.iter().filter(|other| other.station == rule.station).count() >= RULES_MAX {
            let hint = "join rules, or take out those that are over";
            let message = format!("{} has more than {RULES_MAX} rules", quoted(&rule.station));
            entry.fault("station", &place, Fault::new(message, hint));
            rules = None;
        } else {
            list.push(rule);
        }
        entry.finish();
    }
    rules
}

fn read_rule(
    entry: &TableReader<'_>,
    name: Option<String>,
    stations: Option<&[StationConfig]>,
) -> Option<SuppressionRule> {
    let station = entry.name("station", MAX_NAME_CHARS, "Alder Creek Lift");
    let station = entry.need("station", station, "name the station, for example station = \"Alder Creek Lift\"");
    let station = entry.check("station", station, |name| {
        known(name, "station", stations, |all| all.iter().map(|station| station.name.as_str()).collect())
    });
    let of_station = match (&station, stations) {
        (Field::Good(Located { value, .. }), Some(all)) => all.iter().find(|station| station.name == *value),
        _ => None,
    };
    let part = entry.name("part", MAX_NAME_CHARS, "Pump 1");
    let part = entry.check("part", part, |name| {
        known(name, "circuit or monitor", of_station, |station| {
            let circuits = station.circuits.iter().map(|circuit| circuit.name.as_str());
            circuits.chain(station.monitors.iter().map(|monitor| monitor.name.as_str())).collect()
        })
    });
    let kinds = read_kinds(entry);
    if entry.raw("kinds").is_none() {
        let message =
            "a rule without kinds sets aside every alarm of its place that is not critical, whatever its cause";
        let hint = "name the kinds that the rule explains, for example kinds = [\"values_frozen\"]";
        entry.warn("kinds", entry.place(), Fault::new(message, hint));
    }
    let while_active = entry.choice("while_active", &AlarmKind::ALL.map(|kind| (kind.key(), kind)));
    let from = entry.time("from");
    let until = entry.time("until");
    let until = entry.check("until", until, |until: UnixMs| match &from {
        Field::Good(Located { value: from, .. }) if *from >= until => {
            Err(Fault::new("this rule ends before it begins", "write an `until` that is later than `from`"))
        }
        _ => Ok(until),
    });
    Some(SuppressionRule {
        name: name?,
        station: station.value()?,
        part: optional(part)?,
        kinds: kinds?,
        from: optional(from)?,
        until: optional(until)?,
        while_active: optional(while_active)?,
    })
}

fn read_kinds(entry: &TableReader<'_>) -> Option<Vec<AlarmKind>> {
    let field = match entry.array("kinds", "[\"monitor_silent\"]") {
        Field::Absent => return Some(Vec::new()),
        other => other.value()?,
    };
    let words = AlarmKind::ALL.map(AlarmKind::key);
    let mut kinds = Some(Vec::new());
    for item in field {
        let kind = text_of("kinds", item.get_ref(), "monitor_silent").and_then(|text| {
            let found = AlarmKind::ALL.into_iter().find(|kind| kind.key() == text);
            found.ok_or_else(|| not_there("kind of alarm", text, words.into_iter()))
        });
        match (kind, &mut kinds) {
            (Ok(kind), Some(kinds)) => kinds.push(kind),
            (Ok(_), None) => {}
            (Err(fault), _) => {
                entry.fault("kinds", &item.span(), fault);
                kinds = None;
            }
        }
    }
    kinds
}

/// Absent is fine; at fault is not.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
fn optional<T>(field: Field<T>) -> Option<Option<T>> {
    match field {
        Field::Absent => Some(None),
        other => other.value().map(Some),
    }
}

/// Lets a name through that is among the known ones, and any while these are at fault themselves.
fn known<T: ?Sized>(
    name: String,
    what: &str,
    of: Option<&T>,
    names: impl Fn(&T) -> Vec<&str>,
) -> Result<String, Fault> {
    match of.map(names) {
        Some(names) if !names.contains(&name.as_str()) => Err(not_there(what, &name, names.into_iter())),
        _ => Ok(name),
    }
}
