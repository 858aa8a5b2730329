//! The stories of a supply that has lost a phase, or may have. Must never decide, nor call a phase dead that may be back-fed.

use super::{Story, WhenStopped, attached, cautions_of, listed, said, steps};
use crate::audit::assessment::{Check, Finding};
use crate::audit::installation::Installation;
use crate::audit::words::confidence;
use crate::reading::Phase;

const NO_RESET: &str = "Do not reset an overload to try again.";

/// Back-feed, in the words of a warning.
fn not_dead(phase: Phase) -> String {
    format!("{NO_RESET} Back-feed: phase {} is NOT dead while another motor runs.", phase.label())
}

/// Who works on the supply of this installation.
fn who(installation: &Installation) -> &'static str {
    if installation.is_high_voltage() { "the high-voltage crew" } else { "an electrician" }
}

/// A phase of the supply to a pump is lost while it runs.
pub fn supply_phase_lost(phase: Phase, probability: f64, installation: &Installation, explains: &[&Finding]) -> Story {
    let (label, who) = (phase.label(), who(installation));
    let seen = explains.iter().find(|f| f.check == Check::CurrentMissing);
    let others: Vec<&Finding> = explains.iter().copied().filter(|f| Some(f) != seen).collect();
    let seen = seen.map_or_else(String::new, |finding| format!("; {}", said(finding)));
    let how_sure = confidence(probability);
    let call = format!(
        "Two or more pumps alarmed: call the utility. One pump: call {who} (fuses, contactor, overload, motor leads)."
    );
    let none_else =
        "Start no other pump here until all three phases are proven: a lost utility phase takes every pump.";
    Story {
        line: format!("phase {label} lost, runs on two. Stop it. Start no other pump until supply is checked."),
        what: format!("Phase {label} to this pump is lost while it runs ({how_sure}{seen})."),
        means: "The motor can burn out within minutes.".to_owned(),
        steps: vec![
            "Stop the pump from the HMI or its selector switch. Do not open the panel.".to_owned(),
            none_else.to_owned(),
            call.clone(),
            not_dead(phase),
        ],
        cautions: cautions_of([installation]),
        attached: attached(&others),
        when_stopped: Some(WhenStopped {
            title: "Supply phase lost: pump now stopped, do not restart".to_owned(),
            line: format!("stopped after loss of phase {label}. Do not restart until released. Start no other pump."),
            what: format!("Pump now stopped. Phase {label} to it was lost while it ran ({how_sure})."),
            means: "A restart on two phases can burn out the motor.".to_owned(),
            steps: vec![
                format!(
                    "It must not be restarted until {who} released it: with the fault in its own fuses, contactor, overload \
                     or leads the meter shows three phases all the same. Block its automatic starts if the level allows."
                ),
                none_else.to_owned(),
                call,
                not_dead(phase),
            ],
        }),
        ..Story::default()
    }
}

/// The same of several pumps of a station at once: `pumps` with the phase that each has lost; `least` is the probability of
/// the least sure of them.
pub fn supply_phase_lost_at_station(
    pumps: &[(&str, Phase)],
    least: f64,
    installations: &[&Installation],
    attached: Vec<String>,
) -> Story {
    let names: Vec<&str> = pumps.iter().map(|(pump, _)| *pump).collect();
    let mut phases: Vec<&str> = pumps.iter().map(|(_, phase)| phase.label()).collect();
    phases.sort_unstable();
    phases.dedup();
    let phases = phases.join(" and ");
    let (count, names) = (pumps.len(), listed(&names));
    let who =
        if installations.iter().any(|i| i.is_high_voltage()) { "the high-voltage crew" } else { "an electrician" };
    let call = format!(
        "Call the utility. Look at the phase-loss relay, and at the transfer switch where there is a generator. Then call {who}."
    );
    let no_reset = format!("{NO_RESET} Back-feed: phase {phases} is NOT dead while any motor runs.");
    let how_sure = confidence(least);
    Story {
        title: Some("Supply phase lost at the station: start no pump".to_owned()),
        line: format!("{count} pumps run on two phases. Stop them, start no other pump. Phase {phases} is NOT dead. Call utility."),
        what: format!("Phase {phases} is lost to {names} while they run (of the least sure of them: {how_sure})."),
        means: "The supply of the station has most likely lost it. These motors can burn out within minutes, and so will every \
                pump that starts."
            .to_owned(),
        steps: vec![
            format!("Stop {names} from the HMI or their selector switches. Do not open a panel."),
            "Start no other pump on this supply: no pump can take over. Block automatic starts if the level allows.".to_owned(),
            call.clone(),
            no_reset.clone(),
        ],
        cautions: cautions_of(installations.iter().copied()),
        attached,
        when_stopped: Some(WhenStopped {
            title: "Supply phase lost at the station: pumps stopped, start none".to_owned(),
            line: format!("phase {phases} lost, pumps now stopped. Start none until all three phases are proven. Call utility."),
            what: format!("Pumps now stopped. Phase {phases} to {names} was lost while they ran (of the least sure of them: {how_sure})."),
            means: "Every pump that starts on two phases can burn out.".to_owned(),
            steps: vec![
                format!(
                    "None must be restarted until all three phases are shown with every pump stopped, or {who} released them."
                ),
                "Block automatic starts if the level allows.".to_owned(),
                call,
                no_reset,
            ],
        }),
        ..Story::default()
    }
}

/// A voltage that is missing where nothing proves the supply.
#[derive(Debug, Clone, PartialEq)]
pub struct MissingPhase<'a> {
    /// The monitor that misses it.
    pub monitor: &'a str,
    /// Phases without voltage as the leads are meant to be; empty when the readings do not tell which.
    pub phases: Vec<Phase>,
    /// It reads something all the same: a running motor holds the open phase up.
    pub held_up: bool,
    /// Pumps that run without proving the supply: their currents are not balanced.
    pub unproven: Vec<&'a str>,
    /// What is seen.
    pub findings: Vec<&'a Finding>,
    /// The monitor's pumps.
    pub pumps: Vec<&'a str>,
    /// The same.
    pub installations: Vec<&'a Installation>,
}

impl MissingPhase<'_> {
    fn phases(&self) -> String {
        match self.phases.as_slice() {
            [] => "a phase".to_owned(),
            [one] => format!("phase {}", one.label()),
            [_, _, _] => "all three phases".to_owned(),
            [one, other, ..] => format!("phases {} and {}", one.label(), other.label()),
        }
    }

    /// Who proves the supply and what of the meter comes after that.
    fn proof(&self) -> &'static str {
        if self.installations.iter().any(|i| i.has_voltage_transformers()) {
            "High-voltage crew, under the utility's procedure: prove the supply first, then the secondary fuses of the voltage \
             transformers. Nobody else touches the primary."
        } else if self.installations.iter().all(|i| i.direct_low_voltage()) {
            "Electrician: prove the supply first, then the meter's fuses."
        } else {
            "Electrician: prove the supply first, then the meter's fuses. Where the meter is behind voltage transformers their \
             primary is for the high-voltage crew."
        }
    }

    fn seen(&self) -> String {
        self.findings.first().map_or_else(String::new, |finding| format!(" ({})", said(finding)))
    }
}

const BLOCK: &str = "Block automatic and backup starts of these pumps if the level allows.";
const LOOK: &str = "Look at the phase-loss relay, the utility's outage page, another meter on the feeder.";

/// A voltage is missing and nothing proves the supply.
pub fn phase_missing(missing: &MissingPhase) -> Story {
    let (monitor, phases, seen) = (missing.monitor, missing.phases(), missing.seen());
    let cautions = cautions_of(missing.installations.iter().copied());
    let attached = attached(missing.findings.get(1..).unwrap_or_default());
    if missing.unproven.is_empty() {
        return Story {
            line: format!("no volts on {phases}, pumps stopped. Supply or meter fuse. Block starts until checked."),
            what: format!(
                "{monitor} reads no voltage on {phases}{seen} and no pump runs, so a lost supply phase and a fault of the \
                 meter's fuse or lead cannot be told apart."
            ),
            means: format!("If the supply has lost it, a start of {} burns the motor.", listed(&missing.pumps)),
            steps: steps(&[BLOCK, LOOK, missing.proof()]),
            cautions,
            attached,
            ..Story::default()
        };
    }
    let running = listed(&missing.unproven);
    let (line, reads) = if missing.held_up {
        (
            "voltage held up by a motor",
            format!("{monitor} reads {phases} as an open phase that a running motor holds up"),
        )
    } else {
        ("no volts", format!("{monitor} reads no voltage on {phases}{seen}"))
    };
    Story {
        title: Some("Phase voltage missing: running pump does not prove supply".to_owned()),
        line: format!("{line} on {phases}: a running pump may be on two phases. Stop it, block starts."),
        what: format!("{reads}, and the currents of {running} do not prove that the supply is good."),
        means: format!("{running} may be running on two phases, which burns the motor."),
        steps: vec![
            format!("Stop {running} from the HMI or the selector switch. Do not open the panel."),
            BLOCK.to_owned(),
            LOOK.to_owned(),
            missing.proof().to_owned(),
        ],
        cautions,
        attached,
        ..Story::default()
    }
}

/// The same at several monitors of a station at once: so many of so many.
pub fn phase_missing_at_station(monitors: &[&str], of: usize, cautions: Vec<String>, attached: Vec<String>) -> Story {
    let count = monitors.len();
    Story {
        title: Some("Phase voltage missing at the station: supply".to_owned()),
        line: format!(
            "no volts on a phase at {count} of {of} meters. Most likely the supply. Block starts, call utility."
        ),
        what: format!(
            "{} miss the voltage of a phase at the same time, and no running pump proves the supply.",
            listed(monitors)
        ),
        means: "The supply of the station has most likely lost a phase: a start on two phases burns the motor."
            .to_owned(),
        steps: steps(&[
            "Block automatic and backup starts of all pumps here if the level allows.",
            LOOK,
            "Call the utility. Electrician (above 1,000 V or behind voltage transformers the high-voltage crew): prove the \
             supply before any pump is started.",
        ]),
        cautions,
        attached,
        ..Story::default()
    }
}
