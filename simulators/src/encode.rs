//! Writes a meter sample into registers as the device of a map would: units, scale, sentinels, signs, blanking.
//!
//! Must never alter the sample: what the meter believes and how its registers say it are two things.

use crate::image::RegisterImage;
use crate::map_file::{Map, Point, Quantity};
use crate::meter::{CircuitSample, MeterSample};
use crate::monitor_file::{ActiveSign, BlankingFile, ConventionsFile, FactorSign, ReactiveSign};
use crate::number::words;
use crate::register_faults::Twist;

/// Below this a circuit counts as without current, A RMS.
const NO_CURRENT_A: f64 = 0.05;

/// Signs and blanking of one device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Manner {
    pub(crate) active: ActiveSign,
    pub(crate) reactive: ReactiveSign,
    pub(crate) factor: FactorSign,
    pub(crate) blank_not_positive: bool,
    pub(crate) blank_stopped: bool,
}

impl Manner {
    /// The map's manner with the monitor's own overrides.
    pub(crate) fn new(map: (ConventionsFile, BlankingFile), own: (ConventionsFile, BlankingFile)) -> Manner {
        let (signs, blanks) = map;
        let (own_signs, own_blanks) = own;
        Manner {
            active: own_signs.active_power.or(signs.active_power).unwrap_or_default(),
            reactive: own_signs.reactive_power.or(signs.reactive_power).unwrap_or_default(),
            factor: own_signs.power_factor.or(signs.power_factor).unwrap_or_default(),
            blank_not_positive: own_blanks.when_not_positive.or(blanks.when_not_positive).unwrap_or(false),
            blank_stopped: own_blanks.when_stopped.or(blanks.when_stopped).unwrap_or(false),
        }
    }

    /// The same manner, with another meaning of the power factor's sign where one is given.
    pub(crate) fn with_factor(self, sign: Option<FactorSign>) -> Manner {
        Manner { factor: sign.unwrap_or(self.factor), ..self }
    }

    fn blanked(self, circuit: &CircuitSample, active_w: f64) -> bool {
        let stopped = circuit.current_a.iter().all(|current| current.is_nan() || *current < NO_CURRENT_A);
        (self.blank_not_positive && active_w <= 0.0) || (self.blank_stopped && stopped)
    }

    /// Active power as the device shows it; NaN when blank.
    pub(crate) fn active(self, circuit: &CircuitSample, channel: Option<usize>) -> f64 {
        let active_w = channel.map_or(circuit.total_active_power_w, |channel| circuit.active_power_w[channel]);
        if self.blanked(circuit, active_w) {
            return f64::NAN;
        }
        match self.active {
            ActiveSign::LoadPositive => active_w,
            ActiveSign::LoadNegative => -active_w,
        }
    }

    /// Reactive power as the device shows it.
    pub(crate) fn reactive(self, circuit: &CircuitSample, channel: Option<usize>) -> f64 {
        let reactive_var =
            channel.map_or(circuit.total_reactive_power_var, |channel| circuit.reactive_power_var[channel]);
        match self.reactive {
            ReactiveSign::InductivePositive => reactive_var,
            ReactiveSign::InductiveNegative => -reactive_var,
            ReactiveSign::Unsigned => reactive_var.abs(),
        }
    }

    /// Power factor as the device shows it; NaN when blank or without meaning.
    pub(crate) fn factor(self, circuit: &CircuitSample, channel: Option<usize>) -> f64 {
        let (active_w, reactive_var, factor) = match channel {
            Some(channel) => {
                (circuit.active_power_w[channel], circuit.reactive_power_var[channel], circuit.power_factor[channel])
            }
            None => (circuit.total_active_power_w, circuit.total_reactive_power_var, circuit.total_power_factor),
        };
        if self.blanked(circuit, active_w) {
            return f64::NAN;
        }
        // Current lags voltage in the first and third quadrant, where P and Q have the same sign.
        let lags = 0.0 < active_w * reactive_var;
        match self.factor {
            FactorSign::SignOfPower if self.active == ActiveSign::LoadNegative => -factor,
            FactorSign::SignOfPower => factor,
            FactorSign::Unsigned => factor.abs(),
            FactorSign::LagNegative => factor.abs() * if lags { -1.0 } else { 1.0 },
            FactorSign::LeadNegative => factor.abs() * if lags { 1.0 } else { -1.0 },
        }
    }
}

/// A device's registers: its map, its manner, the powers of ten its scale registers hold.
#[derive(Debug, Clone)]
pub(crate) struct Encoder {
    map: Map,
    manner: Manner,
    /// Function and address of each scale register with its exponent.
    exponents: Vec<(u8, u16, i16)>,
    blank: RegisterImage,
}

impl Encoder {
    /// Prepares the registers of a device whose largest current and power are about as given, which decides the fixed
    /// powers of ten in its scale registers, as a manufacturer's range setting does.
    pub(crate) fn new(map: Map, manner: Manner, largest_a: f64, largest_va: f64) -> Encoder {
        let mut exponents: Vec<(u8, u16, i16)> = Vec::new();
        for point in &map.points {
            let Some(register) = point.scale_register else { continue };
            let exponent = exponent_for(point, largest_a, largest_va);
            match exponents.iter_mut().find(|entry| (entry.0, entry.1) == (point.function, register)) {
                Some(entry) => entry.2 = entry.2.max(exponent),
                None => exponents.push((point.function, register, exponent)),
            }
        }
        let blank = blank_image(&map, &exponents);
        Encoder { map, manner, exponents, blank }
    }

    /// The points of the map.
    pub(crate) fn points(&self) -> &[Point] {
        &self.map.points
    }

    /// All registers at one moment, with the register faults in force.
    pub(crate) fn image(&self, sample: &MeterSample, twist: &Twist) -> RegisterImage {
        let mut image = self.blank.clone();
        let manner = self.manner.with_factor(twist.factor_sign());
        for point in &self.map.points {
            let shown = value_si((twist.shown(point.quantity), point), manner, sample);
            let raw = self.raw(point, twist.value(point.quantity, shown), twist);
            let Some(bank) = image.bank_mut(point.function) else { continue };
            if let crate::number::Packing::Bits { lowest, .. } = point.packing {
                bank.or(point.address, (raw << lowest) as u16);
                continue;
            }
            let mut written = words(raw, point.packing.registers(), point.order);
            if twist.reverses_words(point.quantity) {
                written.reverse();
            }
            for (address, word) in (point.address..).zip(written) {
                bank.set(address, word);
            }
        }
        image
    }

    fn raw(&self, point: &Point, value_si: f64, twist: &Twist) -> u64 {
        if !value_si.is_finite() {
            // A device without a "not available" of its own shows NaN where its type has one, else nothing: zero.
            let own = if point.packing.is_float() { point.packing.raw(f64::NAN) } else { 0 };
            return point.not_available.first().copied().unwrap_or(own);
        }
        let exponent = point
            .scale_register
            .and_then(|register| self.exponents.iter().find(|entry| (entry.0, entry.1) == (point.function, register)))
            .map_or(0, |entry| entry.2);
        let counts = (value_si / point.unit_si - point.offset) / (point.scale * 10f64.powi(i32::from(exponent)));
        if let Some(raw) = twist.raw(point, counts) {
            return raw;
        }
        let raw = point.packing.raw(counts);
        if !point.packing.is_float() && point.not_available.contains(&raw) {
            // A true value never shows as the sentinel: devices stop one count short of it.
            let inward = if 0.0 < counts { counts - 1.0 } else { counts + 1.0 };
            return point.packing.raw(inward.clamp(-point.packing.largest(), point.packing.largest() - 1.0));
        }
        raw
    }
}

/// SI value of a quantity for a point's channel and slot; NaN is "not available".
fn value_si((quantity, point): (Quantity, &Point), manner: Manner, sample: &MeterSample) -> f64 {
    let channel = point.channel.unwrap_or(0);
    match quantity {
        Quantity::VoltageLn => return sample.voltage_ln_v[channel],
        Quantity::VoltageLl => return sample.voltage_ll_v[channel],
        Quantity::VoltageAngle => return sample.voltage_angle_deg[channel],
        Quantity::Frequency => return sample.frequency_hz,
        _ => {}
    }
    let Some(circuit) = sample.circuits.get(point.slot) else {
        // A slot without CTs shows nothing: zero where zero has a meaning.
        let meaningless =
            matches!(quantity, Quantity::CurrentAngle | Quantity::PowerFactor | Quantity::Flow | Quantity::Head);
        return if meaningless { f64::NAN } else { 0.0 };
    };
    match quantity {
        Quantity::Current => circuit.current_a[channel],
        Quantity::CurrentAngle => circuit.current_angle_deg[channel],
        Quantity::ActivePower => manner.active(circuit, point.channel),
        Quantity::ReactivePower => manner.reactive(circuit, point.channel),
        Quantity::ApparentPower => {
            point.channel.map_or(circuit.total_apparent_power_va, |channel| circuit.apparent_power_va[channel])
        }
        Quantity::PowerFactor => manner.factor(circuit, point.channel),
        Quantity::EnergyImport => circuit.energy_import_wh,
        Quantity::EnergyExport => circuit.energy_export_wh,
        Quantity::Flow => circuit.flow_m3_per_s,
        Quantity::Head => circuit.head_m,
        _ => f64::from(u8::from(circuit.running)),
    }
}

/// Smallest power of ten (from -3) with which the largest expected value still fits the type.
fn exponent_for(point: &Point, largest_a: f64, largest_va: f64) -> i16 {
    let largest_si = match point.quantity {
        Quantity::Current => largest_a,
        Quantity::ActivePower | Quantity::ReactivePower | Quantity::ApparentPower => largest_va,
        Quantity::VoltageLn | Quantity::VoltageLl | Quantity::Head => 1000.0,
        Quantity::VoltageAngle | Quantity::CurrentAngle => 180.0,
        Quantity::Frequency => 100.0,
        Quantity::PowerFactor | Quantity::RunStatus => 1.0,
        Quantity::EnergyImport | Quantity::EnergyExport => largest_va * 10_000.0,
        Quantity::Flow => 10.0,
    };
    fitting_exponent(largest_si / point.unit_si / point.scale.abs(), point.packing.largest())
}

/// Smallest power of ten from -3 to 6 by which `largest` may be divided to stay within `limit`.
pub(crate) fn fitting_exponent(largest: f64, limit: f64) -> i16 {
    (-3i16..6).find(|exponent| largest / 10f64.powi(i32::from(*exponent)) <= limit).unwrap_or(6)
}

/// Every address that exists, with zeros, and the scale registers filled in.
fn blank_image(map: &Map, exponents: &[(u8, u16, i16)]) -> RegisterImage {
    let mut image = RegisterImage { max_registers: map.max_registers, ..RegisterImage::default() };
    for function in 1..=4u8 {
        let mut ranges: Vec<(u32, u32)> = map
            .points
            .iter()
            .filter(|point| point.function == function)
            .map(|point| (u32::from(point.address), u32::from(point.address) + u32::from(point.packing.registers())))
            .collect();
        ranges.extend(
            exponents
                .iter()
                .filter(|entry| entry.0 == function)
                .map(|entry| (u32::from(entry.1), u32::from(entry.1) + 1)),
        );
        ranges.sort_unstable();
        let Some(bank) = image.bank_mut(function) else { continue };
        let mut reached: Option<u32> = None;
        for (first, end) in ranges {
            let from = match reached {
                // A device answers for the small gaps its own map says may be read across.
                Some(reached) if first <= reached + u32::from(map.max_gap) => reached.min(first),
                _ => first,
            };
            for address in from..end {
                bank.or(address as u16, 0);
            }
            reached = Some(reached.map_or(end, |reached| reached.max(end)));
        }
        for &(_, address, exponent) in exponents.iter().filter(|entry| entry.0 == function) {
            bank.set(address, exponent.cast_unsigned());
        }
        for &(first, last) in &map.forbidden {
            (first..=last).for_each(|address| bank.clear(address));
        }
    }
    image
}
