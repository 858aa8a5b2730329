//! Energies and pump figures as lines for people: what was registered, what it should have been, the difference with its
//! bounds and cost, or why it is withheld.
//!
//! Must never print a figure that the diagnosis does not carry.

use std::fmt::Write;

use super::json::rfc3339;
use super::text::{cell, paragraph};
use crate::audit::assessment::Verdict;
use crate::audit::energy::{self, Period, RegisterAdvance};
use crate::audit::misregistration::Misregistration;
use crate::audit::pump::PumpFigures;
use crate::config::model::Tariff;
use crate::electrical::hydraulic::MILLION_GALLONS_M3;
use crate::reading::{Instant2, Measured, UnixMs};
use crate::station::snapshot::{CircuitSnapshot, StationSnapshot};

/// The energies of a circuit, as of `now`; nothing before the first reading.
pub(super) fn energies(out: &mut String, circuit: &CircuitSnapshot, tariff: Option<&Tariff>, now: Instant2) {
    let report = &circuit.energy;
    let verdict = circuit.verdict();
    if report.since_start.from.is_none() {
        return;
    }
    out.push_str("  Energy (bounds: two standard uncertainties, if the wiring is as diagnosed)\n");
    period(out, "since the audit began", &report.since_start, verdict, tariff);
    if report.since_change.from != report.since_start.from {
        period(out, "since the wiring changed", &report.since_change, verdict, tariff);
    }
    if let Some(advance) = &report.register {
        register(out, advance);
    }
    if let Some(since) = circuit.fault_since {
        since_fault(out, &report.since_change, verdict, since, tariff, now);
    }
}

fn period(out: &mut String, name: &str, period: &Period, verdict: Verdict, tariff: Option<&Tariff>) {
    let from = period.from.map(|at| format!(" ({})", rfc3339(at.wall))).unwrap_or_default();
    let sums = &period.sums;
    let what = match period.withheld(verdict) {
        Some(why) => format!("withheld: {}", why.words()),
        None => difference(sums, tariff),
    };
    paragraph(out, "    ", &format!("{name}{from}, {}: {what}", time_covered(sums)));
}

/// The sums of a period in one sentence, cost included.
pub(super) fn difference(sums: &Misregistration, tariff: Option<&Tariff>) -> String {
    let (lowest, highest) = sums.difference_bounds_wh();
    let cost = tariff.map(|t| format!(", {}", cost(t, sums.difference_wh(), (lowest, highest)))).unwrap_or_default();
    format!(
        "registered {} kWh; by corrected power {} kWh; difference {} kWh (between {} and {}){cost}",
        kwh(sums.registered_wh),
        kwh(sums.true_wh),
        kwh(sums.difference_wh()),
        kwh(lowest),
        kwh(highest),
    )
}

/// How much of the time the sums speak of.
pub(super) fn time_covered(sums: &Misregistration) -> String {
    format!("{} covered, {} left out", span(sums.covered_ms), span(sums.left_out_ms))
}

fn cost(tariff: &Tariff, wh: f64, (lowest_wh, highest_wh): (f64, f64)) -> String {
    format!(
        "{} (between {} and {}) at {} {} per kWh",
        money(tariff, wh),
        amount(tariff, lowest_wh),
        amount(tariff, highest_wh),
        tariff.price_per_kwh,
        tariff.currency,
    )
}

/// What an amount of energy costs, with its currency.
pub(super) fn money(tariff: &Tariff, wh: f64) -> String {
    format!("{} {}", amount(tariff, wh), tariff.currency)
}

fn amount(tariff: &Tariff, wh: f64) -> String {
    unsigned_zero(format!("{:.2}", tariff.cost_of_wh(wh)))
}

fn register(out: &mut String, advance: &RegisterAdvance) {
    let mut text = format!(
        "the monitor's own register: import advanced {} kWh where its power makes {} kWh",
        kwh(advance.import_wh),
        kwh(advance.integral_import_wh)
    );
    if let Some(export_wh) = advance.export_wh {
        let _ = write!(text, "; export {} kWh where it makes {} kWh", kwh(export_wh), kwh(advance.integral_export_wh));
    }
    let _ = write!(text, " ({} compared", span(advance.covered_ms));
    if advance.backward_steps > 0 {
        let times =
            if advance.backward_steps == 1 { "once".to_owned() } else { format!("{} times", advance.backward_steps) };
        let _ = write!(text, "; a register went backwards {times}, which is left out");
    }
    text.push(')');
    paragraph(out, "    ", &text);
}

fn since_fault(
    out: &mut String,
    period: &Period,
    verdict: Verdict,
    since: UnixMs,
    tariff: Option<&Tariff>,
    now: Instant2,
) {
    let date = rfc3339(since).chars().take_while(|c| *c != 'T').collect::<String>();
    let text = match energy::since_fault(period, verdict, now.wall.0 - since.0) {
        Err(why) => format!("withheld: {}", why.words()),
        Ok(estimate) => {
            let bounds = (estimate.lowest_wh, estimate.highest_wh);
            let cost = tariff.map(|t| format!(", {}", cost(t, estimate.estimate_wh, bounds))).unwrap_or_default();
            format!(
                "difference {} kWh (between {} and {}){cost}. Not measured: the rate audited under the present wiring, \
                 carried back; between a pump that never ran and one that always ran at such a load",
                kwh(estimate.estimate_wh),
                kwh(bounds.0),
                kwh(bounds.1)
            )
        }
    };
    paragraph(out, "    ", &format!("ESTIMATE since {date}, the date given for the fault: {text}"));
}

/// The pump figures of a circuit, as of `now`; nothing where no instrument says anything of its water side.
pub(super) fn pump(out: &mut String, station: &StationSnapshot, circuit: &CircuitSnapshot, now: Instant2) {
    let Some(figures) = station.pump_figures(circuit, now.mono) else { return };
    let PumpFigures { flow_m3_per_s, head_m, specific_energy_wh_per_m3, wire_to_water, power_uncertainty_share } =
        figures;
    if [flow_m3_per_s, head_m].iter().all(|value| matches!(value, Measured::NotAvailable | Measured::NotMapped)) {
        return; // The map has room for instruments that nobody has wired.
    }
    out.push_str("  Pump figures (from corrected power)\n");
    let per_hour = |value: Measured| cell(value.map(|v| v * 3600.0), 1.0, 1);
    let _ = writeln!(out, "    flow {} m3/h, head {} m", per_hour(flow_m3_per_s), cell(head_m, 1.0, 2));
    let specific = match specific_energy_wh_per_m3 {
        Err(why) => format!("withheld: {}", why.words()),
        Ok(wh) => {
            let per_million = wh / 1000.0 * MILLION_GALLONS_M3;
            format!(
                "{:.4} kWh/m3, {:.3} kWh per thousand gallons, {per_million:.0} kWh per million gallons",
                wh / 1000.0,
                per_million / 1000.0
            )
        }
    };
    paragraph(out, "    ", &format!("specific energy: {specific}"));
    let efficiency = match wire_to_water {
        Err(why) => format!("withheld: {}", why.words()),
        Ok(ratio) => format!("{:.1} %", 100.0 * ratio),
    };
    let doubt = power_uncertainty_share
        .filter(|_| wire_to_water.is_ok() || specific_energy_wh_per_m3.is_ok())
        .map(|share| format!(" (power +/- {:.1} %; flow and head add their own)", 100.0 * share))
        .unwrap_or_default();
    paragraph(out, "    ", &format!("wire-to-water efficiency: {efficiency}{doubt}"));
}

/// Wh as kWh with two decimals.
pub(super) fn kwh(wh: f64) -> String {
    unsigned_zero(format!("{:.2}", wh / 1000.0))
}

fn unsigned_zero(text: String) -> String {
    if text == "-0.00" { "0.00".to_owned() } else { text }
}

fn span(ms: u64) -> String {
    let seconds = ms as f64 / 1000.0;
    if seconds < 120.0 {
        format!("{seconds:.0} s")
    } else if seconds < 7200.0 {
        format!("{:.1} min", seconds / 60.0)
    } else {
        format!("{:.1} h", seconds / 3600.0)
    }
}

#[cfg(test)]
#[path = "energy_text_tests.rs"]
mod tests;
