//! What the history keeps of a monitor or a circuit: one column each, in this order, in every tier.
//!
//! Must never reorder or rename without a new schema version: the keys are column names.

/// How a quantity of many readings becomes one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rollup {
    /// Arithmetic mean.
    Mean,
    /// Mean of the unit vectors, degrees: -179 and 179 make 180, not 0.
    Angle,
    /// A register that only grows: the highest, which is the latest but in an interval with a reset.
    Counter,
}

/// One column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quantity {
    /// Name with its unit; column name, CSV head and command-line argument.
    pub key: &'static str,
    /// How it is rolled up.
    pub rollup: Rollup,
}

impl Quantity {
    /// Unit by its symbol, as the end of the key names it; "1" for a ratio, a probability and a share of time.
    pub fn unit(&self) -> &'static str {
        match self.key.rsplit('_').next() {
            Some("v") => "V",
            Some("a") => "A",
            Some("w") => "W",
            Some("var") => "var",
            Some("va") => "VA",
            Some("wh") => "Wh",
            Some("deg") => "deg",
            Some("hz") => "Hz",
            Some("s") => "s",
            _ => "1",
        }
    }
}

const fn mean(key: &'static str) -> Quantity {
    Quantity { key, rollup: Rollup::Mean }
}

const fn angle(key: &'static str) -> Quantity {
    Quantity { key, rollup: Rollup::Angle }
}

const fn counter(key: &'static str) -> Quantity {
    Quantity { key, rollup: Rollup::Counter }
}

/// How many there are.
pub const COUNT: usize = 51;

/// Places of the first column of each family; a family of three goes by channel, corrected power by phase.
pub mod place {
    #![allow(missing_docs, reason = "the names are those of `QUANTITIES`")]
    pub const VOLTAGE_LN_V: usize = 0;
    pub const VOLTAGE_LL_V: usize = 3;
    pub const VOLTAGE_ANGLE_DEG: usize = 6;
    pub const FREQUENCY_HZ: usize = 9;
    pub const CURRENT_A: usize = 10;
    pub const CURRENT_ANGLE_DEG: usize = 13;
    pub const ACTIVE_POWER_W: usize = 16;
    pub const REACTIVE_POWER_VAR: usize = 19;
    pub const APPARENT_POWER_VA: usize = 22;
    pub const POWER_FACTOR: usize = 25;
    pub const TOTAL_ACTIVE_POWER_W: usize = 28;
    pub const TOTAL_REACTIVE_POWER_VAR: usize = 29;
    pub const TOTAL_APPARENT_POWER_VA: usize = 30;
    pub const TOTAL_POWER_FACTOR: usize = 31;
    pub const ENERGY_IMPORT_WH: usize = 32;
    pub const ENERGY_EXPORT_WH: usize = 33;
    pub const RUNNING: usize = 34;
    pub const CORRECTED_ACTIVE_POWER_W: usize = 35;
    pub const CORRECTED_REACTIVE_POWER_VAR: usize = 38;
    pub const CORRECTED_TOTAL_ACTIVE_POWER_W: usize = 41;
    pub const CORRECTED_TOTAL_REACTIVE_POWER_VAR: usize = 42;
    pub const CORRECTED_POWER_FACTOR: usize = 43;
    pub const CORRECTED_UNCERTAINTY_W: usize = 44;
    pub const REGISTERED_ENERGY_WH: usize = 45;
    pub const CORRECTED_ENERGY_WH: usize = 46;
    pub const ENERGY_COVERED_S: usize = 47;
    pub const SOUND_PROBABILITY: usize = 48;
    pub const UNEXPLAINED_PROBABILITY: usize = 49;
    pub const LEADING_PROBABILITY: usize = 50;
}

/// Every column.
pub const QUANTITIES: [Quantity; COUNT] = [
    mean("voltage_1n_v"),
    mean("voltage_2n_v"),
    mean("voltage_3n_v"),
    mean("voltage_12_v"),
    mean("voltage_23_v"),
    mean("voltage_31_v"),
    angle("voltage_angle_1_deg"),
    angle("voltage_angle_2_deg"),
    angle("voltage_angle_3_deg"),
    mean("frequency_hz"),
    mean("current_1_a"),
    mean("current_2_a"),
    mean("current_3_a"),
    angle("current_angle_1_deg"),
    angle("current_angle_2_deg"),
    angle("current_angle_3_deg"),
    mean("active_power_1_w"),
    mean("active_power_2_w"),
    mean("active_power_3_w"),
    mean("reactive_power_1_var"),
    mean("reactive_power_2_var"),
    mean("reactive_power_3_var"),
    mean("apparent_power_1_va"),
    mean("apparent_power_2_va"),
    mean("apparent_power_3_va"),
    mean("power_factor_1"),
    mean("power_factor_2"),
    mean("power_factor_3"),
    mean("total_active_power_w"),
    mean("total_reactive_power_var"),
    mean("total_apparent_power_va"),
    mean("total_power_factor"),
    counter("energy_import_wh"),
    counter("energy_export_wh"),
    mean("running"),
    mean("corrected_active_power_a_w"),
    mean("corrected_active_power_b_w"),
    mean("corrected_active_power_c_w"),
    mean("corrected_reactive_power_a_var"),
    mean("corrected_reactive_power_b_var"),
    mean("corrected_reactive_power_c_var"),
    mean("corrected_total_active_power_w"),
    mean("corrected_total_reactive_power_var"),
    mean("corrected_power_factor"),
    mean("corrected_uncertainty_w"),
    counter("registered_energy_wh"),
    counter("corrected_energy_wh"),
    counter("energy_covered_s"),
    mean("sound_probability"),
    mean("unexplained_probability"),
    mean("leading_probability"),
];

/// The place of a key.
pub fn find(key: &str) -> Option<usize> {
    QUANTITIES.iter().position(|quantity| quantity.key == key)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_point_at_their_keys() {
        let firsts = [
            (place::VOLTAGE_LN_V, "voltage_1n_v"),
            (place::VOLTAGE_LL_V, "voltage_12_v"),
            (place::VOLTAGE_ANGLE_DEG, "voltage_angle_1_deg"),
            (place::FREQUENCY_HZ, "frequency_hz"),
            (place::CURRENT_A, "current_1_a"),
            (place::CURRENT_ANGLE_DEG, "current_angle_1_deg"),
            (place::ACTIVE_POWER_W, "active_power_1_w"),
            (place::REACTIVE_POWER_VAR, "reactive_power_1_var"),
            (place::APPARENT_POWER_VA, "apparent_power_1_va"),
            (place::POWER_FACTOR, "power_factor_1"),
            (place::TOTAL_ACTIVE_POWER_W, "total_active_power_w"),
            (place::TOTAL_REACTIVE_POWER_VAR, "total_reactive_power_var"),
            (place::TOTAL_APPARENT_POWER_VA, "total_apparent_power_va"),
            (place::TOTAL_POWER_FACTOR, "total_power_factor"),
            (place::ENERGY_IMPORT_WH, "energy_import_wh"),
            (place::ENERGY_EXPORT_WH, "energy_export_wh"),
            (place::RUNNING, "running"),
            (place::CORRECTED_ACTIVE_POWER_W, "corrected_active_power_a_w"),
            (place::CORRECTED_REACTIVE_POWER_VAR, "corrected_reactive_power_a_var"),
            (place::CORRECTED_TOTAL_ACTIVE_POWER_W, "corrected_total_active_power_w"),
            (place::CORRECTED_TOTAL_REACTIVE_POWER_VAR, "corrected_total_reactive_power_var"),
            (place::CORRECTED_POWER_FACTOR, "corrected_power_factor"),
            (place::CORRECTED_UNCERTAINTY_W, "corrected_uncertainty_w"),
            (place::REGISTERED_ENERGY_WH, "registered_energy_wh"),
            (place::CORRECTED_ENERGY_WH, "corrected_energy_wh"),
            (place::ENERGY_COVERED_S, "energy_covered_s"),
            (place::SOUND_PROBABILITY, "sound_probability"),
            (place::UNEXPLAINED_PROBABILITY, "unexplained_probability"),
            (place::LEADING_PROBABILITY, "leading_probability"),
        ];
        for (at, key) in firsts {
            assert_eq!(find(key), Some(at), "{key}");
        }
        assert_eq!(find("colour"), None);
    }

    #[test]
    fn every_quantity_has_its_unit() {
        let pure = ["power_factor", "running", "probability"];
        for quantity in QUANTITIES {
            assert_eq!(quantity.unit() == "1", pure.iter().any(|word| quantity.key.contains(word)), "{}", quantity.key);
        }
        let unit = |place: usize| QUANTITIES[place].unit();
        assert_eq!(unit(place::VOLTAGE_ANGLE_DEG), "deg");
        assert_eq!(unit(place::APPARENT_POWER_VA), "VA");
        assert_eq!(unit(place::CORRECTED_REACTIVE_POWER_VAR), "var");
        assert_eq!(unit(place::CORRECTED_ACTIVE_POWER_W), "W");
        assert_eq!(unit(place::ENERGY_COVERED_S), "s");
    }

    #[test]
    fn keys_are_column_names_used_once() {
        for (at, quantity) in QUANTITIES.iter().enumerate() {
            assert_eq!(find(quantity.key), Some(at));
            assert!(quantity.key.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_'));
        }
    }
}
