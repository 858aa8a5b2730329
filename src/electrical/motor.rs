//! How an induction motor's power factor follows its load, from the nameplate alone: the circle diagram.
//!
//! With constant leakage reactance the tip of the current phasor runs on a circle from no load through full load to
//! standstill, whatever the rotor's resistance does on the way (Heyland's circle diagram, any machines handbook). The
//! nameplate's full-load point, the locked-rotor point and the level of the no-load losses fix that circle. Currents are
//! per unit of full-load current, angles are lags of the current behind the voltage to neutral, degrees.
//! Must never be used for correction: the load measures its own angle better than any nameplate.

use super::angle::length;

/// Locked-rotor over full-load current where the nameplate does not tell: NFPA 70 tables 430.251(B) over 430.250, 460 V,
/// give 5.4 to 6.1 from 5 to 500 hp.
pub const USUAL_LOCKED_ROTOR_MULTIPLE: f64 = 5.8;

/// Lag at standstill. Starting power factors of 0.10 to 0.25 are published (Kuphaldt, Lessons in Electric Circuits, AC);
/// small motors reach 0.4 (common practice, no source).
pub const LOCKED_ROTOR_LAG_DEG: f64 = 77.0;

/// Sine and cosine of it.
const LOCKED_ROTOR_SINE: f64 = 0.974_370_064_785_235_2;
const LOCKED_ROTOR_COSINE: f64 = 0.224_951_054_343_864_98;

/// Active part of the no-load current: iron, friction and windage take about 5 % of full-load current (common practice,
/// no source; it gives no-load power factors of 0.1 to 0.15, as the same textbook has them).
const NO_LOAD_ACTIVE: f64 = 0.05;

/// The circle on which the tip of the current moves: `reactive` and `active` are its centre, per unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Locus {
    reactive: f64,
    active: f64,
    radius: f64,
    /// Of the centre from the origin.
    distance: f64,
    no_load: f64,
}

impl Locus {
    /// Locus of a motor with this full-load power factor and this locked-rotor over full-load current. `None` when the
    /// values are not those of an induction motor (power factor outside 0.1 to 1, multiple outside 2.5 to 15).
    pub fn of(full_load_power_factor: f64, locked_rotor_multiple: f64) -> Option<Locus> {
        if !(0.1..1.0).contains(&full_load_power_factor) || !(2.5..=15.0).contains(&locked_rotor_multiple) {
            return None;
        }
        let (full_p, full_q) = (full_load_power_factor, (1.0 - full_load_power_factor.powi(2)).sqrt());
        let (locked_q, locked_p) =
            (LOCKED_ROTOR_SINE * locked_rotor_multiple, LOCKED_ROTOR_COSINE * locked_rotor_multiple);
        // The centre lies level with the no-load point, equally far from both known points.
        let active = NO_LOAD_ACTIVE;
        let (full_rise, locked_rise) = (full_p - active, locked_p - active);
        let reactive =
            (locked_q.powi(2) - full_q.powi(2) + locked_rise.powi(2) - full_rise.powi(2)) / (2.0 * (locked_q - full_q));
        Some(Locus::around(reactive, active, length(reactive - full_q, full_rise)))
    }

    fn around(reactive: f64, active: f64, radius: f64) -> Locus {
        let (distance, no_load) = (length(reactive, active), length(reactive - radius, active));
        Locus { reactive, active, radius, distance, no_load }
    }

    /// The same motor with a capacitor on its terminals that draws `capacitor_current` at rated voltage: the metered
    /// circuit's locus, moved by what the capacitor delivers.
    #[must_use]
    pub fn with_capacitor(self, capacitor_current: f64) -> Locus {
        Locus::around(self.reactive - capacitor_current, self.active, self.radius)
    }

    /// Current at no load.
    pub fn no_load_current(&self) -> f64 {
        self.no_load
    }

    /// Lag at this current. Currents below no load give the no-load angle, above the circle's reach the lag at its far end.
    /// `None` when the current is not a positive number.
    pub fn lag_deg(&self, current: f64) -> Option<f64> {
        if !(current > 0.0 && current.is_finite()) {
            return None;
        }
        // Where the circle of this current meets the locus: `along` the line to its centre, `across` towards more power.
        let distance = self.distance;
        let current = current.clamp(self.no_load, distance + self.radius);
        let along = (current * current + distance * distance - self.radius * self.radius) / (2.0 * distance);
        let across = (current * current - along * along).max(0.0).sqrt();
        let (unit_q, unit_p) = (self.reactive / distance, self.active / distance);
        Some((along * unit_q - across * unit_p).atan2(along * unit_p + across * unit_q).to_degrees())
    }

    /// Current at which the circuit takes this active current, on the running side of the circle. `None` above breakdown.
    pub fn current_for_active(&self, active: f64) -> Option<f64> {
        let rise = active - self.active;
        let half_chord = (self.radius * self.radius - rise * rise).max(-1.0);
        (half_chord >= 0.0 && rise >= 0.0).then(|| length(self.reactive - half_chord.sqrt(), active))
    }
}

/// Lag, degrees, of a motor drawing `per_unit_current` of its full-load current, given its full-load power factor and the
/// usual locked-rotor current. `None` when the inputs are not physical.
pub fn expected_lag_deg(per_unit_current: f64, full_load_power_factor: f64) -> Option<f64> {
    Locus::of(full_load_power_factor, USUAL_LOCKED_ROTOR_MULTIPLE)?.lag_deg(per_unit_current)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_locked_rotor_point_stands_at_its_lag() {
        let lag_deg = LOCKED_ROTOR_SINE.atan2(LOCKED_ROTOR_COSINE).to_degrees();
        assert!((lag_deg - LOCKED_ROTOR_LAG_DEG).abs() < 1e-12);
        assert!((length(LOCKED_ROTOR_SINE, LOCKED_ROTOR_COSINE) - 1.0).abs() < 1e-15);
    }

    /// NFPA 70 tables 430.250 and 430.251(B), 460 V column (read in copies of the 2008 edition): hp, A, A.
    const NEC_460_V: [(f64, f64, f64); 21] = [
        (5.0, 7.6, 46.0),
        (7.5, 11.0, 63.5),
        (10.0, 14.0, 81.0),
        (15.0, 21.0, 116.0),
        (20.0, 27.0, 145.0),
        (25.0, 34.0, 183.0),
        (30.0, 40.0, 218.0),
        (40.0, 52.0, 290.0),
        (50.0, 65.0, 363.0),
        (60.0, 77.0, 435.0),
        (75.0, 96.0, 543.0),
        (100.0, 124.0, 725.0),
        (125.0, 156.0, 908.0),
        (150.0, 180.0, 1085.0),
        (200.0, 240.0, 1450.0),
        (250.0, 302.0, 1825.0),
        (300.0, 361.0, 2200.0),
        (350.0, 414.0, 2550.0),
        (400.0, 477.0, 2900.0),
        (450.0, 515.0, 3250.0),
        (500.0, 590.0, 3625.0),
    ];

    #[test]
    fn the_usual_multiple_is_that_of_the_code_tables() {
        let ratios = NEC_460_V.map(|(_, full, locked)| locked / full);
        let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
        assert!((mean - USUAL_LOCKED_ROTOR_MULTIPLE).abs() < 0.15, "mean {mean}");
        assert!(ratios.iter().all(|r| (5.3..=6.4).contains(r)), "{ratios:?}");
        // 430.7(B): design B motors of 15 hp and more carry letter G, 5.6 to 6.29 kVA a horsepower.
        for (hp, _, locked) in NEC_460_V.into_iter().filter(|row| row.0 >= 15.0) {
            let kva_per_hp = 3f64.sqrt() * 0.46 * locked / hp;
            assert!((5.55..6.3).contains(&kva_per_hp), "{hp} hp: {kva_per_hp}");
        }
    }

    /// PF x efficiency = 745.7 hp / (sqrt(3) 460 I) with the typical power factor (handbook, from memory) must leave an
    /// efficiency between the usual and the premium one (NEMA MG 1 table 12-12, from memory: 95 to 96 % at 100 to 200 hp).
    #[test]
    fn code_table_currents_agree_with_typical_power_factor_and_efficiency() {
        for (hp, full, _) in NEC_460_V.into_iter().filter(|row| (10.0..=200.0).contains(&row.0)) {
            let both = 745.7 * hp / (3f64.sqrt() * 460.0 * full);
            // Sizing currents are 10 to 15 % above the nameplates of efficient motors, so the product is low by that.
            let (low, high) = (both / 0.86, both * 1.15 / 0.86);
            assert!(low < 0.93 && high > 0.88, "{hp} hp: efficiency {low} to {high}");
        }
    }

    #[test]
    fn full_load_and_standstill_are_on_the_locus() {
        for pf in [0.70, 0.78, 0.86, 0.92] {
            for multiple in [4.0, 5.8, 8.0] {
                let locus = Locus::of(pf, multiple).unwrap();
                assert!((locus.lag_deg(1.0).unwrap().to_radians().cos() - pf).abs() < 1e-9);
                assert!((locus.lag_deg(multiple).unwrap() - LOCKED_ROTOR_LAG_DEG).abs() < 1e-6);
            }
        }
    }

    /// Common practice (no source): no-load current of 4-pole motors is about a quarter to a half of full-load current;
    /// no-load power factor 0.10 to 0.15 (Kuphaldt).
    #[test]
    fn no_load_is_as_practice_knows_it() {
        for (pf, low, high) in [(0.92, 0.18, 0.35), (0.86, 0.28, 0.45), (0.80, 0.38, 0.55)] {
            let locus = Locus::of(pf, USUAL_LOCKED_ROTOR_MULTIPLE).unwrap();
            let current = locus.no_load_current();
            assert!((low..high).contains(&current), "PF {pf}: no-load current {current}");
            let factor = locus.lag_deg(current).unwrap().to_radians().cos();
            assert!((0.07..0.2).contains(&factor), "PF {pf}: no-load power factor {factor}");
        }
    }

    /// Handbook bands for 4-pole motors of 10 to 200 hp (from memory, see the reference table): PF 0.79-0.85 at three
    /// quarters, 0.69-0.77 at half, 0.45-0.58 at a quarter load. Input follows shaft load by efficiency; part-load
    /// efficiency over full-load efficiency is 1.00, 0.985 and 0.94 (handbook, from memory).
    #[test]
    fn part_load_power_factor_falls_in_the_handbook_bands() {
        for pf in [0.85, 0.86, 0.87] {
            let locus = Locus::of(pf, USUAL_LOCKED_ROTOR_MULTIPLE).unwrap();
            for (load, efficiency, low, high) in
                [(0.75, 1.0, 0.79, 0.85), (0.5, 0.985, 0.69, 0.78), (0.25, 0.94, 0.45, 0.60)]
            {
                let current = locus.current_for_active(pf * load / efficiency).unwrap();
                let factor = locus.lag_deg(current).unwrap().to_radians().cos();
                assert!((low..=high).contains(&factor), "plate {pf}, load {load}: PF {factor} at {current} pu");
            }
        }
    }

    #[test]
    fn nonsense_gives_nothing() {
        assert_eq!(expected_lag_deg(f64::NAN, 0.86), None);
        assert_eq!(expected_lag_deg(-1.0, 0.86), None);
        assert_eq!(expected_lag_deg(0.5, 1.5), None);
        assert_eq!(Locus::of(0.86, 1.0), None);
        assert_eq!(Locus::of(0.86, f64::NAN), None);
        assert!(Locus::of(0.86, 5.8).unwrap().current_for_active(4.0).is_none());
    }

    proptest! {
        /// From no load to the breakdown side the locus answers every current with a point that carries that current's
        /// active part back to the same current.
        #[test]
        fn current_and_active_part_go_both_ways(pf in 0.7..0.93f64, multiple in 4.0..9.0f64, above in 0.01..1.0f64) {
            let locus = Locus::of(pf, multiple).unwrap();
            let current = locus.no_load_current() + above;
            let active = current * locus.lag_deg(current).unwrap().to_radians().cos();
            prop_assert!((locus.current_for_active(active).unwrap() - current).abs() < 1e-9);
        }

        /// The lag is a motor's, whatever the current.
        #[test]
        fn a_motor_always_lags(pf in 0.5..0.95f64, multiple in 4.0..9.0f64, current in 1e-6..1e6f64) {
            let lag = Locus::of(pf, multiple).unwrap().lag_deg(current).unwrap();
            prop_assert!((0.0..=90.0).contains(&lag), "{lag}");
        }

        /// A capacitor takes its own current off the reactive part and leaves the active part.
        #[test]
        fn a_capacitor_moves_the_locus(pf in 0.75..0.92f64, share in 0.0..0.9f64, active in 0.2..1.0f64) {
            let plain = Locus::of(pf, 5.8).unwrap();
            let capacitor = share * plain.no_load_current();
            let circuit = plain.with_capacitor(capacitor);
            let (before, after) = (plain.current_for_active(active).unwrap(), circuit.current_for_active(active).unwrap());
            let reactive = |locus: Locus, current: f64| current * locus.lag_deg(current).unwrap().to_radians().sin();
            prop_assert!((reactive(plain, before) - capacitor - reactive(circuit, after)).abs() < 1e-6);
        }
    }
}
