//! Pump figures from flow, head and electrical power: water power, wire-to-water efficiency, specific energy.
//!
//! Cold water, 1000 kg/m3, g = 9.806 65 m/s2. Must never decide whether the power behind a figure may be trusted.

/// Weight of a cubic metre of water, N.
const WATER_WEIGHT_N_PER_M3: f64 = 1000.0 * 9.806_65;

/// Cubic metres in a million US gallons (231 cubic inches each).
pub const MILLION_GALLONS_M3: f64 = 3_785.411_784;

/// Power in the water, W, of a flow (m3/s) lifted through a head (m).
pub fn water_power_w(flow_m3_per_s: f64, head_m: f64) -> f64 {
    WATER_WEIGHT_N_PER_M3 * flow_m3_per_s * head_m
}

/// Head, m, between two pressures (Pa) taken at the same height in pipes of the same bore: what differs in height or
/// velocity between suction and discharge is not in it.
pub fn head_of_pressures_m(suction_pa: f64, discharge_pa: f64) -> f64 {
    (discharge_pa - suction_pa) / WATER_WEIGHT_N_PER_M3
}

/// Wire-to-water efficiency, 0..1 for sound measurements; `None` unless electrical power is positive.
pub fn wire_to_water(flow_m3_per_s: f64, head_m: f64, electrical_w: f64) -> Option<f64> {
    (electrical_w > 0.0).then(|| water_power_w(flow_m3_per_s, head_m) / electrical_w)
}

/// Specific energy, Wh per m3; `None` unless water flows.
pub fn specific_energy_wh_per_m3(flow_m3_per_s: f64, electrical_w: f64) -> Option<f64> {
    (flow_m3_per_s > 0.0).then(|| electrical_w / (flow_m3_per_s * 3600.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    const GPM: f64 = 6.309_02e-5;
    const FOOT: f64 = 0.3048;
    const HP: f64 = 745.7;

    /// Fair, Geyer & Okun, Water and Wastewater Engineering (2010), eq. 8.7: WHP = Q H / 3960, and eq. 8.7a in SI.
    #[test]
    fn handbook_constants() {
        assert!((water_power_w(3960.0 * GPM, FOOT) / HP - 1.0).abs() < 2e-3);
        assert!((water_power_w(1.0, 1.0) / 1000.0 - 9.8066).abs() < 1e-3);
    }

    /// Engineering-licence exam solution: 5 ft3/s through 25 ft at 72 % takes 19.69 hp.
    #[test]
    fn licence_exam_example() {
        let water_hp = water_power_w(5.0 * FOOT.powi(3), 25.0 * FOOT) / HP;
        assert!((water_hp / 0.72 - 19.69).abs() < 0.03, "{}", water_hp / 0.72);
    }

    /// Published exercise: 3425 m3/h from 8 m is 74.58 kW useful; with 40 % wasted 124.3 kW, 0.0363 kWh/m3.
    #[test]
    fn published_exercise() {
        let flow = 3425.0 / 3600.0;
        assert!((water_power_w(flow, 8.0) / 7.458e4 - 1.0).abs() < 2e-3);
        let specific = specific_energy_wh_per_m3(flow, 124.3e3).unwrap();
        assert!((specific / 36.3 - 1.0).abs() < 2e-3, "{specific}");
        assert!((wire_to_water(flow, 8.0, 124.3e3).unwrap() - 0.60).abs() < 2e-3);
    }

    /// Reference table, self-check: 1500 gpm, 100 ft, 40 kW give 0.7062 and 444.4 kWh per million gallons.
    #[test]
    fn self_check_in_us_units() {
        let flow = 1500.0 * GPM;
        assert!((wire_to_water(flow, 100.0 * FOOT, 40e3).unwrap() - 0.7062).abs() < 1e-3);
        let per_million = specific_energy_wh_per_m3(flow, 40e3).unwrap() * MILLION_GALLONS_M3 / 1000.0;
        assert!((per_million - 444.4).abs() < 0.2, "{per_million}");
    }

    /// A foot of cold water is 0.433 psi: head H[ft] = 2.31 psi (handbook constant; from memory).
    #[test]
    fn pressures_make_head() {
        const PSI: f64 = 6894.757;
        let head_m = head_of_pressures_m(-2.0 * PSI, 41.0 * PSI);
        assert!((head_m / FOOT / (43.0 * 2.31) - 1.0).abs() < 2e-3, "{head_m}");
    }

    #[test]
    fn no_flow_or_no_power_gives_no_figure() {
        assert_eq!(specific_energy_wh_per_m3(0.0, 40e3), None);
        assert_eq!(wire_to_water(1.0, 1.0, 0.0), None);
        assert_eq!(wire_to_water(1.0, 1.0, -5.0), None);
    }
}
