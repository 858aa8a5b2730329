//! Words that several parts of a procedure share. Must never say that anything is de-energized: only a person can.

use super::Place;
use super::job::{Access, Ct, Job};
use crate::audit::cautions;
use crate::reading::Phase;

/// "CT 2", the one whose leads are on channel 2, or "Pump 1's own CT 2 (leads now on Pump 2)".
pub(super) fn ct(ct: Ct, place: &Place) -> String {
    match ct {
        Ct::On(k) => format!("CT {}", k + 1),
        Ct::Elsewhere { channel, slot } => {
            format!("{}'s own CT {} (leads now on {})", place.pump, channel + 1, pump_in(slot, place))
        }
    }
}

/// Name of the pump in a slot of the monitor.
pub(super) fn pump_in(slot: usize, place: &Place) -> String {
    let known = place.neighbors.iter().find(|n| n.slot == slot);
    known.map_or_else(|| format!("the pump in slot {} of the monitor", slot + 1), |n| n.name.clone())
}

/// This pump and the others of its monitor.
pub(super) fn all_pumps(place: &Place) -> Vec<String> {
    std::iter::once(&place.pump).chain(place.neighbors.iter().map(|n| &n.name)).cloned().collect()
}

/// Things in a sentence: "1, 2 and 3".
pub(super) fn list<T: ToString>(things: &[T]) -> String {
    let words: Vec<String> = things.iter().map(T::to_string).collect();
    match words.as_slice() {
        [] => String::new(),
        [one] => one.clone(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}

/// Channels as numbered on the terminals.
pub(super) fn numbers(channels: impl IntoIterator<Item = usize>) -> String {
    list(&channels.into_iter().map(|k| k + 1).collect::<Vec<_>>())
}

/// Voltage tester for the place; no measurement category but where one is known to hold.
pub(super) fn tester(job: &Job) -> String {
    match (cautions::tester_rating(&job.place.installation), job.access) {
        (Some(rating), _) => format!("rated {rating} or better"),
        (None, Access::Direct) => "rated for the voltage and category marked at the panel".to_owned(),
        (None, _) => "rated for the voltage marked at the VT secondary".to_owned(),
    }
}

/// Who does work on the primary.
pub(super) fn primary_crew(job: &Job) -> &'static str {
    match job.access {
        Access::Direct | Access::Transformers => "the crew responsible for the primary",
        Access::NotDeclared | Access::HighVoltage => "the high-voltage crew",
    }
}

/// That work on the primary is for others.
pub(super) fn refusal(job: &Job) -> &'static str {
    match job.access {
        Access::HighVoltage => "Above 1,000 V: work for the high-voltage crew under the utility's procedure.",
        Access::NotDeclared => {
            "It is not declared how the monitor gets its voltage (voltage_connection), so this counts as above 1,000 V: work for \
             the high-voltage crew under the utility's procedure."
        }
        Access::Direct | Access::Transformers => {
            "The voltage comes through voltage transformers (VTs): work on the primary is for the crew responsible for it, under \
             its own procedure."
        }
    }
}

/// A phase conductor.
pub(super) fn conductor(phase: Phase) -> String {
    format!("phase {}", phase.label())
}
