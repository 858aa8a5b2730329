//! Energy registered against energy estimated true, integrated side by side while a circuit is audited.
//!
//! Integrates power over monotonic time by the trapezoid rule; gaps longer than [`MAX_GAP_MS`] are not filled but counted,
//! so the totals never claim what was not seen. Must never change what was integrated once.

use serde::{Deserialize, Serialize};

use super::absence::Absence;
use super::assessment::CorrectedPower;
use crate::reading::{CircuitReading, Measured, MonoMs};

/// Milliseconds in an hour.
pub(super) const MS_PER_HOUR: f64 = 3_600_000.0;

/// A gap in readings longer than this is left out of both sums.
pub const MAX_GAP_MS: u64 = 60_000;

/// Coverage factor of the bounds: with normal errors about 95 % of them lie within (JCGM 100:2008, 6.3.3; from memory).
pub const COVERAGE: f64 = 2.0;

/// Sums since the start of the period.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Misregistration {
    /// Energy the monitor registered (its own P, blank counted as zero), Wh.
    pub registered_wh: f64,
    /// Energy by corrected power, Wh.
    pub true_wh: f64,
    /// One standard uncertainty of it, Wh: the sum over time, for the errors of one wiring do not average out.
    pub uncertainty_wh: f64,
    /// Time covered, ms.
    pub covered_ms: u64,
    /// Of it, time in which the pump ran, ms.
    pub running_ms: u64,
    /// Time left out because power could not be corrected or readings were missing, ms.
    pub left_out_ms: u64,
}

impl Misregistration {
    /// Registered minus true: negative when the monitor registers too little, Wh.
    pub fn difference_wh(&self) -> f64 {
        self.registered_wh - self.true_wh
    }

    /// Lowest and highest difference by [`COVERAGE`] standard uncertainties either way, Wh.
    pub fn difference_bounds_wh(&self) -> (f64, f64) {
        let reach_wh = COVERAGE * self.uncertainty_wh;
        (self.difference_wh() - reach_wh, self.difference_wh() + reach_wh)
    }

    /// Share of the time that the sums do not cover, 0..=1; 1 before any time has passed.
    pub fn left_out_share(&self) -> f64 {
        let all_ms = self.covered_ms + self.left_out_ms;
        if all_ms == 0 { 1.0 } else { self.left_out_ms as f64 / all_ms as f64 }
    }
}

/// Active power as the monitor registers it, W: its total, else the sum of its channels; blank counts as zero, as it does
/// in the monitor's own energy register (common practice, no source). `None` when any part of it could not be read, so that
/// the span is not made up.
pub fn registered_w(circuit: &CircuitReading) -> Option<f64> {
    let counted = |value: Measured| match value {
        Measured::Good(watts) => Some(watts),
        Measured::NotAvailable | Measured::NotMapped => Some(0.0),
        Measured::Stale(_) | Measured::OutOfRange(_) | Measured::Failed => None,
    };
    if circuit.total_active_power_w.is_mapped() {
        return counted(circuit.total_active_power_w);
    }
    circuit.active_power_w.iter().try_fold(0.0, |sum, value| Some(sum + counted(*value)?))
}

/// True when the map offers active power at all.
pub fn registers_power(circuit: &CircuitReading) -> bool {
    circuit.total_active_power_w.is_mapped() || circuit.active_power_w.iter().any(|value| value.is_mapped())
}

/// One instant's powers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Sample {
    at: MonoMs,
    registered_w: f64,
    running: bool,
    corrected: Option<(f64, f64)>,
}

/// Integrates one circuit.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct EnergyMeter {
    last: Option<Sample>,
    sums: Misregistration,
    max_gap_ms: u64,
}

impl Default for EnergyMeter {
    fn default() -> EnergyMeter {
        EnergyMeter::with_max_gap(MAX_GAP_MS)
    }
}

impl EnergyMeter {
    /// As the default, but leaving out gaps longer than this instead, for records with readings further apart.
    pub fn with_max_gap(max_gap_ms: u64) -> EnergyMeter {
        EnergyMeter { last: None, sums: Misregistration::default(), max_gap_ms }
    }

    /// Goes on after an absence. Time that cannot be joined to what was seen before it is left out.
    pub fn resume(&mut self, max_gap_ms: u64, absence: &Absence) {
        self.max_gap_ms = max_gap_ms;
        let Some(last) = &mut self.last else { return };
        match absence.mono(last.at) {
            Some(at) => last.at = at,
            None => {
                self.sums.left_out_ms = self.sums.left_out_ms.saturating_add(absence.ago_ms(last.at).unwrap_or(0));
                self.last = None;
            }
        }
    }

    /// Sums so far.
    pub fn sums(&self) -> Misregistration {
        self.sums
    }

    /// Takes one reading: what was registered (W; blank or missing as zero), whether the pump runs, and corrected power
    /// where there is one. A standing pump needs no correction: both are zero.
    pub fn observe(&mut self, at: MonoMs, registered_w: f64, running: bool, corrected: Option<&CorrectedPower>) {
        let corrected = match corrected {
            Some(power) => Some((power.total_w, power.uncertainty_w)),
            None if !running => Some((0.0, 0.0)),
            None => None,
        };
        let sample = Sample { at, registered_w, running, corrected };
        if let Some(last) = self.last.replace(sample) {
            let span_ms = at.since(last.at);
            let hours = span_ms as f64 / MS_PER_HOUR;
            match (last.corrected, sample.corrected) {
                (Some(before), Some(after)) if span_ms <= self.max_gap_ms => {
                    self.sums.registered_wh += f64::midpoint(last.registered_w, registered_w) * hours;
                    self.sums.true_wh += f64::midpoint(before.0, after.0) * hours;
                    self.sums.uncertainty_wh += f64::midpoint(before.1, after.1) * hours;
                    self.sums.covered_ms += span_ms;
                    if last.running && running {
                        self.sums.running_ms += span_ms;
                    }
                }
                _ => self.sums.left_out_ms += span_ms,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use num_complex::Complex64;

    use super::*;

    fn corrected(total_w: f64) -> CorrectedPower {
        CorrectedPower {
            per_phase_va: [Complex64::ZERO; 3],
            total_w,
            total_var: 0.0,
            power_factor: 0.85,
            uncertainty_w: 0.01 * total_w,
        }
    }

    /// One CT reversed registers a third: over an hour at 45 kW, 15 of 45 kWh.
    #[test]
    fn a_reversed_ct_for_an_hour() {
        let mut meter = EnergyMeter::default();
        for second in 0..=3600 {
            meter.observe(MonoMs(1000 * second), 15_000.0, true, Some(&corrected(45_000.0)));
        }
        let sums = meter.sums();
        assert!((sums.registered_wh - 15_000.0).abs() < 1e-6);
        assert!((sums.true_wh - 45_000.0).abs() < 1e-6);
        assert!((sums.difference_wh() + 30_000.0).abs() < 1e-6);
        assert!((sums.uncertainty_wh - 450.0).abs() < 1e-6);
        let (lowest, highest) = sums.difference_bounds_wh();
        assert!((lowest + 30_900.0).abs() < 1e-6 && (highest + 29_100.0).abs() < 1e-6, "{lowest} {highest}");
        assert_eq!((sums.covered_ms, sums.running_ms, sums.left_out_ms), (3_600_000, 3_600_000, 0));
    }

    #[test]
    fn gaps_and_doubt_are_left_out_not_guessed() {
        let mut meter = EnergyMeter::default();
        meter.observe(MonoMs(0), 0.0, true, Some(&corrected(45_000.0)));
        meter.observe(MonoMs(600_000), 0.0, true, Some(&corrected(45_000.0)));
        meter.observe(MonoMs(601_000), 0.0, true, None);
        meter.observe(MonoMs(602_000), 0.0, false, None);
        meter.observe(MonoMs(603_000), 0.0, false, None);
        let sums = meter.sums();
        assert_eq!((sums.covered_ms, sums.running_ms, sums.left_out_ms), (1_000, 0, 602_000));
        assert!((sums.left_out_share() - 602.0 / 603.0).abs() < 1e-12);
        assert_eq!(sums.true_wh, 0.0);
    }

    #[test]
    fn what_is_registered_is_the_total_or_all_channels_or_nothing() {
        let good = Measured::Good;
        let mut circuit = CircuitReading::default();
        assert!(!registers_power(&circuit));
        circuit.active_power_w = [good(5.0), Measured::NotAvailable, good(-2.0)];
        assert_eq!(registered_w(&circuit), Some(3.0));
        circuit.active_power_w[1] = Measured::Failed;
        assert_eq!(registered_w(&circuit), None);
        circuit.total_active_power_w = Measured::NotAvailable;
        assert_eq!(registered_w(&circuit), Some(0.0), "a blank register registers nothing");
        assert!(registers_power(&circuit));
    }
}
