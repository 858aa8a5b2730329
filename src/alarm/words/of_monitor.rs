//! The stories of what all pumps of one monitor share: its answers, its register map, its voltage leads. Must never decide.

use super::text::capital;
use super::{SEEN, Story, attached_of_pumps, meanwhile, within};
use crate::audit::assessment::Finding;
use crate::audit::register_fault::RegisterFault;
use crate::audit::wiring::Wiring;
use crate::audit::words::{confidence, describe_wiring};
use crate::reading::Phase;

/// Findings with the pump that each is of.
pub type OfPumps<'a> = [(&'a str, &'a Finding)];

/// A monitor that answers nothing; `cause` as the poll tells it, `circuits` the pumps on it.
pub fn monitor_silent(monitor: &str, cause: &str, circuits: &[&str]) -> Story {
    Story {
        what: format!("Power monitor {monitor} gives no values{}.", within(cause)),
        means: format!("Nobody sees the power of {} now, and no alarm of theirs comes or goes.", pumps(circuits)),
        sure: SEEN.to_owned(),
        action: "See whether the monitor's address answers on the network. If not, have a qualified person check its supply \
                 and its network cable at the panel."
            .to_owned(),
        at_panel: true,
        cautions: Vec::new(),
        attached: Vec::new(),
    }
}

/// A monitor whose registers mean something else than its map says; `explains` are the findings of its circuits.
pub fn register_map_wrong(monitor: &str, fault: &RegisterFault, circuits: &[&str], explains: &OfPumps) -> Story {
    Story {
        what: format!(
            "The register map of monitor {monitor} does not fit the device: {}; {}.",
            fault.map_says, fault.fits
        ),
        means: format!(
            "The values of {} are misread: kW, kWh and whatever follows from them are wrong.",
            pumps(circuits)
        ),
        sure: fault.probability.map_or_else(|| SEEN.to_owned(), confidence),
        action: format!("Nobody needs to go there. In the register map: {}", fault.change),
        at_panel: false,
        cautions: Vec::new(),
        attached: attached_of_pumps(explains, circuits.len()),
    }
}

/// A voltage lead, fuse or voltage transformer of a monitor.
pub fn voltage_leads_wrong(
    monitor: &str,
    fault: &str,
    probability: f64,
    circuits: &[&str],
    explains: &OfPumps,
) -> Story {
    Story {
        what: format!("The voltage leads of monitor {monitor} are at fault: {fault}."),
        means: format!("The pumps are not affected, but the kW and kWh of {} are wrong or missing.", pumps(circuits)),
        sure: confidence(probability),
        action: "Have a qualified person check the monitor's voltage fuses and voltage leads at the panel.".to_owned(),
        at_panel: true,
        cautions: Vec::new(),
        attached: attached_of_pumps(explains, circuits.len()),
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
pub fn voltage_leads_exchanged(
    monitor: &str,
    order: [Phase; 3],
    probability: f64,
    behind: &PumpsBehind,
    explains: &OfPumps,
) -> Story {
    let leads = Wiring { voltage: order, ..Wiring::INTENDED };
    let meanwhile = meanwhile(behind.corrected);
    let mut means = format!(
        "The pumps themselves are not affected, but the kW and kWh of {} are wrong{meanwhile}.",
        pumps(&behind.wrong)
    );
    let mut action: Vec<String> = vec![
        "Print the field sheet of a pump of this monitor and have a qualified person carry out its whole procedure."
            .to_owned(),
    ];
    let mut besides = Vec::new();
    if behind.right.is_empty() {
        action.push("That corrects all pumps of this monitor at once.".to_owned());
    } else {
        let right = pumps(&behind.right);
        besides.push(format!(
            "the figures of {right} are right, because the current sensors (CTs) there are moved in the same way"
        ));
        action.push(format!(
            "Print that of {right} as well: the figures there become wrong when the voltage leads alone are moved."
        ));
    }
    if !behind.unjudged.is_empty() {
        besides.push(format!("{} cannot be judged yet, but expect the same there", pumps(&behind.unjudged)));
    }
    if !behind.own_fault.is_empty() {
        besides
            .push(format!("at {} there is another fault besides, with an alarm of its own", pumps(&behind.own_fault)));
    }
    if !besides.is_empty() {
        means = format!("{means} {}.", capital(&besides.join("; ")));
    }
    Story {
        what: format!(
            "The voltage leads of monitor {monitor} are not on their own phases: {}.",
            describe_wiring(&leads)
        ),
        means,
        sure: confidence(probability),
        action: action.join(" "),
        at_panel: true,
        cautions: Vec::new(),
        attached: attached_of_pumps(explains, behind.wrong.len() + behind.right.len() + behind.unjudged.len()),
    }
}

/// Both at once: what is wrong with the leads as such goes first, for their order is seen through it.
#[must_use]
pub fn together(fault: Story, order: Story) -> Story {
    let mut attached = fault.attached;
    attached.extend(order.attached.into_iter().filter(|line| !attached.contains(line)).collect::<Vec<_>>());
    Story {
        what: format!("{} {}", fault.what, order.what),
        means: order.means,
        sure: format!("{}; of the order of the leads {}", fault.sure, order.sure),
        action: format!("{} {}", fault.action, order.action),
        at_panel: true,
        cautions: Vec::new(),
        attached,
    }
}

/// Pumps in a sentence.
fn pumps(circuits: &[&str]) -> String {
    match circuits {
        [] => "what it measures".to_owned(),
        [one] => (*one).to_owned(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}
