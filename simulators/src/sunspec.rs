//! SunSpec register images: the "SunS" marker, common model 1, one meter model per circuit (201-204 as integers with
//! scale factors, 211-214 as single floats), and the end model.
//!
//! Offsets are those of the SunSpec Alliance's public model files, counted from the model's ID register. Points a meter
//! may leave out can be left out. Must never serve a point with a meaning the models do not give it.

use crate::encode::{Manner, fitting_exponent};
use crate::image::{Bank, RegisterImage};
use crate::map_file::Quantity;
use crate::meter::{CircuitSample, MeterSample};
use crate::register_faults::Twist;

/// Length of model 1 with its pad register.
const COMMON_LENGTH: u16 = 66;
const INTEGER_LENGTH: u16 = 105;
const FLOAT_LENGTH: u16 = 124;
const INT16_NOT_IMPLEMENTED: u16 = 0x8000;
const FLOAT_NOT_IMPLEMENTED: u32 = 0x7FC0_0000;

/// A point group of both layouts: offsets of total (or average) and of the three phases, and the scale factor's.
struct Group {
    quantity: Quantity,
    integer: u16,
    integer_phases: [u16; 3],
    scale_factor: u16,
    float: u16,
    float_phases: [u16; 3],
}

const AMPERES: Group = Group {
    quantity: Quantity::Current,
    integer: 2,
    integer_phases: [3, 4, 5],
    scale_factor: 6,
    float: 2,
    float_phases: [4, 6, 8],
};
const VOLTS_LN: Group = Group {
    quantity: Quantity::VoltageLn,
    integer: 7,
    integer_phases: [8, 9, 10],
    scale_factor: 15,
    float: 10,
    float_phases: [12, 14, 16],
};
const VOLTS_LL: Group = Group {
    quantity: Quantity::VoltageLl,
    integer: 11,
    integer_phases: [12, 13, 14],
    scale_factor: 15,
    float: 18,
    float_phases: [20, 22, 24],
};
const WATTS: Group = Group {
    quantity: Quantity::ActivePower,
    integer: 18,
    integer_phases: [19, 20, 21],
    scale_factor: 22,
    float: 28,
    float_phases: [30, 32, 34],
};
const VOLT_AMPERES: Group = Group {
    quantity: Quantity::ApparentPower,
    integer: 23,
    integer_phases: [24, 25, 26],
    scale_factor: 27,
    float: 36,
    float_phases: [38, 40, 42],
};
const VARS: Group = Group {
    quantity: Quantity::ReactivePower,
    integer: 28,
    integer_phases: [29, 30, 31],
    scale_factor: 32,
    float: 44,
    float_phases: [46, 48, 50],
};
const POWER_FACTORS: Group = Group {
    quantity: Quantity::PowerFactor,
    integer: 33,
    integer_phases: [34, 35, 36],
    scale_factor: 37,
    float: 52,
    float_phases: [54, 56, 58],
};
/// Hz and its scale factor, in 20x and 21x.
const HERTZ: (u16, u16, u16) = (16, 17, 26);
/// Export total, import total, scale factor in 20x; export and import total in 21x.
const WATT_HOURS: (u16, u16, u16, u16, u16) = (38, 46, 54, 60, 68);
/// Scale factors of accumulators that are not implemented.
const UNUSED_SCALE_FACTORS: [u16; 2] = [71, 104];
/// Event bits: the last two registers of either layout, counted from the ID register. They stay zero: no event.
const EVENTS: (u16, u16) = (105, 124);

/// A SunSpec meter.
#[derive(Debug, Clone)]
pub(crate) struct SunSpec {
    base: u16,
    model: u16,
    optional: bool,
    manner: Manner,
    amperes_sf: i16,
    power_sf: i16,
    name: String,
}

impl SunSpec {
    /// The model of a map name such as `sunspec-213`.
    pub(crate) fn model_of(map: &str) -> Option<u16> {
        let model: u16 = map.strip_prefix("sunspec-")?.parse().ok()?;
        matches!(model, 201..=204 | 211..=214).then_some(model)
    }

    /// A meter whose marker is at `base`; ranges decide its fixed scale factors. The error is a sentence.
    pub(crate) fn new(
        (base, model, optional): (u16, u16, bool),
        circuits: usize,
        manner: Manner,
        (largest_a, largest_va): (f64, f64),
        name: &str,
    ) -> Result<SunSpec, String> {
        let needed = 2 + u32::from(COMMON_LENGTH) + 2 + circuits as u32 * (u32::from(FLOAT_LENGTH) + 2) + 2;
        if 0xFFFF < u32::from(base) + needed {
            return Err(format!("sunspec_base {base} leaves no room for the models below address 65536"));
        }
        let limit = f64::from(i16::MAX);
        Ok(SunSpec {
            base,
            model,
            optional,
            manner,
            amperes_sf: fitting_exponent(largest_a * 3.0, limit),
            power_sf: fitting_exponent(largest_va, limit),
            name: name.to_owned(),
        })
    }

    /// All registers at one moment, with the register faults in force.
    pub(crate) fn image(&self, sample: &MeterSample, twist: &Twist) -> RegisterImage {
        let mut bank = Bank::default();
        let mut next = self.base;
        let mut append = |words: &[u16]| {
            for word in words {
                bank.set(next, *word);
                next = next.saturating_add(1);
            }
        };
        append(&[0x5375, 0x6E53, 1, COMMON_LENGTH]);
        append(&string("Wattassay simulators", 16));
        append(&string(&format!("Model {}", self.model), 16));
        append(&string("", 8));
        append(&string(env!("CARGO_PKG_VERSION"), 8));
        append(&string(&self.name, 16));
        append(&[1, 0]);
        for circuit in &sample.circuits {
            append(&self.meter_model(sample, circuit, twist));
        }
        append(&[0xFFFF, 0]);
        RegisterImage { holding_registers: bank, ..RegisterImage::default() }
    }

    fn is_float(&self) -> bool {
        210 < self.model
    }

    /// Channels the model has.
    fn phases(&self) -> usize {
        match self.model % 10 {
            1 => 1,
            2 => 2,
            _ => 3,
        }
    }

    fn meter_model(&self, sample: &MeterSample, circuit: &CircuitSample, twist: &Twist) -> Vec<u16> {
        let length = if self.is_float() { FLOAT_LENGTH } else { INTEGER_LENGTH };
        let mut words = vec![0u16; usize::from(length) + 2];
        words[0] = self.model;
        words[1] = length;
        let phases = self.phases();
        let missing = [f64::NAN; 3];
        let present =
            |values: [f64; 3]| std::array::from_fn(|phase| if phase < phases { values[phase] } else { f64::NAN });
        let optional = |values: [f64; 3]| if self.optional { present(values) } else { missing };
        let optional_total = |value: f64| if self.optional { value } else { f64::NAN };
        // Channels the service does not have are NaN and take no part.
        let sum = |values: [f64; 3]| values[..phases].iter().filter(|value| value.is_finite()).sum::<f64>();
        let average = |values: [f64; 3]| {
            let count = values[..phases].iter().filter(|value| value.is_finite()).count();
            if count == 0 { f64::NAN } else { sum(values) / count as f64 }
        };

        let line_to_neutral = if self.model % 10 == 4 { missing } else { present(sample.voltage_ln_v) };
        let ln_average = if self.model % 10 == 4 { f64::NAN } else { average(sample.voltage_ln_v) };
        let line_to_line: [f64; 3] = match phases {
            1 => missing,
            2 => [sample.voltage_ll_v[0], f64::NAN, f64::NAN],
            _ => sample.voltage_ll_v,
        };
        let ll_average = match phases {
            1 => f64::NAN,
            2 => sample.voltage_ll_v[0],
            _ => average(sample.voltage_ll_v),
        };
        let per_phase = |value: &dyn Fn(Option<usize>) -> f64| [Some(0), Some(1), Some(2)].map(value);
        let manner = self.manner.with_factor(twist.factor_sign());
        let power = |place: Quantity, channel: Option<usize>| match twist.shown(place) {
            Quantity::ReactivePower => manner.reactive(circuit, channel),
            _ => manner.active(circuit, channel),
        };

        let mut put = |group: &Group, scale_factor: i16, total: f64, phases: [f64; 3]| {
            let written = |value: f64| twist.value(group.quantity, value);
            self.put(&mut words, group, scale_factor, written(total), phases.map(written));
        };
        put(&AMPERES, self.amperes_sf, sum(circuit.current_a), present(circuit.current_a));
        put(&VOLTS_LN, -1, ln_average, line_to_neutral);
        put(&VOLTS_LL, -1, ll_average, line_to_line);
        put(
            &WATTS,
            self.power_sf,
            power(Quantity::ActivePower, None),
            optional(per_phase(&|channel| power(Quantity::ActivePower, channel))),
        );
        put(
            &VOLT_AMPERES,
            self.power_sf,
            optional_total(circuit.total_apparent_power_va),
            optional(circuit.apparent_power_va),
        );
        put(
            &VARS,
            self.power_sf,
            optional_total(power(Quantity::ReactivePower, None)),
            optional(per_phase(&|channel| power(Quantity::ReactivePower, channel))),
        );
        // The integer models give power factor in percent, the float models as a plain ratio.
        let factor_unit = if self.is_float() { 1.0 } else { 100.0 };
        put(
            &POWER_FACTORS,
            -2,
            optional_total(manner.factor(circuit, None) * factor_unit),
            optional(per_phase(&|channel| manner.factor(circuit, channel) * factor_unit)),
        );
        let frequency_hz = twist.value(Quantity::Frequency, sample.frequency_hz);
        let export_wh = twist.value(Quantity::EnergyExport, circuit.energy_export_wh);
        let import_wh = twist.value(Quantity::EnergyImport, circuit.energy_import_wh);
        if self.is_float() {
            float(&mut words, HERTZ.2, frequency_hz);
            float(&mut words, WATT_HOURS.3, export_wh);
            float(&mut words, WATT_HOURS.4, import_wh);
            // Per-phase energies, and all VAh and VArh, are not implemented.
            let unused = (WATT_HOURS.3 + 2..WATT_HOURS.4).chain(WATT_HOURS.4 + 2..EVENTS.1).step_by(2);
            for offset in unused {
                float(&mut words, offset, f64::NAN);
            }
        } else {
            integer(&mut words, HERTZ.0, -2, frequency_hz);
            words[usize::from(HERTZ.1)] = (-2i16).cast_unsigned();
            accumulator(&mut words, WATT_HOURS.0, export_wh);
            accumulator(&mut words, WATT_HOURS.1, import_wh);
            words[usize::from(WATT_HOURS.2)] = 0;
            for offset in UNUSED_SCALE_FACTORS {
                words[usize::from(offset)] = INT16_NOT_IMPLEMENTED;
            }
        }
        words
    }

    fn put(&self, words: &mut [u16], group: &Group, scale_factor: i16, total: f64, phases: [f64; 3]) {
        if self.is_float() {
            float(words, group.float, total);
            for (offset, value) in group.float_phases.into_iter().zip(phases) {
                float(words, offset, value);
            }
        } else {
            integer(words, group.integer, scale_factor, total);
            for (offset, value) in group.integer_phases.into_iter().zip(phases) {
                integer(words, offset, scale_factor, value);
            }
            words[usize::from(group.scale_factor)] = scale_factor.cast_unsigned();
        }
    }
}

fn integer(words: &mut [u16], offset: u16, scale_factor: i16, value: f64) {
    words[usize::from(offset)] = if value.is_finite() {
        // One count short of the sentinel on the negative side.
        let counts = (value / 10f64.powi(i32::from(scale_factor))).round();
        (counts.clamp(-f64::from(i16::MAX), f64::from(i16::MAX)) as i16).cast_unsigned()
    } else {
        INT16_NOT_IMPLEMENTED
    };
}

fn float(words: &mut [u16], offset: u16, value: f64) {
    let bits = if value.is_finite() { (value as f32).to_bits() } else { FLOAT_NOT_IMPLEMENTED };
    words[usize::from(offset)] = (bits >> 16) as u16;
    words[usize::from(offset) + 1] = bits as u16;
}

/// An acc32 wraps around at 2^32.
fn accumulator(words: &mut [u16], offset: u16, value_wh: f64) {
    let count = value_wh.max(0.0).round() as u64 as u32;
    words[usize::from(offset)] = (count >> 16) as u16;
    words[usize::from(offset) + 1] = count as u16;
}

/// A string padded with NUL, two characters to a register.
fn string(text: &str, registers: usize) -> Vec<u16> {
    let mut bytes: Vec<u8> = text.bytes().map(|byte| if byte.is_ascii() { byte } else { b'?' }).collect();
    bytes.resize(registers * 2, 0);
    bytes.chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::monitor_file::{BlankingFile, ConventionsFile};

    fn sample() -> MeterSample {
        MeterSample {
            t_s: 0.0,
            voltage_ln_v: [277.1, 276.9, 277.0],
            voltage_ll_v: [480.1, 479.9, 480.0],
            voltage_angle_deg: [0.0, -120.0, 120.0],
            frequency_hz: 59.98,
            circuits: vec![CircuitSample {
                current_a: [70.1, 70.2, 70.3],
                current_angle_deg: [-30.0, -150.0, 90.0],
                active_power_w: [16_000.0, 16_100.0, 16_200.0],
                reactive_power_var: [9000.0; 3],
                apparent_power_va: [19_000.0; 3],
                power_factor: [0.84, 0.85, 0.86],
                total_active_power_w: 48_300.0,
                total_reactive_power_var: 27_000.0,
                total_apparent_power_va: 57_000.0,
                total_power_factor: 0.8474,
                energy_import_wh: 123_456.0,
                energy_export_wh: 7.0,
                running: true,
                flow_m3_per_s: f64::NAN,
                head_m: f64::NAN,
            }],
        }
    }

    fn image(model: u16, optional: bool) -> Bank {
        let manner = Manner::new(
            (ConventionsFile::default(), BlankingFile::default()),
            (ConventionsFile::default(), BlankingFile::default()),
        );
        SunSpec::new((40_000, model, optional), 1, manner, (400.0, 300_000.0), "PM-1")
            .unwrap()
            .image(&sample(), &Twist::default())
            .holding_registers
    }

    fn number(bank: &Bank, address: u16) -> f32 {
        let words = bank.read(address, 2).unwrap();
        f32::from_bits((u32::from(words[0]) << 16) | u32::from(words[1]))
    }

    /// Addresses from the published models: base 40000, L = 66: meter ID at 40070, 203 W at 40088 and TotWhImp at
    /// 40116, 213 W at 40098 and TotWhImp at 40138.
    #[test]
    fn published_addresses_hold_the_right_points() {
        let bank = image(203, true);
        assert_eq!(bank.read(40_000, 4), Some(vec![0x5375, 0x6E53, 1, 66]));
        assert_eq!(bank.read(40_070, 2), Some(vec![203, 105]));
        let sf = bank.get(40_092).unwrap().cast_signed();
        let watts = f64::from(bank.get(40_088).unwrap().cast_signed()) * 10f64.powi(i32::from(sf));
        assert!((watts - 48_300.0).abs() <= 5.0, "{watts}");
        assert_eq!(bank.read(40_116, 2), Some(vec![1, 57_920]), "123456 Wh imported");
        assert_eq!(bank.read(40_177, 2), Some(vec![0xFFFF, 0]), "end model follows 107 registers later");
        assert_eq!(bank.get(40_103), Some(8474), "PF in percent, two decimals");

        let bank = image(213, true);
        assert_eq!(bank.read(40_070, 2), Some(vec![213, 124]));
        assert_eq!(number(&bank, 40_098), 48_300.0);
        assert_eq!(number(&bank, 40_138), 123_456.0);
        assert_eq!(number(&bank, 40_122), 0.8474);
        assert!(number(&bank, 40_140).is_nan(), "per-phase energy is not implemented");
        assert_eq!(bank.read(40_194, 4), Some(vec![0, 0, 0xFFFF, 0]), "events, then the end model");
    }

    #[test]
    fn optional_points_can_be_left_out() {
        let bank = image(204, false);
        assert_eq!(bank.get(40_070 + 19), Some(0x8000), "WphA");
        assert_eq!(bank.get(40_070 + 33), Some(0x8000), "PF");
        assert_eq!(bank.get(40_070 + 8), Some(0x8000), "no L-N voltage in a delta model");
        assert_eq!(bank.get(40_070 + 12), Some(4801));
        assert!(number(&image(214, false), 40_070 + 44).is_nan());
    }

    #[test]
    fn single_and_split_phase_models_have_fewer_phases() {
        let bank = image(211, true);
        assert!((number(&bank, 40_074) - 70.1).abs() < 1e-4 && number(&bank, 40_076).is_nan());
        let bank = image(202, true);
        assert_eq!(bank.get(40_070 + 9), Some(2769));
        assert_eq!(bank.get(40_070 + 10), Some(0x8000));
    }

    #[test]
    fn unknown_models_are_not_sunspec() {
        assert_eq!(SunSpec::model_of("sunspec-213"), Some(213));
        assert_eq!(SunSpec::model_of("sunspec-205"), None);
        assert_eq!(SunSpec::model_of("generic-full"), None);
    }
}
