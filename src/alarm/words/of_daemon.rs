//! The stories of what is no matter of one pump: the network, the clock, the disk. Must never decide.

use super::{Story, listed, steps};

/// A monitor that has fallen silent, and how.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Silent {
    /// "Alder Creek Lift, PM-1", or the monitor alone where the station is said already.
    pub name: String,
    /// Why, as the failed transaction tells.
    pub cause: String,
}

/// Monitors named in one alarm; the rest are counted.
const NAMED_MAX: usize = 6;

/// Most monitors fell silent at the same moment: these of so many, within so many seconds.
pub fn silent_together(silent: &[Silent], of: usize, within_s: u64) -> Story {
    let count = silent.len();
    let mut causes: Vec<&str> = silent.iter().map(|one| one.cause.as_str()).filter(|cause| !cause.is_empty()).collect();
    causes.sort_unstable();
    causes.dedup();
    let more = if causes.len() > 2 { " and others" } else { "" };
    causes.truncate(2);
    let cause = if causes.is_empty() { String::new() } else { format!(" ({}{more})", causes.join(", ")) };
    let mut names: Vec<&str> = silent.iter().map(|one| one.name.as_str()).collect();
    let rest = format!("{} more", names.len().saturating_sub(NAMED_MAX));
    if names.len() > NAMED_MAX {
        names.truncate(NAMED_MAX);
        names.push(&rest);
    }
    Story {
        line: format!("{count} of {of} meters silent at once. Network, not meters. No pump watched. Call network on-call."),
        what: format!("{count} of {of} meters fell silent within {within_s} s{cause}: {}.", listed(&names)),
        means: "One cause is likely: network, switch, VPN, gateway or this computer's link. None of their pumps is watched, a lost \
                phase included."
            .to_owned(),
        steps: steps(&[
            "Call network on-call. Look first at what all these meters share.",
            "Send nobody to the single meters: their alarms are held here and are raised only if they stay silent after the \
             others return.",
        ]),
        ..Story::default()
    }
}

/// The computer's clock was stepped.
pub fn clock_stepped(by_ms: i64) -> Story {
    let by_s = by_ms as f64 / 1000.0;
    Story {
        line: format!("clock stepped {by_s:+.1} s. Times before and after differ. Check NTP."),
        what: format!("The clock of this computer was stepped by {by_s:+.1} s."),
        means: "Times recorded before and after differ by that. No reading is lost.".to_owned(),
        steps: steps(&["In working hours: see that NTP slews the clock and nothing else sets it."]),
        ..Story::default()
    }
}

/// The disk for records is full or nearly so. `least_bytes`: below this nothing is recorded.
pub fn storage_full(free_bytes: Option<u64>, dropping: bool) -> Story {
    let left = free_bytes.map_or_else(|| "is full".to_owned(), |free| format!("has {:.0} MB left", free as f64 / 1e6));
    let means = if dropping {
        "The oldest readings are being deleted to make room. If others fill the disk further, neither alarms nor energy are \
         recorded; audit and polling go on."
    } else {
        "Soon neither alarms nor energy are recorded; audit and polling go on."
    };
    Story {
        line: format!("records disk {left}. Alarm and energy records will stop. Free space within the hour."),
        what: format!("The disk for records {left}."),
        means: means.to_owned(),
        steps: steps(&["Free space on that disk or enlarge it within the hour."]),
        ..Story::default()
    }
}
