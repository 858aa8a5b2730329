//! The stories of what all pumps of one monitor share: its answers, its register map, its voltage leads. Must never decide.

use super::{Story, WhenStopped, attached_of_pumps, capital, cautions_of, listed, steps, within};
use crate::alarm::availability::Poor;
use crate::audit::assessment::Finding;
use crate::audit::installation::Installation;
use crate::audit::register_fault::RegisterFault;
use crate::audit::wiring::Wiring;
use crate::audit::words::{confidence, describe_wiring, percent};
use crate::reading::Phase;

/// Findings with the pump that each is of.
pub type OfPumps<'a> = [(&'a str, &'a Finding)];

/// A monitor that answers nothing; `cause` as the poll tells it, `circuits` the pumps on it.
pub fn monitor_silent(monitor: &str, cause: &str, circuits: &[&str], installations: &[&Installation]) -> Story {
    Story {
        line: "no answer. Power and phase loss of its pumps not watched. Ping it; then technician.".to_owned(),
        what: format!("Power meter {monitor} gives no values{}.", within(cause)),
        means: format!(
            "Power and phase loss of {} are not watched. The pumps are not known to be affected.",
            listed(circuits)
        ),
        steps: steps(&[
            "Ping the meter's address and its gateway.",
            "No answer: technician, by daylight. Network first, then the meter's supply.",
        ]),
        cautions: cautions_of(installations.iter().copied()),
        ..Story::default()
    }
}

/// A monitor that answers now and then, and too seldom.
pub fn monitor_answers_seldom(monitor: &str, poor: &Poor, circuits: &[&str]) -> Story {
    let (window_min, times) = (poor.window_ms / 60_000, poor.interruptions);
    let share = rounded_percent(poor.share);
    Story {
        line: format!("answers only {share} % of the time. A lost phase may be missed. Check the network."),
        what: format!(
            "Power meter {monitor} answers only now and then: about {share} % of the last {window_min} minutes, interrupted \
             {times} times."
        ),
        means: format!("A lost phase of {} may not be seen, and its alarms come late.", listed(circuits)),
        steps: steps(&[
            "Ping the meter's address for a few minutes: lost or late answers are the network's.",
            "Check cable, switch, radio and the gateway's load, and whether another master polls this meter.",
        ]),
        ..Story::default()
    }
}

/// In steps of five, so that the sentence changes seldom.
fn rounded_percent(share: f64) -> u32 {
    5 * (share * 20.0).round() as u32
}

/// A monitor whose registers mean something else than its map says; `explains` are the findings of its circuits.
pub fn register_map_wrong(monitor: &str, fault: &RegisterFault, circuits: &[&str], explains: &OfPumps) -> Story {
    let how_sure = fault.probability.map_or_else(String::new, |p| format!(" ({})", confidence(p)));
    let short = fault.probability.map_or_else(String::new, |p| format!(" ({})", percent(p)));
    Story {
        line: format!("register map misread{short}, all its kW wrong. Engineer edits map, no site visit."),
        what: format!("The register map does not fit meter {monitor}: {}; {}{how_sure}.", fault.map_says, fault.fits),
        means: format!(
            "The values of {} are misread: kW and kWh are wrong, and phase loss is not watched until the map is corrected.",
            listed(circuits)
        ),
        steps: vec![
            format!("Engineer, at the desk: {}. Then reload.", fault.change.trim_end_matches('.')),
            "No site visit needed.".to_owned(),
        ],
        attached: attached_of_pumps(explains, circuits.len()),
        ..Story::default()
    }
}

/// What shows that the supply is good while a voltage of the meter is not.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Supply<'a> {
    /// A voltage is missing, so that it needs proof at all.
    pub voltage_missing: bool,
    /// Pumps that run and draw balanced current.
    pub proven_by: Vec<&'a str>,
}

/// A voltage lead, fuse or voltage transformer of a monitor.
pub fn voltage_leads_wrong(
    monitor: &str,
    fault: &str,
    probability: f64,
    supply: &Supply,
    circuits: &[&str],
    installations: &[&Installation],
    explains: &OfPumps,
) -> Story {
    let how_sure = confidence(probability);
    let pumps = listed(circuits);
    let proof = match supply.proven_by.as_slice() {
        [] => String::new(),
        [one] => format!(" {one} draws balanced current on all its phases, so the supply is good."),
        many => format!(" {} draw balanced current on all their phases, so the supply is good.", listed(many)),
    };
    let who = if installations.iter().any(|i| i.has_voltage_transformers()) {
        "The secondary side alone; primary and primary fuses of the voltage transformers are for the high-voltage crew."
    } else {
        "An electrician checks the fuse and the terminal of that voltage input after it."
    };
    let steps: Vec<String> =
        vec!["Work order, no callout: print the field sheet of one of these pumps.".to_owned(), who.to_owned()];
    let proven = !supply.proven_by.is_empty();
    let affected = if proven { "The pumps are not affected. " } else { "" };
    let means = format!("{affected}The kW and kWh of {pumps} are wrong or missing.");
    let line = if proven {
        "meter voltage input at fault, supply is good. kW wrong. Work order, no callout."
    } else {
        "meter voltage inputs at fault, kW wrong. Work order, no callout."
    };
    Story {
        title: Some("Meter voltage lead or fuse at fault".to_owned()),
        line: line.to_owned(),
        what: format!("Voltage inputs of {monitor}: {fault} ({how_sure}).{proof}"),
        means: means.clone(),
        steps: steps.clone(),
        cautions: cautions_of(installations.iter().copied()),
        attached: attached_of_pumps(explains, circuits.len()),
        when_stopped: supply.voltage_missing.then(|| WhenStopped {
            title: "Meter voltage lead or fuse at fault".to_owned(),
            line: "meter voltage input at fault; supply was good while a pump ran. Work order, no callout.".to_owned(),
            what: format!(
                "Voltage inputs of {monitor}: {fault} ({how_sure} while a pump ran and proved the supply). All its pumps are \
                 stopped now: until one runs again this meter does not see whether the supply loses that phase."
            ),
            means: format!("The kW and kWh of {pumps} are wrong or missing."),
            steps,
        }),
        ..Story::default()
    }
}

/// How the pumps of a monitor fare while its voltage leads are on the wrong phases.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PumpsBehind<'a> {
    /// Their figures are wrong because of it.
    pub wrong: Vec<&'a str>,
    /// Their figures are right all the same: their CTs are moved in the same way.
    pub right: Vec<&'a str>,
    /// Of these nothing is known yet.
    pub unjudged: Vec<&'a str>,
    /// They have a fault of their own besides, with an alarm of its own.
    pub own_fault: Vec<&'a str>,
    /// Corrected figures are there.
    pub corrected: bool,
}

/// Voltage leads on each other's phases: `order` is the phase that each of them is on.
pub fn voltage_leads_swapped(
    monitor: &str,
    order: [Phase; 3],
    probability: f64,
    behind: &PumpsBehind,
    installations: &[&Installation],
    explains: &OfPumps,
) -> Story {
    let leads = describe_wiring(&Wiring { voltage: order, ..Wiring::INTENDED });
    let meanwhile = if behind.corrected { "; use the corrected power meanwhile" } else { "" };
    let mut means =
        format!("The pumps are not affected. The kW and kWh of {} are wrong{meanwhile}.", listed(&behind.wrong));
    let mut steps = vec![
        "Work order, no callout: print the field sheet of one of these pumps. It has the whole procedure and its cautions. No lead \
         is touched but de-energized and locked out."
            .to_owned(),
    ];
    let mut besides = Vec::new();
    if behind.right.is_empty() {
        steps.push("This corrects all pumps of this meter at once: run each one and see this alarm clear.".to_owned());
    } else {
        let right = listed(&behind.right);
        besides.push(format!("the figures of {right} are right, because its CTs are moved in the same way"));
        steps.push(format!("The CT leads of {right} go back in the same outage, or those figures become wrong."));
    }
    if !behind.unjudged.is_empty() {
        besides.push(format!("{} cannot be judged yet, but expect the same there", listed(&behind.unjudged)));
    }
    if !behind.own_fault.is_empty() {
        besides
            .push(format!("at {} there is another fault besides, with an alarm of its own", listed(&behind.own_fault)));
    }
    if !besides.is_empty() {
        means = format!("{means} {}.", capital(&besides.join("; ")));
    }
    let short = percent(probability);
    Story {
        title: Some("Meter voltage leads on the wrong terminals".to_owned()),
        line: format!("meter voltage leads swapped ({short}), kW wrong. Pumps unaffected. Work order, no callout."),
        what: format!("Meter {monitor}: {leads} ({}).", confidence(probability)),
        means,
        steps,
        cautions: cautions_of(installations.iter().copied()),
        attached: attached_of_pumps(explains, behind.wrong.len() + behind.right.len() + behind.unjudged.len()),
        ..Story::default()
    }
}

/// The same while it is not settled which leads it is: `any` is the probability that their order is another than intended.
#[must_use]
pub fn voltage_leads_open(monitor: &str, any: f64, settled: Story) -> Story {
    let short = percent(any);
    Story {
        title: Some("Meter voltage leads may be on the wrong terminals: not settled".to_owned()),
        line: format!("meter voltage leads may be swapped ({short}), not settled. Pumps unaffected. Move nothing. Work order."),
        what: format!("Meter {monitor}: the order of its voltage leads is wrong ({}), but which is not settled.", confidence(any)),
        steps: vec![
            "Move nothing yet. Work order: make check 1 of the field sheet of one of these pumps, enter what was found, print the \
             sheet again."
                .to_owned(),
        ],
        ..settled
    }
}

/// Both at once: what is wrong with the leads as such goes first, for their order is seen through it.
#[must_use]
pub fn together(fault: Story, order: Story) -> Story {
    let mut attached = fault.attached.clone();
    attached.extend(order.attached.into_iter().filter(|line| !fault.attached.contains(line)));
    let steps = order.steps.into_iter().chain(fault.steps.get(1).cloned()).collect();
    Story {
        what: format!("{} {}", fault.what, order.what),
        means: order.means,
        steps,
        attached,
        when_stopped: None,
        ..fault
    }
}
