//! Power quantities after IEEE 1459, load convention: S = V I*, P > 0 is import, Q > 0 inductive, PF carries P's sign.

use num_complex::Complex64;

/// Complex power P + jQ, VA, of voltage and current phasors (RMS V and A).
pub fn complex_power(voltage_v: Complex64, current_a: Complex64) -> Complex64 {
    voltage_v * current_a.conj()
}

/// Power factor P / S with the sign of P; `None` when S is not positive.
pub fn power_factor(active_w: f64, apparent_va: f64) -> Option<f64> {
    (apparent_va > 0.0).then(|| active_w / apparent_va)
}

/// Arithmetic apparent power, VA: the sum of the phases' |S|.
pub fn arithmetic_apparent_va(per_phase_va: [Complex64; 3]) -> f64 {
    per_phase_va.iter().map(|s| s.norm()).sum()
}

/// Vector apparent power, VA: |sum of S|.
pub fn vector_apparent_va(per_phase_va: [Complex64; 3]) -> f64 {
    per_phase_va.iter().sum::<Complex64>().norm()
}

/// Effective apparent power of a four-wire system, VA: Se = 3 Ve Ie (IEEE 1459-2010 clause 3.2.2.8).
/// Phase-to-neutral voltages and phase currents as phasors, V and A.
pub fn effective_apparent_va(voltage_v: [Complex64; 3], current_a: [Complex64; 3]) -> f64 {
    let neutral = current_a.iter().sum::<Complex64>();
    let ie = ((current_a.iter().map(Complex64::norm_sqr).sum::<f64>() + neutral.norm_sqr()) / 3.0).sqrt();
    let [va, vb, vc] = voltage_v;
    let phase: f64 = voltage_v.iter().map(Complex64::norm_sqr).sum();
    let line = (va - vb).norm_sqr() + (vb - vc).norm_sqr() + (vc - va).norm_sqr();
    let ve = ((3.0 * phase + line) / 18.0).sqrt();
    3.0 * ve * ie
}

/// What two wattmeters of a balanced three-wire load say together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoWattmeter {
    /// Total active power, W; exact for any three-wire load.
    pub active_w: f64,
    /// Magnitude of total reactive power, var; balanced load only.
    pub reactive_var: f64,
    /// Power factor with the sign of P; balanced load only. Zero when both meters read zero.
    pub power_factor: f64,
}

/// The two-wattmeter relations: P = W1 + W2, Q = sqrt(3) (W_high - W_low).
pub fn two_wattmeter(first_w: f64, second_w: f64) -> TwoWattmeter {
    let active_w = first_w + second_w;
    let reactive_var = 3f64.sqrt() * (first_w - second_w).abs();
    let apparent = active_w.hypot(reactive_var);
    TwoWattmeter { active_w, reactive_var, power_factor: if apparent > 0.0 { active_w / apparent } else { 0.0 } }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrical::angle::polar_deg;

    const PHASES_DEG: [f64; 3] = [0.0, -120.0, 120.0];

    fn balanced(magnitude: f64, lag_deg: f64) -> [Complex64; 3] {
        PHASES_DEG.map(|angle| polar_deg(magnitude, angle - lag_deg))
    }

    /// From the definitions of IEEE 1459-2010: one 100 A unity load on a 277 V four-wire system.
    #[test]
    fn one_phase_load_has_a_poor_effective_power_factor() {
        let voltage = balanced(277.0, 0.0);
        let current = [polar_deg(100.0, 0.0), Complex64::ZERO, Complex64::ZERO];
        let s = [0, 1, 2].map(|k| complex_power(voltage[k], current[k]));
        let p: f64 = s.iter().map(|s| s.re).sum();
        assert!((p - 27_700.0).abs() < 1e-6);
        assert!((arithmetic_apparent_va(s) - 27_700.0).abs() < 1e-6);
        assert!((vector_apparent_va(s) - 27_700.0).abs() < 1e-6);
        let se = effective_apparent_va(voltage, current);
        assert!((se - 67_850.0).abs() < 10.0, "{se}");
        assert!((p / se - 1.0 / 6f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn lagging_load_has_positive_reactive_power() {
        let s = complex_power(polar_deg(277.0, 0.0), polar_deg(100.0, -31.788_33));
        assert!((s.re - 23_545.0).abs() < 1.0, "{s}");
        assert!((s.im - 14_592.0).abs() < 1.0, "{s}");
        assert_eq!(power_factor(s.re, 0.0), None);
    }

    /// Published examination solutions and the classic ratio curve (sources in the project's reference table):
    /// 250 and -50 kW give PF 0.3592; 12.5 and -4.8 give 0.2489; 5 and -2 give 0.2402; equal meters give 1; r = 0.5
    /// gives 0.8660; r = 0 gives 0.5; opposite meters give 0.
    #[test]
    fn two_wattmeter_published_values() {
        for (first, second, power, pf) in [
            (250e3, -50e3, 200e3, 0.3592),
            (12.5e3, -4.8e3, 7.7e3, 0.2489),
            (5e3, -2e3, 3e3, 0.2402),
            (1000.0, 1000.0, 2000.0, 1.0),
            (1000.0, -1000.0, 0.0, 0.0),
            (1.0, 0.75, 1.75, 0.9707),
            (1.0, 0.5, 1.5, 0.8660),
            (1.0, 0.25, 1.25, 0.6934),
            (1.0, 0.0, 1.0, 0.5),
            (1.0, -0.5, 0.5, 0.1890),
        ] {
            let both = two_wattmeter(first, second);
            assert!((both.active_w - power).abs() < 1e-9);
            assert!((both.power_factor - pf).abs() < 1e-4, "{first} {second}: {both:?}");
            assert_eq!(both, two_wattmeter(second, first));
        }
    }

    /// Two elements (AB, CB) on a balanced load agree with three: P = 70.635 kW, W1 = 22.681, W2 = 47.954 kW.
    #[test]
    fn two_elements_equal_three() {
        let voltage = balanced(480.0 / 3f64.sqrt(), 0.0);
        let current = balanced(100.0, 0.85f64.acos().to_degrees());
        let first = complex_power(voltage[0] - voltage[1], current[0]).re;
        let second = complex_power(voltage[2] - voltage[1], current[2]).re;
        let three: f64 = (0..3).map(|k| complex_power(voltage[k], current[k]).re).sum();
        // Reference table prints 277 V based figures; here 480 / sqrt(3) = 277.13 V.
        assert!((first + second - three).abs() < 1e-6);
        assert!((first / three - 22.681 / 70.635).abs() < 1e-4);
        assert!((two_wattmeter(first, second).power_factor - 0.85).abs() < 1e-9);
    }
}
