//! Energies registered wrong, with their bounds and cost, or why they are withheld.

use serde::Serialize;
use utoipa::ToSchema;

use super::rfc3339;
use crate::audit::assessment::Verdict;
use crate::audit::energy::{self, Period, RegisterAdvance};
use crate::config::model::Tariff;
use crate::reading::{Instant2, UnixMs};
use crate::station::snapshot::CircuitSnapshot;

#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EnergyJson {
    since_start: PeriodJson,
    /// Since the wiring last changed.
    since_wiring_change: PeriodJson,
    /// The monitor's own registers; null where there is nothing to compare.
    register: Option<RegisterJson>,
    /// Only where the configuration dates the fault.
    since_fault: Option<SinceFaultJson>,
}

/// One period. Everything that rests on corrected power is null while `withheld` says why.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PeriodJson {
    from: Option<String>,
    covered_ms: u64,
    running_ms: u64,
    left_out_ms: u64,
    withheld: Option<Reason>,
    registered_wh: Option<f64>,
    true_wh: Option<f64>,
    /// One standard uncertainty of `true_wh`.
    uncertainty_wh: Option<f64>,
    /// Registered less true: below zero, the monitor registers too little.
    difference_wh: Option<f64>,
    /// Two standard uncertainties below the difference.
    difference_lowest_wh: Option<f64>,
    /// Two standard uncertainties above the difference.
    difference_highest_wh: Option<f64>,
    /// The difference and its bounds at the tariff; null without one.
    cost: Option<Cost>,
}

/// Why something is not given.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Reason {
    pub(super) reason: &'static str,
    pub(super) words: &'static str,
}

#[derive(Debug, Serialize, ToSchema)]
struct Cost {
    currency: String,
    price_per_kwh: f64,
    amount: f64,
    lowest: f64,
    highest: f64,
}

/// Advance of the registers beside the integral of registered power over the same time.
#[derive(Debug, Serialize, ToSchema)]
struct RegisterJson {
    covered_ms: u64,
    import_wh: f64,
    export_wh: Option<f64>,
    integral_import_wh: f64,
    integral_export_wh: f64,
    backward_steps: u64,
}

#[derive(Debug, Serialize, ToSchema)]
struct SinceFaultJson {
    since: String,
    /// Always true: most of this time was not audited.
    estimate: bool,
    method: &'static str,
    withheld: Option<Reason>,
    elapsed_ms: Option<u64>,
    difference_wh: Option<f64>,
    difference_lowest_wh: Option<f64>,
    difference_highest_wh: Option<f64>,
    cost: Option<Cost>,
}

const METHOD: &str = "difference per hour as audited under the present wiring, times the hours since the date; bounds: a \
                      pump that never ran, and one that always ran";

pub(crate) fn energy(circuit: &CircuitSnapshot, tariff: Option<&Tariff>, now: Instant2) -> EnergyJson {
    let verdict = circuit.verdict();
    let report = &circuit.energy;
    EnergyJson {
        since_start: period(&report.since_start, verdict, tariff),
        since_wiring_change: period(&report.since_change, verdict, tariff),
        register: report.register.map(register),
        since_fault: circuit.fault_since.map(|since| since_fault(&report.since_change, verdict, since, tariff, now)),
    }
}

pub(crate) fn period(period: &Period, verdict: Verdict, tariff: Option<&Tariff>) -> PeriodJson {
    let sums = &period.sums;
    let withheld = period.withheld(verdict);
    let given = |value: f64| withheld.is_none().then_some(value);
    let bounds = sums.difference_bounds_wh();
    PeriodJson {
        from: period.from.map(|at| rfc3339(at.wall)),
        covered_ms: sums.covered_ms,
        running_ms: sums.running_ms,
        left_out_ms: sums.left_out_ms,
        withheld: withheld.map(|why| Reason { reason: why.key(), words: why.words() }),
        registered_wh: period.registered.then_some(sums.registered_wh),
        true_wh: given(sums.true_wh),
        uncertainty_wh: given(sums.uncertainty_wh),
        difference_wh: given(sums.difference_wh()),
        difference_lowest_wh: given(bounds.0),
        difference_highest_wh: given(bounds.1),
        cost: tariff.filter(|_| withheld.is_none()).map(|tariff| cost(tariff, sums.difference_wh(), bounds)),
    }
}

fn cost(tariff: &Tariff, difference_wh: f64, (lowest_wh, highest_wh): (f64, f64)) -> Cost {
    Cost {
        currency: tariff.currency.clone(),
        price_per_kwh: tariff.price_per_kwh,
        amount: tariff.cost_of_wh(difference_wh),
        lowest: tariff.cost_of_wh(lowest_wh),
        highest: tariff.cost_of_wh(highest_wh),
    }
}

fn register(advance: RegisterAdvance) -> RegisterJson {
    RegisterJson {
        covered_ms: advance.covered_ms,
        import_wh: advance.import_wh,
        export_wh: advance.export_wh,
        integral_import_wh: advance.integral_import_wh,
        integral_export_wh: advance.integral_export_wh,
        backward_steps: advance.backward_steps,
    }
}

fn since_fault(
    period: &Period,
    verdict: Verdict,
    since: UnixMs,
    tariff: Option<&Tariff>,
    now: Instant2,
) -> SinceFaultJson {
    let estimate = energy::since_fault(period, verdict, now.wall.0 - since.0);
    let given = estimate.ok();
    SinceFaultJson {
        since: rfc3339(since),
        estimate: true,
        method: METHOD,
        withheld: estimate.err().map(|why| Reason { reason: why.key(), words: why.words() }),
        elapsed_ms: given.map(|e| e.elapsed_ms),
        difference_wh: given.map(|e| e.estimate_wh),
        difference_lowest_wh: given.map(|e| e.lowest_wh),
        difference_highest_wh: given.map(|e| e.highest_wh),
        cost: given.zip(tariff).map(|(e, tariff)| cost(tariff, e.estimate_wh, (e.lowest_wh, e.highest_wh))),
    }
}
