//! Alarms in an operator's words: what is wrong, what it means, since when, how sure, what to do. Must never decide.
//!
//! A text that sends somebody to a panel carries the cautions, and they stand before what to do.

mod of_monitor;
mod text;

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::id::{AlarmId, AlarmKind};
use crate::audit::assessment::{Check, Finding};
use crate::audit::cautions::Caution;
use crate::audit::words::{check_title, confidence};
use crate::reading::Phase;

pub use of_monitor::{
    OfPumps, PumpsBehind, monitor_silent, register_map_wrong, together, voltage_leads_exchanged, voltage_leads_wrong,
};
pub use text::AlarmText;

/// Findings that are attached to one alarm; the rest are counted.
const ATTACHED_MAX: usize = 6;

/// What is told of one alarm while its cause is there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Story {
    /// What is wrong: one or two sentences.
    pub what: String,
    /// What follows from it: one sentence.
    pub means: String,
    /// How sure: "confidence 99.3 %" or where the knowledge comes from.
    pub sure: String,
    /// What to do.
    pub action: String,
    /// What to do is at a panel.
    pub at_panel: bool,
    /// Cautions of the panels that it is at; empty while nobody has said which they are.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<Caution>,
    /// Findings that this explains, or that show the same.
    pub attached: Vec<String>,
}

const SEEN: &str = "seen directly, not inferred";

/// A few words for what an alarm is about.
pub fn title(kind: AlarmKind) -> &'static str {
    match kind {
        AlarmKind::MonitorSilent => "power monitor does not answer",
        AlarmKind::RegisterMapWrong => "register map does not fit the device",
        AlarmKind::VoltageLeadsWrong => "voltage leads or fuse at fault",
        AlarmKind::SupplyPhaseLost => "pump runs on two phases",
        AlarmKind::MeteringMiswired => "power is metered wrong (wiring)",
        AlarmKind::MeteringNumbersWrong => "power is metered wrong (numbers)",
        AlarmKind::ValuesFrozen => "values stand still",
        AlarmKind::FitsNoWiring => "readings do not fit",
        AlarmKind::ClockJumped => "clock jumped",
        AlarmKind::AuditFailed => "audit failed inside",
        AlarmKind::StorageFull => "disk is full",
    }
}

/// An alarm named in a sentence: "the alarm of Larkmoor North, PM-1 (voltage leads or fuse at fault)".
pub fn name(id: &AlarmId) -> String {
    format!("the alarm of {} ({})", id.place, title(id.kind))
}

/// A phase of the supply to a pump is gone.
pub fn supply_phase_lost(phase: Phase, probability: f64, explains: &[&Finding]) -> Story {
    Story {
        what: format!(
            "Phase {} of the supply to this pump is lost: it runs on two of its three phases.",
            phase.label()
        ),
        means: "A motor on two phases overheats within minutes and may burn out.".to_owned(),
        sure: confidence(probability),
        action:
            "Stop this pump and let another take over, if the station can spare it. Then have a qualified person check the fuses, the contactor and \
                 the motor's leads."
                .to_owned(),
        at_panel: true,
        cautions: Vec::new(),
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
    let (lead, ct, meanwhile) = (likely(settled), ct_explained(wiring), meanwhile(corrected));
    Story {
        what: format!("The power monitor's leads are not as they should be{lead}: {wiring}.{ct}"),
        means: format!("The pump itself is not affected, but its kW and kWh are wrong{meanwhile}."),
        sure: format!("{} that power is metered wrong", confidence(probability)),
        action: if settled { MOVE_LEADS } else { MAKE_CHECKS }.to_owned(),
        at_panel: true,
        cautions: Vec::new(),
        attached: attached(explains),
    }
}

/// Leads of one pump on wrong terminals, beside the monitor's voltage leads, which have an alarm of their own. `wiring` says
/// what is wrong at this pump alone, `probability` that something is.
pub fn metering_miswired_besides(
    wiring: &str,
    settled: bool,
    probability: f64,
    corrected: bool,
    explains: &[&Finding],
) -> Story {
    let (lead, ct, meanwhile) = (likely(settled), ct_explained(wiring), meanwhile(corrected));
    Story {
        what: format!(
            "Besides the monitor's voltage leads, which have an alarm of their own, there is a fault at this pump{lead}: \
             {wiring}.{ct}"
        ),
        means: format!(
            "The pump itself is not affected, but its kW and kWh are wrong and stay wrong when only the voltage leads are put \
             right{meanwhile}."
        ),
        sure: format!("{} that this pump has a fault besides", confidence(probability)),
        action: if settled { MOVE_LEADS_TOGETHER } else { MAKE_CHECKS }.to_owned(),
        at_panel: true,
        cautions: Vec::new(),
        attached: attached(explains),
    }
}

const MOVE_LEADS: &str =
    "Print the field sheet of this pump and have a qualified person carry out its whole procedure.";
const MOVE_LEADS_TOGETHER: &str = "Print the field sheet of this pump and have a qualified person carry out its whole procedure, together with the voltage \
     leads.";
const MAKE_CHECKS: &str =
    "Have a qualified person make the checks that the advice on this pump lists, the first one first.";

fn meanwhile(corrected: bool) -> &'static str {
    if corrected { "; use the corrected figures meanwhile" } else { "" }
}

fn likely(settled: bool) -> &'static str {
    if settled { "" } else { ", most likely so" }
}

/// A CT is the one thing in these sentences that an operator may not know by its name.
fn ct_explained(wiring: &str) -> &'static str {
    if wiring.contains("CT") { " (A CT is a current sensor around a motor lead.)" } else { "" }
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
        cautions: Vec::new(),
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
        cautions: Vec::new(),
        attached: attached(explains),
    }
}

/// Readings that no wiring explains.
pub fn fits_no_wiring(probability: f64, explains: &[&Finding]) -> Story {
    Story {
        what: "The readings of this pump fit no wiring that is known.".to_owned(),
        means: "Its kW and kWh may be wrong, and moving leads would not mend them.".to_owned(),
        sure: confidence(probability),
        action: "Compare three things with what is configured: the current ratio set in the monitor, the motor's nameplate, \
                 and the register map."
            .to_owned(),
        at_panel: false,
        cautions: Vec::new(),
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
        cautions: Vec::new(),
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
        cautions: Vec::new(),
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
        cautions: Vec::new(),
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
    shortened(findings.iter().map(|f| said(f)).collect())
}

/// What the pumps of one monitor show, so many in all: the same said of all of them is said once, else the pump is named.
fn attached_of_pumps(findings: &OfPumps, pumps: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for (pump, finding) in findings {
        let text = said(finding);
        let by: BTreeSet<&str> = findings.iter().filter(|(_, f)| said(f) == text).map(|(pump, _)| *pump).collect();
        let line = if by.len() == pumps { text } else { format!("{pump}: {text}") };
        if !lines.contains(&line) {
            lines.push(line);
        }
    }
    shortened(lines)
}

fn shortened(mut lines: Vec<String>) -> Vec<String> {
    let more = lines.len().saturating_sub(ATTACHED_MAX);
    if more > 0 {
        lines.truncate(ATTACHED_MAX);
        lines.push(format!("and {more} more"));
    }
    lines
}
