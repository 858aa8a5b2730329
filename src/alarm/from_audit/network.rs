//! Monitors that fall silent at the same moment: one cause, told once. Must never count a monitor that was silent before.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;

use super::Told;
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::state::Condition;
use crate::alarm::words::{self as say, Silent};
use crate::reading::MonoMs;

/// Clocks of polls that are not quite even, ms.
const SLACK_MS: u64 = 5_000;
/// Fewer than these of all stations together are no matter of the network.
const LEAST_OF_DAEMON: usize = 3;
/// The same of one station, or behind one address of it.
const LEAST_OF_STATION: usize = 2;

/// A monitor, and whether it is silent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SilentMonitor<'a> {
    /// Its station.
    pub station: &'a str,
    /// Name.
    pub monitor: &'a str,
    /// Host that it is reached at: the same for all behind one gateway.
    pub host: &'a str,
    /// It has been polled.
    pub polled: bool,
    /// When it last answered and why it does not now; `None` while it answers.
    pub silent: Option<Silence<'a>>,
    /// Time between polls, ms.
    pub poll_period_ms: u64,
}

/// How a monitor fell silent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Silence<'a> {
    /// When it last answered; `None` when it never has.
    pub last_good: Option<MonoMs>,
    /// Why, as the failed transaction tells.
    pub cause: &'a str,
}

/// What is told of silence that many monitors share.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SilentTogether {
    /// One condition for the daemon and each station.
    pub told: Vec<Told>,
    /// The alarm that tells a monitor's silence, by station and monitor.
    tellers: BTreeMap<(String, String), AlarmId>,
}

impl SilentTogether {
    /// The alarm that tells the silence of this monitor, when it is not the only one.
    pub fn teller(&self, station: &str, monitor: &str) -> Option<&AlarmId> {
        self.tellers.get(&(station.to_owned(), monitor.to_owned()))
    }

    fn group(&mut self, id: AlarmId, of: &[SilentMonitor], members: &[SilentMonitor], with_station: bool) {
        let name = |one: &SilentMonitor| {
            if with_station { format!("{}, {}", one.station, one.monitor) } else { one.monitor.to_owned() }
        };
        let silent: Vec<Silent> = members
            .iter()
            .map(|one| Silent { name: name(one), cause: one.silent.map_or("", |silence| silence.cause).to_owned() })
            .collect();
        let last = |one: &SilentMonitor| one.silent.and_then(|silence| silence.last_good).map_or(0, |at| at.0);
        let (first, latest) = (members.iter().map(last).min(), members.iter().map(last).max());
        let within_ms = latest.unwrap_or(0) - first.unwrap_or(0);
        let story = say::silent_together(&silent, of.len(), within_ms.div_ceil(1000).max(1));
        for one in members {
            self.tellers.insert((one.station.to_owned(), one.monitor.to_owned()), id.clone());
        }
        self.told.push(Told::raised(id, story));
    }
}

/// What is told of these monitors, all of the daemon.
pub fn silent_together(monitors: &[SilentMonitor]) -> SilentTogether {
    let mut all = SilentTogether::default();
    let of_daemon = AlarmId::daemon(AlarmKind::MetersSilentTogether);
    let members = at_one_moment(monitors);
    let stations: BTreeSet<&str> = members.iter().map(|one| one.station).collect();
    let most = members.len() >= LEAST_OF_DAEMON && 2 * members.len() > monitors.len();
    if most && stations.len() > 1 {
        all.group(of_daemon, monitors, &members, true);
    } else {
        all.told.push(Told::new(of_daemon, cleared(monitors)));
    }
    let mut by_station: BTreeMap<&str, Vec<SilentMonitor>> = BTreeMap::new();
    for one in monitors {
        by_station.entry(one.station).or_default().push(*one);
    }
    for (station, of_station) in by_station {
        let id = AlarmId::station(station, AlarmKind::MetersSilentTogether);
        let members = of_one_station(&of_station);
        let told_already = members.iter().any(|one| all.teller(one.station, one.monitor).is_some());
        if members.is_empty() || told_already {
            all.told.push(Told::new(id, cleared(&of_station)));
        } else {
            all.group(id, &of_station, &members, false);
        }
    }
    all
}

/// Most of a station's monitors, or all behind one address of it.
fn of_one_station<'a>(monitors: &[SilentMonitor<'a>]) -> Vec<SilentMonitor<'a>> {
    let members = at_one_moment(monitors);
    if members.len() >= LEAST_OF_STATION && 2 * members.len() > monitors.len() {
        return members;
    }
    let hosts: BTreeSet<&str> = monitors.iter().map(|one| one.host).collect();
    for host in hosts {
        let behind: Vec<SilentMonitor> = monitors.iter().copied().filter(|one| one.host == host).collect();
        let members = at_one_moment(&behind);
        if members.len() >= LEAST_OF_STATION && members.len() == behind.len() {
            return members;
        }
    }
    Vec::new()
}

/// The most monitors whose silence can have begun at one moment.
fn at_one_moment<'a>(monitors: &[SilentMonitor<'a>]) -> Vec<SilentMonitor<'a>> {
    let begun_at = |at: u64| -> Vec<SilentMonitor<'a>> {
        let begun = |one: &&SilentMonitor<'a>| span_ms(one).is_some_and(|span| span.contains(&at));
        monitors.iter().filter(begun).copied().collect()
    };
    // Where most overlap, one of them begins.
    let moments = monitors.iter().filter_map(|one| span_ms(one).map(|span| *span.start()));
    moments.map(begun_at).max_by_key(Vec::len).unwrap_or_default()
}

/// When a monitor's silence can have begun: between its last answer and its next poll.
fn span_ms(one: &SilentMonitor) -> Option<RangeInclusive<u64>> {
    let last = one.silent?.last_good.map_or(0, |at| at.0);
    let until = last.saturating_add(one.poll_period_ms).saturating_add(SLACK_MS);
    Some(last.saturating_sub(SLACK_MS)..=until)
}

fn cleared(monitors: &[SilentMonitor]) -> Condition {
    if monitors.iter().all(|one| one.polled) { Condition::False } else { Condition::Unknown }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NAMES: [&str; 8] = ["PM-1", "PM-2", "PM-3", "PM-4", "PM-5", "PM-6", "PM-7", "PM-8"];

    fn monitor(n: usize, stations: usize, silent_at_ms: Option<u64>) -> SilentMonitor<'static> {
        SilentMonitor {
            station: ["Alder Creek", "Larkmoor"][n * stations / 8],
            monitor: NAMES[n],
            host: NAMES[n],
            polled: true,
            silent: silent_at_ms.map(|at| Silence { last_good: Some(MonoMs(at)), cause: "timed out" }),
            poll_period_ms: 1000,
        }
    }

    fn raised(together: &SilentTogether) -> Vec<String> {
        together.told.iter().filter(|t| t.condition == Condition::True).map(|t| t.id.to_string()).collect()
    }

    #[test]
    fn eight_monitors_silent_within_seconds_are_one_alarm_of_the_daemon() {
        let silent: Vec<SilentMonitor> = (0..8).map(|n| monitor(n, 2, Some(100_000 + 300 * n as u64))).collect();
        let together = silent_together(&silent);
        assert_eq!(raised(&together), ["wattassay: meters_silent_together"]);
        let story = together.told[0].story.clone().unwrap();
        assert!(story.line.starts_with("8 of 8 meters silent at once"), "{story:?}");
        assert!(story.what.contains("fell silent within 3 s"), "{story:?}");
        assert!(silent.iter().all(|one| together.teller(one.station, one.monitor).is_some()));
    }

    #[test]
    fn monitors_that_fell_silent_at_other_times_and_most_that_answer_are_none() {
        let apart: Vec<SilentMonitor> = (0..8).map(|n| monitor(n, 2, Some(100_000 + 60_000 * n as u64))).collect();
        assert_eq!(raised(&silent_together(&apart)), Vec::<String>::new());
        let few: Vec<SilentMonitor> = (0..8).map(|n| monitor(n, 2, (n == 0 || n == 7).then_some(100_000))).collect();
        assert_eq!(raised(&silent_together(&few)), Vec::<String>::new());
        assert_eq!(silent_together(&few).teller("Alder Creek", "PM-1"), None);
    }

    #[test]
    fn most_monitors_of_one_station_are_an_alarm_of_that_station() {
        let mut monitors: Vec<SilentMonitor> = (0..8).map(|n| monitor(n, 2, (n < 4).then_some(100_000))).collect();
        let together = silent_together(&monitors);
        assert_eq!(raised(&together), ["Alder Creek: meters_silent_together"]);
        assert!(together.teller("Larkmoor", "PM-5").is_none());
        // Two of four behind one gateway, the others answer.
        for (n, one) in monitors.iter_mut().enumerate() {
            one.host = if n < 2 { "10.0.0.9" } else { one.host };
            one.silent = one.silent.filter(|_| n < 2);
        }
        let together = silent_together(&monitors);
        assert_eq!(raised(&together), ["Alder Creek: meters_silent_together"]);
        assert!(together.teller("Alder Creek", "PM-1").is_some() && together.teller("Alder Creek", "PM-3").is_none());
    }

    #[test]
    fn slow_polls_do_not_hide_one_moment() {
        // Polled once a minute, a third of a minute apart: each may have fallen silent at any time until its next poll.
        let slow = |n: usize| SilentMonitor {
            poll_period_ms: 60_000,
            ..monitor(n, 2, Some(100_000 + 20_000 * (n as u64 % 3)))
        };
        let monitors: Vec<SilentMonitor> = (0..8).map(slow).collect();
        assert_eq!(raised(&silent_together(&monitors)), ["wattassay: meters_silent_together"]);
    }

    #[test]
    fn those_that_stay_silent_after_the_others_return_come_by_themselves() {
        let monitors: Vec<SilentMonitor> = (0..8).map(|n| monitor(n, 2, (n % 4 == 0).then_some(100_000))).collect();
        let together = silent_together(&monitors);
        assert_eq!(raised(&together), Vec::<String>::new());
        assert!(together.told.iter().all(|told| told.condition == Condition::False));
    }
}
