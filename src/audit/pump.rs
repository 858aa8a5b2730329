//! Pump figures of one reading: specific energy and wire-to-water efficiency from corrected power, or why there are none.
//!
//! Must never make a figure of reported power: as long as the wiring is in doubt, so is everything built on its watts.

use super::assessment::{Assessment, RunState, Verdict};
use crate::electrical::hydraulic;
use crate::reading::{Measured, WaterReading};

/// Why a figure is not given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum NoFigure {
    /// The monitor gives no values of now.
    NotLive,
    /// The pump is stopped or starting.
    NotRunning,
    /// There is no verdict on the wiring.
    PowerInDoubt,
    /// There is a verdict, but power could not be corrected for this reading.
    NotCorrected,
    /// No register gives the flow.
    FlowNotMapped,
    /// The flow could not be read.
    FlowUnreadable,
    /// No water flows forward.
    NoFlow,
    /// No register gives the head, nor do two give the pressures before and behind the pump.
    HeadNotMapped,
    /// Head or pressures could not be read.
    HeadUnreadable,
    /// The head is not positive: the water drives the pump, or an instrument is wrong.
    NoHead,
    /// The water takes more power than the wires bring.
    Impossible,
}

impl NoFigure {
    /// Stable word, for JSON.
    pub fn key(self) -> &'static str {
        match self {
            NoFigure::NotLive => "not_live",
            NoFigure::NotRunning => "not_running",
            NoFigure::PowerInDoubt => "power_in_doubt",
            NoFigure::NotCorrected => "not_corrected",
            NoFigure::FlowNotMapped => "flow_not_mapped",
            NoFigure::FlowUnreadable => "flow_unreadable",
            NoFigure::NoFlow => "no_flow",
            NoFigure::HeadNotMapped => "head_not_mapped",
            NoFigure::HeadUnreadable => "head_unreadable",
            NoFigure::NoHead => "no_head",
            NoFigure::Impossible => "impossible",
        }
    }

    /// The reason in words.
    pub fn words(self) -> &'static str {
        match self {
            NoFigure::NotLive => "the monitor gives no values of now",
            NoFigure::NotRunning => "the pump is stopped or starting",
            NoFigure::PowerInDoubt => "power is in doubt: there is no verdict on the wiring",
            NoFigure::NotCorrected => "power is in doubt: it cannot be corrected now",
            NoFigure::FlowNotMapped => "no register gives the flow",
            NoFigure::FlowUnreadable => "the flow cannot be read now",
            NoFigure::NoFlow => "no water flows forward",
            NoFigure::HeadNotMapped => "no register gives the head, nor the pressures at suction and discharge",
            NoFigure::HeadUnreadable => "the head cannot be read now",
            NoFigure::NoHead => "the head is not above zero",
            NoFigure::Impossible => {
                "the water would take more power than the wires bring: check flow, head and CT ratio"
            }
        }
    }
}

/// Figures of one pump at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PumpFigures {
    /// Flow, m3/s, as read.
    pub flow_m3_per_s: Measured,
    /// Total head, m, as read or from the pressures at suction and discharge.
    pub head_m: Measured,
    /// Specific energy, Wh per m3.
    pub specific_energy_wh_per_m3: Result<f64, NoFigure>,
    /// Wire-to-water efficiency, 0..=1.
    pub wire_to_water: Result<f64, NoFigure>,
    /// One standard uncertainty of the power under both, as a share of it; instruments for flow and head add their own.
    pub power_uncertainty_share: Option<f64>,
}

/// The figures of a pump; `None` when nothing of the water side is mapped. `assessment` is the one of now, if there is one.
pub fn figures(water: &WaterReading, assessment: Option<&Assessment>) -> Option<PumpFigures> {
    let head_m = head(water);
    if !water.flow_m3_per_s.is_mapped() && !head_m.is_mapped() {
        return None;
    }
    let power = assessment.map_or(Err(NoFigure::NotLive), power);
    let specific = || {
        let (power_w, _) = power?;
        hydraulic::specific_energy_wh_per_m3(flow(water)?, power_w).ok_or(NoFigure::NoFlow)
    };
    let efficiency = || {
        let (power_w, _) = power?;
        let flow_m3_per_s = flow(water)?;
        let head_m = positive(head_m, [NoFigure::HeadNotMapped, NoFigure::HeadUnreadable, NoFigure::NoHead])?;
        hydraulic::wire_to_water(flow_m3_per_s, head_m, power_w)
            .filter(|efficiency| *efficiency <= 1.0)
            .ok_or(NoFigure::Impossible)
    };
    Some(PumpFigures {
        flow_m3_per_s: water.flow_m3_per_s,
        head_m,
        specific_energy_wh_per_m3: specific(),
        wire_to_water: efficiency(),
        power_uncertainty_share: power.ok().map(|(power_w, uncertainty_w)| uncertainty_w / power_w),
    })
}

/// Corrected power and its uncertainty, W, when a figure may rest on it.
fn power(assessment: &Assessment) -> Result<(f64, f64), NoFigure> {
    if matches!(assessment.run_state, RunState::Stopped | RunState::Starting) {
        return Err(NoFigure::NotRunning);
    }
    match (assessment.diagnosis.verdict, &assessment.corrected) {
        (Verdict::Undecided | Verdict::NoEvidence, _) => Err(NoFigure::PowerInDoubt),
        (Verdict::Sound | Verdict::Fault, Some(power)) if power.total_w > 0.0 => {
            Ok((power.total_w, power.uncertainty_w))
        }
        (Verdict::Sound | Verdict::Fault, _) => Err(NoFigure::NotCorrected),
    }
}

fn flow(water: &WaterReading) -> Result<f64, NoFigure> {
    positive(water.flow_m3_per_s, [NoFigure::FlowNotMapped, NoFigure::FlowUnreadable, NoFigure::NoFlow])
}

/// A good value above zero, else the reason: not mapped, not readable, not above zero.
fn positive(value: Measured, [unmapped, unreadable, too_low]: [NoFigure; 3]) -> Result<f64, NoFigure> {
    match value {
        Measured::NotMapped => Err(unmapped),
        Measured::Good(value) if value > 0.0 => Ok(value),
        Measured::Good(_) => Err(too_low),
        _ => Err(unreadable),
    }
}

/// The head's own register, else what the two pressures make of it.
fn head(water: &WaterReading) -> Measured {
    if water.head_m.is_mapped() {
        return water.head_m;
    }
    match (water.suction_pressure_pa, water.discharge_pressure_pa) {
        (Measured::Good(suction_pa), Measured::Good(discharge_pa)) => {
            Measured::Good(hydraulic::head_of_pressures_m(suction_pa, discharge_pa))
        }
        (Measured::NotMapped, _) | (_, Measured::NotMapped) => Measured::NotMapped,
        (Measured::Good(_), poor) | (poor, _) => match poor {
            Measured::Stale(_) | Measured::OutOfRange(_) => Measured::Failed,
            other => other,
        },
    }
}

#[cfg(test)]
#[path = "pump_tests.rs"]
mod tests;
