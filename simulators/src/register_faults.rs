//! Registers that do not say what the map says: word order, addresses, powers of ten, signs, exchanged or frozen values.
//!
//! Pure: what the meter believes stays untouched; only how its registers say it changes. Must never be applied to
//! [`crate::Station::meter`], which is the truth such a fault is judged against.

use std::sync::OnceLock;

use crate::map_file::{Point, Quantity};
use crate::meter::{CircuitSample, MeterSample};
use crate::monitor_file::{FactorSign, RegisterFaultFile};
use crate::number::Packing;

#[derive(Debug, Clone)]
enum Kind {
    /// Words of values over more than one register are in the opposite order.
    WordOrder(Option<Quantity>),
    /// Everything stands so many addresses higher.
    AddressShift(i32),
    /// A quantity is a power of ten too large.
    Scale(Quantity, i32),
    /// A negative value is written as two's complement where, or narrower than, the map reads it as something else.
    SignedAsUnsigned(Option<Quantity>),
    /// A negative value shows as zero.
    SaturatedAtZero(Quantity),
    /// The sign of the power factor means this.
    FactorSign(FactorSign),
    /// Active and reactive power stand in each other's registers.
    PowerExchanged,
    /// A quantity, or everything, stays as it was when the fault began.
    Frozen(Option<Quantity>, OnceLock<MeterSample>),
}

/// A checked register fault.
#[derive(Debug, Clone)]
pub(crate) struct RegisterFault {
    kind: Kind,
    from_s: f64,
    to_s: f64,
}

impl RegisterFault {
    /// Checks a fault; the error is a sentence.
    pub(crate) fn new(file: &RegisterFaultFile) -> Result<RegisterFault, String> {
        let kind = file.kind.as_str();
        let quantity = match &file.quantity {
            None => None,
            Some(text) => Some(Quantity::table(text).ok_or_else(|| format!("quantity \"{text}\" is not known"))?.0),
        };
        let required = || quantity.ok_or_else(|| format!("register fault \"{kind}\" needs a quantity"));
        let checked = match kind {
            "word-order" => Kind::WordOrder(quantity),
            "address-shift" => match file.by.unwrap_or(1) {
                by if by != 0 && (-0xFFFF..=0xFFFF).contains(&by) => Kind::AddressShift(by),
                by => return Err(format!("by must be -65535 to 65535 and not 0, not {by}")),
            },
            "scale" => match file.power_of_ten {
                Some(power) if power != 0 && (-12..=12).contains(&power) => Kind::Scale(required()?, power),
                _ => return Err("register fault \"scale\" needs a power_of_ten of -12 to 12 other than 0".to_owned()),
            },
            "signed-as-unsigned" => Kind::SignedAsUnsigned(quantity),
            "saturated-at-zero" => Kind::SaturatedAtZero(required()?),
            "factor-sign" => Kind::FactorSign(file.sign.ok_or("register fault \"factor-sign\" needs a sign")?),
            "power-exchanged" => Kind::PowerExchanged,
            "frozen" => Kind::Frozen(quantity, OnceLock::new()),
            other => return Err(format!("register fault \"{other}\" is not known")),
        };
        let stray = [
            ("quantity", quantity.is_some() && matches!(kind, "address-shift" | "factor-sign" | "power-exchanged")),
            ("power_of_ten", file.power_of_ten.is_some() && kind != "scale"),
            ("by", file.by.is_some() && kind != "address-shift"),
            ("sign", file.sign.is_some() && kind != "factor-sign"),
        ];
        if let Some((key, _)) = stray.iter().find(|entry| entry.1) {
            return Err(format!("{key} does not go with \"{kind}\""));
        }
        let (from_s, to_s) = (file.from_s.unwrap_or(f64::NEG_INFINITY), file.to_s.unwrap_or(f64::INFINITY));
        if from_s.is_nan() || to_s.is_nan() || to_s <= from_s {
            return Err(format!("register fault \"{kind}\": to_s must come after from_s"));
        }
        Ok(RegisterFault { kind: checked, from_s, to_s })
    }

    /// Refuses a fault that would change nothing on a device with these points; the error is a sentence.
    pub(crate) fn check_points(&self, points: &[Point]) -> Result<(), String> {
        let any = |test: &dyn Fn(&Point) -> bool| {
            if points.iter().any(test) {
                Ok(())
            } else {
                Err("the register fault changes nothing on this map".to_owned())
            }
        };
        let of = |wanted: Option<Quantity>, point: &Point| wanted.is_none_or(|wanted| wanted == point.quantity);
        match &self.kind {
            Kind::WordOrder(wanted) => any(&|point| of(*wanted, point) && 1 < point.packing.registers()),
            Kind::SignedAsUnsigned(wanted) => {
                any(&|point| of(*wanted, point) && as_unsigned(point.packing, -1.0).is_some())
            }
            Kind::Scale(wanted, _) | Kind::SaturatedAtZero(wanted) => any(&|point| point.quantity == *wanted),
            Kind::Frozen(wanted, _) => any(&|point| of(*wanted, point)),
            Kind::FactorSign(_) => any(&|point| point.quantity == Quantity::PowerFactor),
            Kind::PowerExchanged => {
                any(&|point| matches!(point.quantity, Quantity::ActivePower | Quantity::ReactivePower))
            }
            Kind::AddressShift(_) => Ok(()),
        }
    }

    /// Refuses what has no meaning where the standard fixes every register; the error is a sentence.
    pub(crate) fn check_sunspec(&self) -> Result<(), String> {
        match self.kind {
            Kind::WordOrder(_) | Kind::SignedAsUnsigned(_) => {
                Err("this register fault is for map files: SunSpec fixes word order and types".to_owned())
            }
            _ => Ok(()),
        }
    }

    fn holds_at(&self, t_s: f64) -> bool {
        self.from_s <= t_s && t_s < self.to_s
    }
}

/// The faults in force at one moment.
#[derive(Debug, Default)]
pub(crate) struct Twist<'f>(Vec<&'f RegisterFault>);

impl<'f> Twist<'f> {
    /// Those of a list that are in force.
    pub(crate) fn at(faults: &'f [RegisterFault], t_s: f64) -> Twist<'f> {
        Twist(faults.iter().filter(|fault| fault.holds_at(t_s)).collect())
    }

    /// The sample with what is frozen as it was; `meter` gives what was metered at a time.
    pub(crate) fn freeze(&self, mut sample: MeterSample, meter: impl Fn(f64) -> MeterSample) -> MeterSample {
        for fault in &self.0 {
            if let Kind::Frozen(quantity, then) = &fault.kind {
                let then = then.get_or_init(|| meter(fault.from_s.max(0.0)));
                match quantity {
                    None => sample = then.clone(),
                    Some(quantity) => keep(*quantity, then, &mut sample),
                }
            }
        }
        sample
    }

    /// The quantity that stands where the map has one.
    pub(crate) fn shown(&self, quantity: Quantity) -> Quantity {
        let is_exchanged = self.0.iter().any(|fault| matches!(fault.kind, Kind::PowerExchanged));
        match quantity {
            Quantity::ActivePower if is_exchanged => Quantity::ReactivePower,
            Quantity::ReactivePower if is_exchanged => Quantity::ActivePower,
            other => other,
        }
    }

    /// What the sign of the power factor means, when not what the device's manner says.
    pub(crate) fn factor_sign(&self) -> Option<FactorSign> {
        self.0.iter().rev().find_map(|fault| match fault.kind {
            Kind::FactorSign(sign) => Some(sign),
            _ => None,
        })
    }

    /// A value on its way into the registers the map gives to `quantity`; NaN stays NaN.
    pub(crate) fn value(&self, quantity: Quantity, mut value: f64) -> f64 {
        for fault in &self.0 {
            match fault.kind {
                Kind::Scale(wanted, power) if wanted == quantity => value *= 10f64.powi(power),
                Kind::SaturatedAtZero(wanted) if wanted == quantity && value < 0.0 => value = 0.0,
                _ => {}
            }
        }
        value
    }

    /// The raw value of negative counts written without regard to how the map reads them; `None`: as the map says.
    pub(crate) fn raw(&self, point: &Point, counts: f64) -> Option<u64> {
        let befalls = |fault: &&RegisterFault| match fault.kind {
            Kind::SignedAsUnsigned(wanted) => wanted.is_none_or(|wanted| wanted == point.quantity),
            _ => false,
        };
        if self.0.iter().any(befalls) { as_unsigned(point.packing, counts) } else { None }
    }

    /// True when the words of a point are in the opposite order.
    pub(crate) fn reverses_words(&self, quantity: Quantity) -> bool {
        self.0.iter().any(|fault| match fault.kind {
            Kind::WordOrder(wanted) => wanted.is_none_or(|wanted| wanted == quantity),
            _ => false,
        })
    }

    /// By how many addresses everything is moved.
    pub(crate) fn shift(&self) -> i32 {
        let shift = |fault: &&RegisterFault| if let Kind::AddressShift(by) = fault.kind { by } else { 0 };
        self.0.iter().map(shift).sum()
    }
}

/// Two's complement of negative counts: in a type read as unsigned, or in half of a signed type that is wider, where
/// the sign is then not extended. `None` for types and counts this leaves as they are.
fn as_unsigned(packing: Packing, counts: f64) -> Option<u64> {
    let registers = match packing {
        Packing::Unsigned { registers } => registers,
        Packing::Signed { registers } if 1 < registers => registers / 2,
        _ => return None,
    };
    (counts.round() < 0.0).then(|| Packing::Signed { registers }.raw(counts))
}

fn keep(quantity: Quantity, then: &MeterSample, now: &mut MeterSample) {
    match quantity {
        Quantity::VoltageLn => now.voltage_ln_v = then.voltage_ln_v,
        Quantity::VoltageLl => now.voltage_ll_v = then.voltage_ll_v,
        Quantity::VoltageAngle => now.voltage_angle_deg = then.voltage_angle_deg,
        Quantity::Frequency => now.frequency_hz = then.frequency_hz,
        _ => then.circuits.iter().zip(&mut now.circuits).for_each(|(then, now)| keep_circuit(quantity, then, now)),
    }
}

fn keep_circuit(quantity: Quantity, then: &CircuitSample, now: &mut CircuitSample) {
    match quantity {
        Quantity::Current => now.current_a = then.current_a,
        Quantity::CurrentAngle => now.current_angle_deg = then.current_angle_deg,
        Quantity::ActivePower => {
            now.active_power_w = then.active_power_w;
            now.total_active_power_w = then.total_active_power_w;
        }
        Quantity::ReactivePower => {
            now.reactive_power_var = then.reactive_power_var;
            now.total_reactive_power_var = then.total_reactive_power_var;
        }
        Quantity::ApparentPower => {
            now.apparent_power_va = then.apparent_power_va;
            now.total_apparent_power_va = then.total_apparent_power_va;
        }
        Quantity::PowerFactor => {
            now.power_factor = then.power_factor;
            now.total_power_factor = then.total_power_factor;
        }
        Quantity::EnergyImport => now.energy_import_wh = then.energy_import_wh,
        Quantity::EnergyExport => now.energy_export_wh = then.energy_export_wh,
        Quantity::Flow => now.flow_m3_per_s = then.flow_m3_per_s,
        Quantity::Head => now.head_m = then.head_m,
        Quantity::RunStatus => now.running = then.running,
        Quantity::VoltageLn | Quantity::VoltageLl | Quantity::VoltageAngle | Quantity::Frequency => {}
    }
}
