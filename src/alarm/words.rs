//! Alarms in an operator's words: what is wrong, what it means, since when, how sure, what to do. Must never decide.
//!
//! A text that sends somebody to a panel carries the cautions, and they stand before what to do.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::id::AlarmKind;
use super::set::Entry;
use super::state::{AlarmState, Condition};
use crate::audit::assessment::{Check, Finding};
use crate::audit::register_fault::RegisterFault;
use crate::audit::remedy::CAUTIONS;
use crate::audit::words::{check_title, percent};
use crate::reading::Phase;

/// Findings that are attached to one alarm; the rest are counted.
const ATTACHED_MAX: usize = 6;

/// What is told of one alarm while its cause is there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Story {
    /// What is wrong: one or two sentences.
    pub what: String,
    /// What follows from it: one sentence.
    pub means: String,
    /// How sure: "99.3 % sure" or where the knowledge comes from.
    pub sure: String,
    /// What to do.
    pub action: String,
    /// What to do is at a panel.
    pub at_panel: bool,
    /// Findings that this explains, or that show the same.
    pub attached: Vec<String>,
}

const SEEN: &str = "seen directly, not inferred";

/// A few words for what an alarm is about.
pub fn title(kind: AlarmKind) -> &'static str {
    match kind {
        AlarmKind::MonitorSilent => "power monitor does not answer",
        AlarmKind::RegisterMapWrong => "register map does not fit the device",
        AlarmKind::VoltageLeadsWrong => "voltage lead or fuse at fault",
        AlarmKind::SupplyPhaseLost => "motor runs on two phases",
        AlarmKind::MeteringMiswired => "power is metered wrong (wiring)",
        AlarmKind::MeteringNumbersWrong => "power is metered wrong (numbers)",
        AlarmKind::ValuesFrozen => "values stand still",
        AlarmKind::FitsNoWiring => "readings do not fit",
        AlarmKind::ClockJumped => "clock jumped",
        AlarmKind::AuditFailed => "audit failed inside",
        AlarmKind::StorageFull => "disk is full",
    }
}

/// A monitor that answers nothing; `cause` as the poll tells it, `circuits` the pumps on it.
pub fn monitor_silent(monitor: &str, cause: &str, circuits: &[&str]) -> Story {
    let pumps = pumps(circuits);
    Story {
        what: format!("Power monitor {monitor} gives no values{}.", within(cause)),
        means: format!("Nobody sees the power of {pumps} now, and no alarm of theirs comes or goes."),
        sure: SEEN.to_owned(),
        action: "See whether the monitor's address answers on the network. If not, have a qualified person check its supply \
                 and its network cable at the panel."
            .to_owned(),
        at_panel: true,
        attached: Vec::new(),
    }
}

fn pumps(circuits: &[&str]) -> String {
    match circuits {
        [] => "what it measures".to_owned(),
        [one] => (*one).to_owned(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}

/// A monitor whose registers mean something else than its map says; `explains` are the findings of its circuits.
pub fn register_map_wrong(monitor: &str, fault: &RegisterFault, circuits: &[&str], explains: &[&Finding]) -> Story {
    Story {
        what: format!(
            "The register map of monitor {monitor} does not fit the device: {}; {}.",
            fault.map_says, fault.fits
        ),
        means: format!(
            "The values of {} are misread: kW, kWh and whatever follows from them are wrong.",
            pumps(circuits)
        ),
        sure: fault.probability.map_or_else(|| SEEN.to_owned(), |p| format!("{} sure", percent(p))),
        action: format!("Nobody needs to go there. In the register map: {}", fault.change),
        at_panel: false,
        attached: attached(explains),
    }
}

/// A voltage lead, fuse or voltage transformer of a monitor.
pub fn voltage_leads_wrong(
    monitor: &str,
    fault: &str,
    probability: f64,
    circuits: &[&str],
    explains: &[&Finding],
) -> Story {
    Story {
        what: format!("The voltage leads of monitor {monitor} are at fault: {fault}."),
        means: format!("The pumps are not affected, but the kW and kWh of {} are wrong or missing.", pumps(circuits)),
        sure: format!("{} sure", percent(probability)),
        action: "Have a qualified person check the monitor's voltage fuses and voltage leads at the panel.".to_owned(),
        at_panel: true,
        attached: attached(explains),
    }
}

/// A phase of the supply to a pump is gone.
pub fn supply_phase_lost(phase: Phase, probability: f64, explains: &[&Finding]) -> Story {
    Story {
        what: format!(
            "Phase {} of the supply to this pump is lost: the motor runs on two of its three phases.",
            phase.label()
        ),
        means: "The motor overheats within minutes and may burn out.".to_owned(),
        sure: format!("{} sure", percent(probability)),
        action:
            "Stop this pump and let another take over, if the station can spare it. Then have a qualified person check the fuses, the contactor and \
                 the motor's leads."
                .to_owned(),
        at_panel: true,
        attached: attached(explains),
    }
}

/// Leads on wrong terminals. `wiring` says which, `settled` whether it is sure which lead it is, `probability` that power is
/// registered wrong.
pub fn metering_miswired(
    wiring: &str,
    settled: bool,
    probability: f64,
    corrected: bool,
    explains: &[&Finding],
) -> Story {
    let lead = if settled { "" } else { ", most likely so" };
    // A CT is the one thing in these sentences that an operator may not know by its name.
    let ct = if wiring.contains("CT") { " (A CT is a current sensor around a motor lead.)" } else { "" };
    let meanwhile = if corrected { "; use the corrected figures meanwhile" } else { "" };
    Story {
        what: format!("The power monitor's leads are not as they should be{lead}: {wiring}.{ct}"),
        means: format!("The pump itself is not affected, but its kW and kWh are wrong{meanwhile}."),
        sure: format!("{} sure that power is metered wrong", percent(probability)),
        action: if settled {
            "Have a qualified person move the leads as the advice on this pump shows."
        } else {
            "Have a qualified person make the checks that the advice on this pump lists, the first one first."
        }
        .to_owned(),
        at_panel: true,
        attached: attached(explains),
    }
}

/// Numbers that cannot be right whatever the wiring; `root` is the finding that says so most plainly.
pub fn metering_numbers_wrong(root: &Finding, explains: &[&Finding]) -> Story {
    let (action, at_panel) = match root.check {
        Check::VoltageMissing | Check::VoltageRotation => {
            ("Have a qualified person check the monitor's voltage fuses and voltage leads at the panel.", true)
        }
        Check::CurrentWhileStopped => (
            "Find out whether the pump really stands. If it does, the run signal or the current sensors (CTs) belong to \
             another pump: have a qualified person check them at the panel.",
            true,
        ),
        Check::PowerBlankWhileRunning | Check::TotalPowerSign => {
            ("Have a qualified person make the checks that the advice on this pump lists, the first one first.", true)
        }
        _ => (
            "Compare the monitor's own display with the values shown here. If they differ, the register map or a scale in the \
             configuration is wrong; if they agree, the monitor's settings are.",
            false,
        ),
    };
    Story {
        what: format!("The numbers of this pump cannot be right: {}.", said(root)),
        means: "Its kW and kWh are wrong or missing, whatever the wiring.".to_owned(),
        sure: SEEN.to_owned(),
        action: action.to_owned(),
        at_panel,
        attached: attached(explains),
    }
}

/// Values that stand still.
pub fn values_frozen(root: &Finding, explains: &[&Finding]) -> Story {
    Story {
        what: format!("The monitor answers, but its values for this pump stand still: {}.", said(root)),
        means: "What is shown is old; what the pump does now is not known.".to_owned(),
        sure: SEEN.to_owned(),
        action: "See whether the monitor's own display moves. If it does, restart the gateway between it and this computer; \
                 if not, restart the monitor."
            .to_owned(),
        at_panel: true,
        attached: attached(explains),
    }
}

/// Readings that no wiring explains.
pub fn fits_no_wiring(probability: f64, explains: &[&Finding]) -> Story {
    Story {
        what: "The readings of this pump fit no wiring that is known.".to_owned(),
        means: "Its kW and kWh may be wrong, and moving leads would not mend them.".to_owned(),
        sure: format!("{} sure", percent(probability)),
        action: "Compare three things with what is configured: the current ratio set in the monitor, the motor's nameplate, \
                 and the register map."
            .to_owned(),
        at_panel: false,
        attached: attached(explains),
    }
}

/// The computer's clock jumped.
pub fn clock_jumped(by_ms: i64) -> Story {
    let (by_s, direction) = (by_ms.unsigned_abs() as f64 / 1000.0, if by_ms < 0 { "back" } else { "ahead" });
    Story {
        what: format!("This computer's clock jumped {direction} by {by_s:.1} s."),
        means: "Times recorded before and after do not fit together; no reading is lost.".to_owned(),
        sure: SEEN.to_owned(),
        action: "See that this computer sets its clock from a time server (NTP), and by no other means.".to_owned(),
        at_panel: false,
        attached: Vec::new(),
    }
}

/// The audit failed inside.
pub fn audit_failed(message: &str) -> Story {
    Story {
        what: format!("The audit of this pump failed inside and starts anew{}.", within(message)),
        means: "Nothing is judged until it has seen the pump run again; polling goes on.".to_owned(),
        sure: SEEN.to_owned(),
        action: "Send the log of this time to whoever maintains wattassay.".to_owned(),
        at_panel: false,
        attached: Vec::new(),
    }
}

/// The disk for records is full or nearly so.
pub fn storage_full(free_bytes: Option<u64>, dropping: bool) -> Story {
    let left = free_bytes.map_or_else(|| "is full".to_owned(), |free| format!("has {:.0} MB left", free as f64 / 1e6));
    let means = if dropping {
        "The oldest readings are being dropped to make room; if others fill the disk further, neither alarms nor energy can be recorded."
    } else {
        "Soon neither alarms nor energy can be recorded; polling and audit go on."
    };
    Story {
        what: format!("The disk for records {left}."),
        means: means.to_owned(),
        sure: SEEN.to_owned(),
        action: "Free space on that disk, or give it more.".to_owned(),
        at_panel: false,
        attached: Vec::new(),
    }
}

fn within(cause: &str) -> String {
    let cause = cause.trim().trim_end_matches('.');
    if cause.is_empty() { String::new() } else { format!(" ({cause})") }
}

fn said(finding: &Finding) -> String {
    let detail = finding.detail.to_string();
    if detail.is_empty() { check_title(finding.check).to_lowercase() } else { detail }
}

fn attached(findings: &[&Finding]) -> Vec<String> {
    let mut lines: Vec<String> = findings.iter().take(ATTACHED_MAX).map(|f| said(f)).collect();
    if findings.len() > ATTACHED_MAX {
        lines.push(format!("and {} more", findings.len() - ATTACHED_MAX));
    }
    lines
}

/// One alarm as a person reads it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlarmText {
    /// "critical: Larkmoor North, Pump 1: motor runs on two phases".
    pub headline: String,
    /// State, and since when.
    pub state: String,
    /// The story; `None` when its cause was never told.
    pub story: Option<Story>,
    /// What is to be read before what to do; empty when that is not at a panel.
    pub cautions: &'static [&'static str],
}

impl AlarmText {
    /// The text of an alarm. `since` is the time at which its cause came, as the reader writes times.
    pub fn of(entry: &Entry, since: Option<&str>) -> AlarmText {
        let alarm = &entry.alarm;
        let priority = alarm.settings().priority.key();
        let since = since.filter(|_| alarm.state() != AlarmState::Normal);
        let mut state =
            capital(alarm.state().words()) + &since.map_or_else(String::new, |since| format!(", since {since}"));
        if alarm.condition() == Condition::Unknown {
            state.push_str("; at present it cannot be told whether the cause is still there");
        }
        if alarm.chattering() {
            state.push_str("; it comes and goes, so further announcements are held");
        }
        state.push('.');
        let at_panel = entry.story.as_ref().is_some_and(|s| s.at_panel);
        AlarmText {
            headline: format!("{}: {}: {}", capital(priority), alarm.id().place, title(alarm.id().kind)),
            state,
            story: entry.story.clone(),
            cautions: if at_panel { &CAUTIONS } else { &[] },
        }
    }
}

impl fmt::Display for AlarmText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.headline)?;
        if let Some(story) = &self.story {
            writeln!(f, "{} {}", story.what, story.means)?;
        }
        writeln!(f, "{}", self.state)?;
        let Some(story) = &self.story else { return Ok(()) };
        writeln!(f, "How sure: {}.", story.sure)?;
        if !story.attached.is_empty() {
            writeln!(f, "Seen with it: {}.", story.attached.join("; "))?;
        }
        if !self.cautions.is_empty() {
            writeln!(f, "Before any work at a panel:")?;
            for (n, caution) in self.cautions.iter().enumerate() {
                writeln!(f, "  {}. {caution}", n + 1)?;
            }
        }
        writeln!(f, "What to do: {}", story.action)
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
