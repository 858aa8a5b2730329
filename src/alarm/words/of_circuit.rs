//! The stories of one circuit: a CT that reads zero, power metered wrong, frozen values, its audit. Must never decide.

use super::text::STORY_LINE_MAX;
use super::{Story, WhenStopped, attached, capital, cautions_of, said, steps, within};
use crate::audit::assessment::{Check, Finding};
use crate::audit::installation::Installation;
use crate::audit::words::{confidence, percent};

/// What a channel without current shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CtReading {
    /// Channel, from 0.
    pub channel: usize,
    /// Measured, A; `None` when it is not measured now.
    pub amps: Option<f64>,
    /// Largest channel, A.
    pub largest_a: Option<f64>,
    /// It drifts and jumps.
    pub jumps: bool,
}

/// A CT reads zero or jumps while the others carry current. `lost_phase`: probability that the pump has lost a phase instead.
pub fn ct_no_current(ct: CtReading, lost_phase: f64, installation: &Installation, explains: &[&Finding]) -> Story {
    let CtReading { channel, amps, largest_a, jumps } = ct;
    let is_said = |f: &&Finding| f.check == Check::CurrentMissing && f.channel == Some(channel);
    let others: Vec<&Finding> = explains.iter().copied().filter(|f| !is_said(f)).collect();
    let k = channel + 1;
    let shows = match amps {
        _ if jumps => "drifts and jumps".to_owned(),
        Some(amps) => format!("reads {amps:.1} A"),
        None => "read no current".to_owned(),
    };
    let largest = largest_a.map_or_else(
        || " while other channels carry current".to_owned(),
        |amps| format!(" while the largest channel reads {amps:.1} A"),
    );
    if !installation.ct_secondary.may_be_current() {
        return Story {
            title: Some("CT reads zero".to_owned()),
            line: format!("CT {k} {shows}. kW and kWh wrong. Pump OK. Work order."),
            what: format!("CT {k} {shows}{largest}."),
            means: "The kW and kWh of this pump are wrong. The CTs have a voltage output: an open secondary is not dangerous."
                .to_owned(),
            steps: steps(&[PRINT_SHEET]),
            cautions: cautions_of([installation]),
            attached: attached(&others),
            ..Story::default()
        };
    }
    let high_voltage = installation.is_high_voltage();
    let who = if high_voltage { "High-voltage crew" } else { "Electrician" };
    let at_once = if jumps {
        "Stop the pump from SCADA at once: a value that jumps is a sign of arcing."
    } else {
        "Stop the pump from SCADA: at once with smoke, buzzing or smell, else as soon as another pump carries the flow."
    };
    let or_lost = if lost_phase >= 0.01 {
        format!(
            " The pump may have lost a phase instead ({}); stopping it is right in both cases.",
            percent(lost_phase)
        )
    } else {
        " No lost phase explains it.".to_owned()
    };
    let closed = "Block its automatic and backup starts. Nobody at the panel, covers closed. Never close, short or probe the CT \
                  circuit under load.";
    let first = format!(
        "{who}: de-energized and locked out before the CT circuit is touched, then the procedure of the field sheet."
    );
    Story {
        line: format!("CT {k} {shows}. If open, lethal voltage and fire. Stop pump, keep panel shut, call electrician."),
        what: format!("CT {k} {shows}{largest}.{or_lost}"),
        means: "If its secondary is open, its terminals carry lethal voltage, it heats and may burn. Shorted it is harmless. From \
                here the two cannot be told apart: treat it as open."
            .to_owned(),
        steps: vec![at_once.to_owned(), closed.to_owned(), first.clone()],
        cautions: cautions_of([installation]),
        attached: attached(&others),
        when_stopped: Some(WhenStopped {
            title: "CT may be open: pump now stopped, keep it stopped".to_owned(),
            line: format!("pump now stopped. CT {k} may be open: no start until the CT circuit was checked. Panel shut."),
            what: format!("Pump now stopped. CT {k} showed no steady current while it ran: its secondary may be open."),
            means: "With the next start an open secondary carries lethal voltage again.".to_owned(),
            steps: vec!["It must not be started until the CT circuit was checked.".to_owned(), closed.to_owned(), first],
        }),
        ..Story::default()
    }
}

/// How much is known of what is miswired.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MiswiredBlame<'a> {
    /// One wiring is sure enough to be named.
    Settled {
        /// What is wrong.
        wiring: &'a str,
        /// Probability of exactly that.
        probability: f64,
    },
    /// It is not.
    Open {
        /// Wirings that fit equally well.
        wirings: usize,
        /// Probability that power is metered wrong.
        wrong: f64,
    },
}

const PRINT_SHEET: &str = "Work order: print the field sheet of this pump. It has the whole procedure and its cautions. No lead is \
                           touched but de-energized and locked out.";
const SEE_CLEAR: &str = "After the work run the pump 5 minutes at its usual load and see this alarm clear.";
const CHECK_ONE: &str =
    "Work order: make check 1 of the field sheet of this pump, enter what was found, print the sheet again.";

fn meanwhile(corrected: bool) -> &'static str {
    if corrected { "; use the corrected power meanwhile" } else { "" }
}

/// Leads on wrong terminals.
pub fn metering_miswired(
    blame: MiswiredBlame,
    corrected: bool,
    installation: &Installation,
    explains: &[&Finding],
) -> Story {
    let (what, line, steps) = match blame {
        MiswiredBlame::Settled { wiring, probability } => (
            format!("{} ({}).", capital(wiring), confidence(probability)),
            settled_line(wiring, probability, corrected),
            steps(&[PRINT_SHEET, SEE_CLEAR]),
        ),
        MiswiredBlame::Open { wirings, wrong } => {
            (open(wirings, wrong), open_line(wirings, wrong), steps(&[CHECK_ONE]))
        }
    };
    Story {
        title: matches!(blame, MiswiredBlame::Open { .. })
            .then(|| "Power metered wrong: which lead is not settled".to_owned()),
        line,
        what,
        means: format!("The kW and kWh of this pump are wrong{}. The pump is not affected.", meanwhile(corrected)),
        steps,
        cautions: cautions_of([installation]),
        attached: attached(explains),
        ..Story::default()
    }
}

fn settled_line(wiring: &str, probability: f64, corrected: bool) -> String {
    let shown = if corrected { ", corrected value shown" } else { "" };
    let end = format!(" ({}). kW wrong{shown}. Pump OK. Work order.", percent(probability));
    // A wiring that takes more room is named in the full text alone.
    if wiring.chars().count() + end.chars().count() <= STORY_LINE_MAX {
        format!("{wiring}{end}")
    } else {
        format!("leads miswired{end}")
    }
}

fn open(wirings: usize, wrong: f64) -> String {
    let fit = match wirings {
        0 | 1 => "no single wiring is sure enough to be named".to_owned(),
        many => format!("{many} wirings fit and none is sure enough to be named"),
    };
    format!("Power is metered wrong ({}), but {fit}. Move nothing yet.", confidence(wrong))
}

fn open_line(wirings: usize, wrong: f64) -> String {
    let fit = if wirings > 1 { format!("{wirings} wirings fit") } else { "lead not settled".to_owned() };
    format!("power metered wrong ({}), {fit}. Pump OK. Move nothing. Work order: check 1.", percent(wrong))
}

/// Leads of one pump on wrong terminals, beside the monitor's voltage leads, which have an alarm of their own. `blame` is of
/// this pump's own fault alone.
pub fn metering_miswired_besides(
    blame: MiswiredBlame,
    corrected: bool,
    installation: &Installation,
    explains: &[&Finding],
) -> Story {
    let own = match blame {
        MiswiredBlame::Settled { wiring, probability } => format!("{wiring} ({})", confidence(probability)),
        MiswiredBlame::Open { wrong, .. } => {
            format!("it has a fault of its own ({}); which lead is not settled, move nothing yet", confidence(wrong))
        }
    };
    let alone = metering_miswired(blame, corrected, installation, explains);
    let together =
        "Put it right in the same outage as the voltage leads, after the field sheets of the monitor's pumps.";
    Story {
        what: format!("At this pump, besides the monitor's voltage leads, which have an alarm of their own: {own}."),
        means: format!(
            "Its kW and kWh stay wrong when only the voltage leads are corrected{}. The pump is not affected.",
            meanwhile(corrected)
        ),
        steps: alone.steps.iter().cloned().chain([together.to_owned()]).collect(),
        ..alone
    }
}

/// Numbers that cannot be right whatever the wiring; `root` is the finding that says so most plainly.
pub fn metering_numbers_wrong(root: &Finding, installation: &Installation, explains: &[&Finding]) -> Story {
    let (steps, at_panel) = match root.check {
        Check::VoltageMissing | Check::VoltageRotation => (
            steps(&["Work order: print the field sheet. An electrician checks the meter's voltage inputs after it."]),
            true,
        ),
        Check::CurrentWhileStopped => (
            steps(&[
                "Find out from the HMI and from outside whether the pump really is stopped. If it runs, nobody has asked it to: \
                 stop it.",
                "It is stopped: work order, the run signal or the CTs belong to another pump.",
            ]),
            true,
        ),
        Check::PowerBlankWhileRunning | Check::TotalPowerSign => (steps(&[CHECK_ONE]), true),
        _ => (
            steps(&[
                "Work order: a technician compares the meter's display with the values here. They differ: register map or scale. \
                 They agree: settings of the meter.",
            ]),
            false,
        ),
    };
    let root_said = said(root);
    let end = ". Use neither kW nor kWh. Pump OK. Work order.";
    let line = if root_said.chars().count() + end.chars().count() <= STORY_LINE_MAX {
        format!("{root_said}{end}")
    } else {
        "numbers contradict each other. Use neither kW nor kWh. Pump OK. Work order.".to_owned()
    };
    Story {
        line,
        what: format!("The numbers of this pump cannot be right: {root_said}."),
        means: "Use neither its kW nor its kWh, whatever the wiring.".to_owned(),
        steps,
        cautions: if at_panel { cautions_of([installation]) } else { Vec::new() },
        attached: attached(explains),
        ..Story::default()
    }
}

/// Values that are frozen.
pub fn values_frozen(root: &Finding, explains: &[&Finding]) -> Story {
    Story {
        line: "values frozen while current flows. Power and phase loss not seen. Restart the gateway.".to_owned(),
        what: format!("The meter answers, but its values for this pump are frozen: {}.", said(root)),
        means: "Power, and a lost phase, are not seen. What is shown is old.".to_owned(),
        steps: steps(&[
            "Restart the gateway (remote).",
            "Still frozen: a technician looks at the meter's own display from outside. It moves: gateway or addresses of the map. \
             It does not: the meter.",
        ]),
        attached: attached(explains),
        ..Story::default()
    }
}

/// Readings that no wiring explains.
pub fn fits_no_wiring(probability: f64, explains: &[&Finding]) -> Story {
    Story {
        line: format!(
            "readings fit no wiring ({}). kW may be wrong. Work order: ratio, nameplate, map.",
            percent(probability)
        ),
        what: format!("The readings of this pump fit no known wiring ({}).", confidence(probability)),
        means: "Its kW and kWh may be wrong. Move no leads.".to_owned(),
        steps: steps(&[
            "Work order: compare the CT ratio set in the meter, the motor's nameplate and the register map.",
        ]),
        attached: attached(explains),
        ..Story::default()
    }
}

/// The audit failed.
pub fn audit_failed(message: &str) -> Story {
    Story {
        line: "audit restarted after an internal error. Not judged until the pump runs. Send log.".to_owned(),
        what: format!("The audit of this pump failed and was restarted{}.", within(message)),
        means: "It is not judged, and a lost phase not seen, until the pump has run again.".to_owned(),
        steps: steps(&["In working hours: send the log of this time to support."]),
        ..Story::default()
    }
}

/// The same again and again: so many times within a day.
pub fn audit_fails_often(times: usize) -> Story {
    Story {
        line: format!("audit failed {times} times in 24 h. Lost phase may not be seen. Send logs to support."),
        what: format!("The audit of this pump failed {times} times within 24 hours."),
        means: "The pump is hardly judged, and a lost phase may not be seen.".to_owned(),
        steps: steps(&["Work order: send the log of these times to support."]),
        ..Story::default()
    }
}
