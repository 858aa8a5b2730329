//! `[notifications]`: the outbox, and what each target is told and when. Off when the table is absent.
//!
//! Must never take a secret from the file: only the names of files that hold one.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;

use jiff::civil::{Time, Weekday};
use jiff::tz::TimeZone;

use super::model::StationConfig;
use super::notification_channel::{read_email, read_syslog, read_webhook};
use super::problem::quoted;
use super::quantity::Dimension;
use super::reader::{Fault, Field, Located, TableReader, nearest, text_of};
use crate::alarm::rationale::Class;
use crate::alarm::settings::Priority;
use crate::notify::quiet::{QuietHours, Window};
use crate::notify::settings::{
    Channel, DEFAULT_AT_ONCE, DEFAULT_DIGEST_AT, DEFAULT_MAX_AGE, DEFAULT_QUEUE, DEFAULT_TIMEOUT, Rate, Settings,
    SyslogTransport, Target,
};
use crate::notify::told::Told;

/// Names are shown to people and stand in metrics.
const MAX_NAME_CHARS: usize = 40;
const DAYS: [(&str, Weekday); 7] = [
    ("mon", Weekday::Monday),
    ("tue", Weekday::Tuesday),
    ("wed", Weekday::Wednesday),
    ("thu", Weekday::Thursday),
    ("fri", Weekday::Friday),
    ("sat", Weekday::Saturday),
    ("sun", Weekday::Sunday),
];

type Kind = fn(&TableReader<'_>) -> Option<Channel>;
const KINDS: [(&str, Kind); 3] = [("webhook", read_webhook), ("email", read_email), ("syslog", read_syslog)];

/// What `[notifications]` says; the inner option is none when the table is absent. `stations` are those of the file, none when
/// they are at fault themselves.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
pub(super) fn read_notifications(
    root: &TableReader<'_>,
    stations: Option<&[StationConfig]>,
) -> Option<Option<Settings>> {
    let Some(table) = root.table("notifications") else {
        return if root.raw("notifications").is_some() { None } else { Some(None) };
    };
    let folder = table.text("folder", "/var/lib/wattassay/outbox");
    let folder = table.need(
        "folder",
        table.check("folder", folder, path),
        "say where messages wait, for example folder = \"/var/lib/wattassay/outbox\"",
    );
    let zone = read_zone(&table).or(TimeZone::UTC);
    let mut targets = Some(Vec::new());
    let mut names = BTreeSet::new();
    for (key, read_channel) in KINDS {
        let readers = match table.tables(key) {
            Field::Good(readers) => readers.value,
            Field::Absent => continue,
            Field::Bad => {
                targets = None;
                continue;
            }
        };
        for reader in readers {
            let target = read_target(reader, read_channel, zone.as_ref(), &mut names, stations);
            targets = targets.zip(target).map(|(mut targets, target)| {
                targets.push(target);
                targets
            });
        }
    }
    table.finish();
    Some(Some(Settings { folder: folder.value()?, targets: targets.filter(|_| zone.is_some())? }))
}

fn read_target(
    table: TableReader<'_>,
    read_channel: Kind,
    zone: Option<&TimeZone>,
    names: &mut BTreeSet<String>,
    stations: Option<&[StationConfig]>,
) -> Option<Target> {
    let name = table.name("name", MAX_NAME_CHARS, "on-call");
    let name = table.check("name", name, |name| {
        if names.insert(name.clone()) {
            Ok(name)
        } else {
            Err(Fault::new(
                format!("there are two targets named {}", quoted(&name)),
                "give each target a name of its own",
            ))
        }
    });
    let name = table.need("name", name, "give the target a name, for example name = \"on-call\"");
    let channel = read_channel(&table);
    let of_priority = Priority::TARGET_SHARE.map(|(priority, _)| (priority.key(), priority));
    let priorities = words(&table, "priorities", &of_priority).or(of_priority.map(|(_, priority)| priority).into());
    let tell = words(&table, "tell", &Told::ALL).or(Told::DEFAULT.into());
    let only = read_stations(&table, stations);
    // A receiver of log lines is no person: it takes what comes.
    let is_log = matches!(channel, Some(Channel::Syslog(_)));
    let classes = read_classes(&table, is_log);
    let digest_at = time_of_day(&table, "digest_at", "07:00").or(DEFAULT_DIGEST_AT);
    let zone = read_zone(&table).or(zone.cloned().unwrap_or(TimeZone::UTC));
    let windows = read_quiet(&table);
    let rate = read_rate(&table, if is_log { None } else { Some(Rate::DEFAULT) });
    let span = |key, range, bounds, default: Duration| {
        let seconds = table.quantity(key, Dimension::Time, &range, bounds).or(default.as_secs_f64());
        seconds.map(Duration::from_secs_f64)
    };
    let max_age = span("give_up_after", 60.0..=31.0 * 86_400.0, "from 1 min to 31 d", DEFAULT_MAX_AGE);
    let timeout = span("timeout", 1.0..=120.0, "from 1 s to 120 s", DEFAULT_TIMEOUT);
    let queue = table.integer("queue", 10..=100_000).or(DEFAULT_QUEUE as i64);
    table.finish();
    let (zone, (at_once, digest)) = (zone?, classes?);
    Some(Target {
        name: name.value()?,
        priorities: priorities?,
        stations: only?,
        at_once,
        digest,
        digest_at: digest_at?,
        tell: tell?,
        quiet: QuietHours { zone: zone.clone(), windows: windows? },
        rate: rate?,
        zone,
        max_age: max_age?,
        queue: queue? as usize,
        timeout: timeout?,
        channel: channel?,
    })
}

/// What is sent as it happens, and what once a day.
fn read_classes(table: &TableReader<'_>, is_log: bool) -> Option<(BTreeSet<Class>, BTreeSet<Class>)> {
    let choices = Class::ALL.map(|class| (class.key(), class));
    let default = if is_log { Class::ALL.into() } else { DEFAULT_AT_ONCE.into() };
    let at_once = words(table, "at_once", &choices).or(default);
    let digest = words(table, "digest", &choices);
    let digest = table.check("digest", digest, |digest| match &at_once {
        Some(at_once) if !at_once.is_disjoint(&digest) => Err(Fault::new(
            "what is sent at once is not sent again in the digest",
            "write each class in at_once or in digest, or in neither to have none of it",
        )),
        _ => Ok(digest),
    });
    // A target that names what it wants at once gets nothing else unasked.
    let unasked = if table.raw("at_once").is_some() || is_log { BTreeSet::new() } else { [Class::WorkOrder].into() };
    Some((at_once?, digest.or(unasked)?))
}

/// A time of the wall clock.
fn time_of_day(table: &TableReader<'_>, key: &'static str, example: &str) -> Field<Time> {
    table.check(key, table.text(key, example), |text| {
        let fault = || {
            let message = format!("{} is no time of day", quoted(text));
            Fault::new(message, format!("write hours and minutes, for example {key} = \"{example}\""))
        };
        Time::strptime("%H:%M", text).map_err(|_| fault())
    })
}

/// A list of words out of a few; not empty.
fn words<T: Copy + Ord>(
    table: &TableReader<'_>,
    key: &'static str,
    choices: &[(&'static str, T)],
) -> Field<BTreeSet<T>> {
    let known: Vec<&str> = choices.iter().map(|(word, _)| *word).collect();
    let example = format!("[{:?}]", known.first().copied().unwrap_or_default());
    let items = table.array(key, &example);
    table.check(key, items, |items| {
        let mut chosen = BTreeSet::new();
        for item in items {
            let word = text_of(key, item.get_ref(), known.first().copied().unwrap_or_default())?;
            let found = choices.iter().find(|(known, _)| *known == word);
            let fault = || {
                Fault::new(
                    format!("{} is not a choice here", quoted(word)),
                    format!("choose from {}", known.join(", ")),
                )
            };
            chosen.insert(found.ok_or_else(fault)?.1);
        }
        if chosen.is_empty() {
            return Err(Fault::new("this list is empty", format!("choose from {}", known.join(", "))));
        }
        Ok(chosen)
    })
}

#[allow(clippy::option_option, reason = "all stations, and a fault, are two things")]
fn read_stations(table: &TableReader<'_>, known: Option<&[StationConfig]>) -> Option<Option<BTreeSet<String>>> {
    let items = table.array("stations", "[\"Larkmoor North\"]");
    let stations = table.check("stations", items, |items| {
        let mut stations = BTreeSet::new();
        for item in items {
            let name = text_of("stations", item.get_ref(), "Larkmoor North")?;
            if known.is_some_and(|known| known.iter().all(|station| station.name != name)) {
                let near = nearest(name, known.unwrap_or_default().iter().map(|station| station.name.as_str()));
                let hint = near.map_or("write the name of a station of this file".to_owned(), |near| {
                    format!("did you mean {near:?}?")
                });
                return Err(Fault::new(format!("there is no station {}", quoted(name)), hint));
            }
            stations.insert(name.to_owned());
        }
        if stations.is_empty() {
            return Err(Fault::new("this list is empty", "name stations, or take the key away to have all of them"));
        }
        Ok(stations)
    });
    match stations {
        Field::Absent => Some(None),
        Field::Bad => None,
        Field::Good(stations) => Some(Some(stations.value)),
    }
}

fn read_zone(table: &TableReader<'_>) -> Field<TimeZone> {
    let zone = table.text("time_zone", "Europe/London");
    table.check("time_zone", zone, |name| {
        TimeZone::get(name).map_err(|_| {
            Fault::new(
                format!("{} is no time zone that is known", quoted(name)),
                "write for example time_zone = \"Europe/London\"",
            )
        })
    })
}

fn read_quiet(table: &TableReader<'_>) -> Option<Vec<Window>> {
    let (readers, span) = match table.tables("quiet") {
        Field::Absent => return Some(Vec::new()),
        Field::Bad => return None,
        Field::Good(Located { value, span }) => (value, span),
    };
    let windows: Vec<Option<Window>> = readers.into_iter().map(read_window).collect();
    let windows: Vec<Window> = windows.into_iter().collect::<Option<_>>()?;
    let quiet = QuietHours { zone: TimeZone::UTC, windows };
    if !quiet.leaves_time() {
        let hint = "leave some time of the week in which messages are sent";
        table.fault("quiet", &span, Fault::new("these quiet hours never end", hint));
        return None;
    }
    Some(quiet.windows)
}

fn read_window(table: TableReader<'_>) -> Option<Window> {
    let days = words(&table, "days", &DAYS.map(|(word, day)| (word, day.to_monday_zero_offset())));
    let days = days.or(DAYS.map(|(_, day)| day.to_monday_zero_offset()).into());
    let time = |key, example: &str| {
        let field = time_of_day(&table, key, example);
        table.need(key, field, &format!("write for example {key} = \"{example}\"")).value()
    };
    let (from, to) = (time("from", "22:00"), time("to", "06:00"));
    table.finish();
    let days = days?.into_iter().filter_map(|day| Weekday::from_monday_zero_offset(day).ok()).collect();
    Some(Window { days, from: from?, to: to? })
}

#[allow(clippy::option_option, reason = "no limit, and a fault, are two things")]
fn read_rate(table: &TableReader<'_>, default: Option<Rate>) -> Option<Option<Rate>> {
    let limit = match table.optional_table("limit") {
        Field::Absent => return Some(default),
        Field::Bad => return None,
        Field::Good(limit) => limit.value,
    };
    let messages = limit.integer("messages", 1..=1000);
    let messages = limit.need("messages", messages, "say how many messages, for example messages = 20");
    let within = limit.quantity("within", Dimension::Time, &(1.0..=86_400.0), "from 1 s to 1 d");
    let within = limit.need("within", within, "say within what time, for example within = \"10 min\"");
    limit.finish();
    Some(Some(Rate { messages: messages.value()? as u32, within_ms: (within.value()? * 1000.0) as u64 }))
}

/// A path: not empty, no NUL.
pub(super) fn path(text: &str) -> Result<PathBuf, Fault> {
    if text.trim().is_empty() || text.contains('\0') {
        Err(Fault::new("this is not a path", "write the path of a file or folder"))
    } else {
        Ok(PathBuf::from(text))
    }
}

/// The transports of syslog with their words.
pub(super) const SYSLOG_TRANSPORTS: [(&str, SyslogTransport); 3] =
    [("tls", SyslogTransport::Tls), ("tcp", SyslogTransport::Tcp), ("udp", SyslogTransport::Udp)];
