//! Pump figures, or why they are withheld.

use serde::Serialize;
use utoipa::ToSchema;

use super::energy::Reason;
use super::value::{Value, value};
use crate::audit::pump::{NoFigure, PumpFigures};
use crate::electrical::hydraulic::MILLION_GALLONS_M3;

#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Pump {
    flow_m3_per_s: Value,
    head_m: Value,
    specific_energy: SpecificEnergy,
    wire_to_water_efficiency: Efficiency,
    /// One standard uncertainty of the power under both, as a share of it; flow and head add their own.
    power_uncertainty_ratio: Option<f64>,
}

#[derive(Debug, Serialize, ToSchema)]
struct SpecificEnergy {
    withheld: Option<Reason>,
    kwh_per_m3: Option<f64>,
    /// US gallons.
    kwh_per_thousand_gallons: Option<f64>,
    /// US gallons.
    kwh_per_million_gallons: Option<f64>,
}

#[derive(Debug, Serialize, ToSchema)]
struct Efficiency {
    withheld: Option<Reason>,
    /// 0 to 1.
    ratio: Option<f64>,
}

pub(super) fn pump(figures: &PumpFigures) -> Pump {
    let reason = |why: NoFigure| Reason { reason: why.key(), words: why.words() };
    let kwh_per_m3 = figures.specific_energy_wh_per_m3.map(|wh| wh / 1000.0);
    let per_million = kwh_per_m3.map(|kwh| kwh * MILLION_GALLONS_M3);
    Pump {
        flow_m3_per_s: value(figures.flow_m3_per_s),
        head_m: value(figures.head_m),
        specific_energy: SpecificEnergy {
            withheld: kwh_per_m3.err().map(reason),
            kwh_per_m3: kwh_per_m3.ok(),
            kwh_per_thousand_gallons: per_million.ok().map(|kwh| kwh / 1000.0),
            kwh_per_million_gallons: per_million.ok(),
        },
        wire_to_water_efficiency: Efficiency {
            withheld: figures.wire_to_water.err().map(reason),
            ratio: figures.wire_to_water.ok(),
        },
        power_uncertainty_ratio: figures.power_uncertainty_share,
    }
}
