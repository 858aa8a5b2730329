//! Energy registered against energy estimated true, integrated side by side while a circuit is audited.
//!
//! Integrates power over monotonic time by the trapezoid rule; gaps longer than [`MAX_GAP_MS`] are not filled but counted,
//! so the totals never claim what was not seen. Must never change what was integrated once.

use super::assessment::CorrectedPower;
use crate::reading::MonoMs;

/// A gap in readings longer than this is left out of both sums.
pub const MAX_GAP_MS: u64 = 60_000;

/// Sums since the start of the period.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Misregistration {
    /// Energy the monitor registered (its own P, blank counted as zero), Wh.
    pub registered_wh: f64,
    /// Energy by corrected power, Wh.
    pub true_wh: f64,
    /// Largest error the uncertainty of corrected power can make of it, Wh: the errors of one wiring do not average out.
    pub uncertainty_wh: f64,
    /// Time covered, ms.
    pub covered_ms: u64,
    /// Time left out because power could not be corrected or readings were missing, ms.
    pub left_out_ms: u64,
}

impl Misregistration {
    /// Registered minus true: negative when the monitor registers too little, Wh.
    pub fn difference_wh(&self) -> f64 {
        self.registered_wh - self.true_wh
    }
}

/// One instant's powers.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Sample {
    at: MonoMs,
    registered_w: f64,
    corrected: Option<(f64, f64)>,
}

/// Integrates one circuit.
#[derive(Debug, Clone)]
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
        let sample = Sample { at, registered_w, corrected };
        if let Some(last) = self.last.replace(sample) {
            let span_ms = at.since(last.at);
            let hours = span_ms as f64 / 3_600_000.0;
            match (last.corrected, sample.corrected) {
                (Some(before), Some(after)) if span_ms <= self.max_gap_ms => {
                    self.sums.registered_wh += f64::midpoint(last.registered_w, registered_w) * hours;
                    self.sums.true_wh += f64::midpoint(before.0, after.0) * hours;
                    self.sums.uncertainty_wh += f64::midpoint(before.1, after.1) * hours;
                    self.sums.covered_ms += span_ms;
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
        assert_eq!((sums.covered_ms, sums.left_out_ms), (3_600_000, 0));
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
        assert_eq!((sums.covered_ms, sums.left_out_ms), (1_000, 602_000));
        assert_eq!(sums.true_wh, 0.0);
    }
}
